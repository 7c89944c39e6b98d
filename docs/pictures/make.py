"""Draw the photos of a card that the README reads: the practice laser's, before and after one pulse.

Run from the top of the checkout: ``.venv/bin/python docs/pictures/make.py``.
"""

from __future__ import annotations

from pathlib import Path

import cv2

from server.practice import PracticeCamera, PracticeMachine

HERE = Path(__file__).parent
SEED = 7
STATION = "mirror-2"
QUALITY = [cv2.IMWRITE_JPEG_QUALITY, 88]


def main() -> None:
    """Write card-mirror-2-before.jpg and card-mirror-2-after.jpg."""
    machine = PracticeMachine(SEED, severity="rebuilt")
    camera = PracticeCamera(machine)
    camera.start()
    machine.hang(STATION)
    before = camera.newest()
    machine.pulse()
    after = camera.newest(newer_than=before.number)
    camera.stop()
    for name, frame in (("before", before), ("after", after)):
        cv2.imwrite(str(HERE / f"card-{STATION}-{name}.jpg"), frame.pixels, QUALITY)


if __name__ == "__main__":
    main()

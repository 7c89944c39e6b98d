"""From a camera's start to a sharp card, each clip before each lens, on the lens's own clock.

    .venv/bin/python -m tests.bench.focus_start

The lens is simulated (thin lens, published focal lengths and F numbers, its scale off by up to 2 dioptres);
blur is the disc's diameter in a picture of 1280 columns.
"""

from __future__ import annotations

from tests.firmware.test_focus import CLIPS, LENSES, simulated, started

OFF = (-2.0, -1.0, 0.0, 1.0, 2.0)


def main() -> None:
    """Print a row for each lens and clip."""
    print("lens      clip           seconds  blur before, px  after, px")
    for name in LENSES:
        for clip, card_mm in CLIPS.items():
            lenses = [simulated(name, card_mm, off) for off in OFF]
            runs = [started(lens, focus_dioptres=lens.card_dioptres) for lens in lenses]
            after = max(lens.blur_px(run.set_to, 1280) for lens, run in zip(lenses, runs, strict=True))
            before = max(lens.blur_px(1.0, 1280) for lens in lenses)
            print(f"{name:9} {clip:14} {max(run.seconds for run in runs):7.2f} {before:16.1f} {after:10.2f}")


if __name__ == "__main__":
    main()

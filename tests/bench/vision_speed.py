"""Measure live frames a second, and the resident memory of a process with `vision` and one stream.

    python tests/bench/vision_speed.py [frames]

CPU time of one core is counted (the machine may be busy), on 1280 × 720 frames with a settled mark.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

WATCH = """
import sys, time, pathlib
import cv2
import numpy as np
cv2.setNumThreads(1)
import vision
folder, count = pathlib.Path(sys.argv[1]), int(sys.argv[2])
quiet = [cv2.imread(str(p)) for p in sorted(folder.glob("quiet*.png"))]
marked = [cv2.imread(str(p)) for p in sorted(folder.glob("marked*.png"))]
stream, at = vision.Stream(), 0.0
events = []
for picture in quiet * 3 + marked * 12:
    at += 1 / 30
    events += stream.feed(picture, at).events
assert "mark settled" in events, events
spent = []
for i in range(count):
    at += 1 / 30
    start = time.process_time()
    moment = stream.feed(marked[i % len(marked)], at)
    spent.append(time.process_time() - start)
    assert moment.reading is not None
status = pathlib.Path("/proc/self/status").read_text()
resident = int(status.split("VmRSS:")[1].split()[0]) / 1024
peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
frames = (len(quiet) + len(marked)) * marked[0].nbytes / 2**20
print(np.median(spent), resident, peak, frames)
"""


def cpu_ms(call, count: int = 40) -> float:
    call()
    spent = []
    for _ in range(count):
        start = time.process_time()
        call()
        spent.append(time.process_time() - start)
    return 1e3 * float(np.median(spent))


def pictures(folder: Path) -> list[np.ndarray]:
    sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
    import scenes

    rng = np.random.default_rng(4)
    scene = scenes.Scene(view=scenes.View(tilt_deg=25, roll_deg=20, distance_mm=230))
    marked = replace(scene, marks=(scenes.Spot((4.0, -3.0), ragged=0.02),))
    after = [scenes.render(marked, rng) for _ in range(3)]
    for name, shots in (("quiet", [scenes.render(scene, rng) for _ in range(3)]), ("marked", after)):
        for i, shot in enumerate(shots):
            cv2.imwrite(str(folder / f"{name}{i}.png"), shot)
    return after


def watch(count: int) -> tuple[np.ndarray, tuple[float, ...]]:
    """One of the frames; and for a live stream in its own process: seconds per frame, resident MB, peak MB,
    and MB of the frames.
    """
    with tempfile.TemporaryDirectory() as name:
        frame = pictures(Path(name))[0]
        run = [sys.executable, "-c", WATCH, name, str(count)]
        printed = subprocess.run(run, capture_output=True, text=True, check=True).stdout.split()
    return frame, tuple(float(value) for value in printed)


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    import vision
    from vision.find import to_grey

    frame, (live_s, resident, peak, frames) = watch(count)
    grey = to_grey(frame)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    detect = cpu_ms(lambda: detector.detectMarkers(grey))
    search = cpu_ms(lambda: vision.find_card(frame))
    track = 1e3 * live_s
    print(f"OpenCV's marker detection alone          {detect:7.2f} ms")
    print(f"full search for the card                 {search:7.2f} ms   {search / detect:.2f} × detection")
    print(f"frame → reading, card tracked            {track:7.2f} ms   {1e3 / track:.0f} a second")
    again = track + search
    print(f"frame → reading, full search (at most)   {again:7.2f} ms   {1e3 / again:.0f} a second")
    print(f"read(picture), nothing known before      {cpu_ms(lambda: vision.read(frame), 15):7.2f} ms")
    memory = f"{resident - frames:7.0f} / {peak - frames:.0f}"
    print(f"memory, resident / at most               {memory} MB (frames taken off)")


if __name__ == "__main__":
    main()

"""Runs inside the root, with v4l2.c preloaded: the production USB camera on OpenCV's own Video4Linux code.

python play_usb.py CHECKOUT ACT…
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, sys.argv[1])

import vision
from firmware import RigError
from firmware.camera.supervised import SupervisedCamera
from firmware.camera.usb import UsbCamera
from firmware.camera.watchdog import Watch

FOLDER = Path(os.environ["FAKE_VIDEO"])
DEVICE = "/dev/video0"
Json = dict[str, Any]


def show(model: str) -> None:
    """Show this picture to the camera, replacing the last one in one step."""
    (FOLDER / "next.jpg").write_bytes((FOLDER / f"{model}.jpg").read_bytes())
    (FOLDER / "next.jpg").replace(FOLDER / "frame.jpg")


def capture() -> Json:
    """Read a card before and after a pulse; the times are the driver's."""
    show("Before")
    camera = UsbCamera(DEVICE)
    camera.start()
    before = camera.newest(timeout_s=120)
    late_s = time.monotonic() - before.time_s
    show("After")
    after = camera.newest(newer_than=before.number + 15, timeout_s=120)
    answer = vision.read(after.pixels, before.pixels)
    camera.stop()
    result = answer.as_json() if isinstance(answer, vision.Reading) else {"reason": answer.reason}
    interval_s = (after.time_s - before.time_s) / (after.number - before.number)
    return {**result, "late_s": late_s, "interval_s": interval_s}


def light() -> Json:
    """Lock and release the light; returns what reached the driver."""
    said = FOLDER / "controls"
    said.unlink(missing_ok=True)
    camera = UsbCamera(DEVICE)
    camera.start()
    first = camera.newest(timeout_s=120)
    camera.newest(newer_than=first.number + 20, timeout_s=120)  # by then it has found its light
    said.unlink()
    held = camera.lock_light()
    locked = said.read_text().split("\n")[:-1]
    said.unlink()
    camera.release_light()
    camera.stop()
    return {"held": held, "locked": locked, "released": said.read_text().split("\n")[:-1]}


def mishap(name: str, *, at_start: bool) -> Json:
    """The camera fails this way while a file exists; returns what was said and whether it came back."""
    show("After")
    mark = FOLDER / name
    if at_start:
        mark.touch()
    camera = SupervisedCamera("usb", device=DEVICE, watch=Watch(patience_s=1.0, pauses_s=(0.2,)))
    camera.start()
    number = -1 if at_start else wait(camera, -1)
    first = camera.pid
    mark.touch()
    problem = until(lambda: camera.problem)
    mark.unlink()
    back = wait(camera, number + (0 if at_start else 10)) > number
    another = camera.pid != first
    until(lambda: camera.problem is None)
    camera.stop()
    return {"problem": problem, "back": back, "another_process": another}


def held() -> Json:
    return mishap("held", at_start=True)


def absent() -> Json:
    return mishap("unplugged", at_start=True)


def unplugged() -> Json:
    return mishap("unplugged", at_start=False)


def frozen() -> Json:
    return mishap("frozen", at_start=False)


def until(true: Callable[[], Any]) -> Any:
    give_up_s = time.monotonic() + 300
    while time.monotonic() < give_up_s:
        if seen := true():
            return seen
        time.sleep(0.02)
    raise SystemExit("that did not happen")


def wait(camera: SupervisedCamera, newer_than: int) -> int:
    def newest() -> int | None:
        try:
            return camera.newest(newer_than=newer_than, timeout_s=1.0).number + 1
        except RigError:
            return None

    return int(until(newest)) - 1


ACTS = {act.__name__: act for act in (capture, light, held, absent, unplugged, frozen)}

if __name__ == "__main__":
    for name in sys.argv[2:]:
        print(json.dumps({"act": name, **ACTS[name]()}), flush=True)

"""Runs inside the root: the production camera class on the virtual camera; prints each result as a JSON line.

python play.py CHECKOUT ACT…
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, sys.argv[1])

import vision
from firmware import RigError
from firmware.camera.pi import PiCamera, pi_cameras
from firmware.camera.supervised import SupervisedCamera
from firmware.camera.watchdog import Watch

CAMERAS = Path("/usr/share/libcamera/pipeline/virtual/virtual.yaml")
Json = dict[str, Any]


def number_of(model: str) -> int:
    return pi_cameras().index(model)


def picture(model: str) -> Any:
    camera = PiCamera(number_of(model))
    camera.start()
    first = camera.newest(timeout_s=120)
    frame = camera.newest(newer_than=first.number + 3, timeout_s=120)
    full = camera.newest_full(newer_than=frame.number, timeout_s=120)
    assert full.number > frame.number > first.number
    assert full.time_s > frame.time_s > first.time_s
    assert abs(time.monotonic() - full.time_s) < 5
    camera.lock_light()  # this camera has nothing to hold: nothing may break
    camera.release_light()
    camera.stop()
    return full.pixels


def capture() -> Json:
    answer = vision.read(picture("After"))
    return answer.as_json() if isinstance(answer, vision.Reading) else {"reason": answer.reason}


def before_and_after() -> Json:
    answer = vision.read(picture("After"), picture("Before"))
    return answer.as_json() if isinstance(answer, vision.Reading) else {"reason": answer.reason}


def killed() -> Json:
    """kill -9 the camera's process again and again: each time it comes back, and the numbers continue."""
    camera = SupervisedCamera("pi", number=number_of("After"))
    camera.start()
    number, back_s = wait(camera, -1), []
    for _ in range(5):
        dead = process_of(camera)
        began_s = time.monotonic()
        os.kill(dead, signal.SIGKILL)
        process_of(camera, but=dead)
        shown = wait(camera, number)
        number = wait(camera, shown)  # that one the dead process may have left behind
        back_s.append(round(time.monotonic() - began_s, 2))
    problem = camera.problem
    camera.stop()
    return {"number": number, "problem": problem, "back_s": back_s}


def frozen() -> Json:
    """Stop its process, as a driver may: the watchdog starts another."""
    camera = SupervisedCamera("pi", watch=Watch(patience_s=1.0), number=number_of("After"))
    camera.start()
    number = wait(camera, -1)
    stuck = process_of(camera)
    os.kill(stuck, signal.SIGSTOP)
    wait(camera, number + 10)
    other = process_of(camera) != stuck
    camera.stop()
    return {"another_process": other}


def unplugged() -> Json:
    """The camera is gone when its process restarts, and comes back later."""
    number_there = number_of("After")
    camera = SupervisedCamera("pi", number=number_there)
    camera.start()
    number = wait(camera, -1)
    there = CAMERAS.read_text()
    CAMERAS.write_text("%YAML 1.1\n---\n{}\n")
    os.kill(process_of(camera), signal.SIGKILL)
    said = set()
    give_up_s = time.monotonic() + 300
    while not any("no Pi camera" in line for line in said) and time.monotonic() < give_up_s:
        said.add(camera.problem or "")
        time.sleep(0.05)
    CAMERAS.write_text(there)
    while camera.problem is not None and time.monotonic() < give_up_s + 300:
        time.sleep(0.05)
    number_back = wait(camera, number)
    problem = camera.problem
    camera.stop()
    return {"said": sorted(said), "back": number_back > number, "problem": problem}


def process_of(camera: SupervisedCamera, *, but: int = 0) -> int:
    """Return the id of its process, waiting for one other than ``but``.

    Never 0, which kill() takes for the whole process group: this test and everything that started it.
    """
    give_up_s = time.monotonic() + 300
    while time.monotonic() < give_up_s:
        number = camera.pid
        if number and number != but:
            return number
        time.sleep(0.01)
    raise SystemExit("the camera's process did not come back")


def wait(camera: SupervisedCamera, newer_than: int) -> int:
    give_up_s = time.monotonic() + 300
    while time.monotonic() < give_up_s:
        try:
            return camera.newest(newer_than=newer_than, timeout_s=1.0).number
        except RigError:
            continue
    raise SystemExit("the camera did not come back")


ACTS = {act.__name__: act for act in (capture, before_and_after, killed, frozen, unplugged)}

if __name__ == "__main__":
    for name in sys.argv[2:]:
        print(json.dumps({"act": name, **ACTS[name]()}), flush=True)

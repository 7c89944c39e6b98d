"""How fast the practice camera draws, and how accurately vision reads it.

Run: ``python tests/bench/practice_camera.py``.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np

import vision
from server.practice import PracticeCamera, PracticeMachine, default_profile

cv2.setNumThreads(1)
SEEDS = range(4)


def _ms(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return 1000 * (time.perf_counter() - began_s)


def _speed() -> None:
    machine = PracticeMachine(1)
    camera = PracticeCamera(machine, frames_per_s=1e9)
    camera.start()
    camera.newest()
    steady = [_ms(lambda: camera.newest(newer_than=-1)) for _ in range(60)]
    machine.pulse()
    print(f"frame, nothing changed     {np.median(steady):6.1f} ms (worst of 60: {max(steady):.1f})")
    print(f"frame after a pulse        {_ms(camera.newest):6.1f} ms")
    machine.fresh_card()
    print(f"frame with a fresh card    {_ms(camera.newest):6.1f} ms")
    machine.hang("mirror-2")
    print(f"frame at another station   {_ms(camera.newest):6.1f} ms")


def _errors_mm(station: str) -> np.ndarray:
    errors = []
    for seed in SEEDS:
        for corner in ("back-left", "back-right"):
            machine = PracticeMachine(seed, default_profile(corner))
            camera = PracticeCamera(machine)
            camera.start()
            machine.hang(station)
            before = camera.newest()
            machine.pulse()
            reading = vision.read(camera.newest(newer_than=before.number).pixels, before.pixels)
            assert isinstance(reading, vision.Reading), reading
            true = machine.truth()["offset_mm"]["back-left"][station]
            errors.append(np.array(reading.marks[0].offset_mm) - true)
    return np.array(errors)


def _truth() -> None:
    print("\nstation    readings   rms u    rms v    worst (mm)")
    for station in vision.STATIONS:
        errors = _errors_mm(station)
        rms = np.sqrt(np.mean(errors**2, axis=0))
        print(f"{station:10} {len(errors):8} {rms[0]:8.3f} {rms[1]:8.3f} {np.abs(errors).max():8.3f}")


if __name__ == "__main__":
    _speed()
    _truth()

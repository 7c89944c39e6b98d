"""Processor time while no card is in view, at 5 frames a second: the whole program, page and camera process.

    .venv/bin/python -m tests.bench.rig_idle --seconds 60

Aim: at most 15 % of one core. ``still`` is a scene that does not move, as at an idle machine; ``moving``
changes with every frame, so that each is searched for a card. First no page is open, then one.
Pictures are decoded from JPEG files, as a USB camera's are.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

from tests.bench.rig_common import Program, film, look


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--port", type=int, default=8941)
    chosen = parser.parse_args()
    print("no card, 5 frames a second   viewers   cpu of one core")
    with tempfile.TemporaryDirectory() as place:
        for scene, count in (("still", 1), ("moving", round(5 * (2 * chosen.seconds + 10)))):
            folder = Path(place) / scene
            wall = film(folder / "wall", card=False, count=count)
            program = Program(folder / "data", "--camera", f"replay:{wall}", port=chosen.port)
            stop = threading.Event()
            try:
                program.wait_ready()
                time.sleep(5)
                print(f"{scene:<26}   {0:7d}   {busy(program, chosen.seconds):.1%}", flush=True)
                look(program, "one", stop)
                print(f"{scene:<26}   {1:7d}   {busy(program, chosen.seconds):.1%}", flush=True)
                stop.set()
            finally:
                program.kill()


def busy(program: Program, seconds: float) -> float:
    used_s, began_s = program.cpu_s(), time.monotonic()
    time.sleep(seconds)
    return (program.cpu_s() - used_s) / (time.monotonic() - began_s)


if __name__ == "__main__":
    main()

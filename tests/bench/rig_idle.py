"""Processor time while no card is in view, at 5 frames a second: the whole program, page and camera process.

    .venv/bin/python -m tests.bench.rig_idle --seconds 60

Aim: at most 15 % of one core. ``still`` is a wall that does not move (pictures decoded from a folder), as
before an idle machine; nobody looks at the page, then one viewer does.
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
        folder = Path(place)
        wall = film(folder / "wall", card=False)
        program = Program(folder / "data", "--camera", f"replay:{wall}", port=chosen.port)
        stop = threading.Event()
        try:
            program.wait_ready()
            time.sleep(5)
            print(f"still                        {0:7d}   {busy(program, chosen.seconds):.1%}", flush=True)
            look(program, "one", stop)
            print(f"still                        {1:7d}   {busy(program, chosen.seconds):.1%}", flush=True)
            stop.set()
        finally:
            program.kill()


def busy(program: Program, seconds: float) -> float:
    used_s, began_s = program.cpu_s(), time.monotonic()
    time.sleep(seconds)
    return (program.cpu_s() - used_s) / (time.monotonic() - began_s)


if __name__ == "__main__":
    main()

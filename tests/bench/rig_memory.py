"""Resident memory of the whole program, live with two viewers: first minutes, then growth.

    .venv/bin/python tests/bench/rig_memory.py --minutes 30 --camera replay

Aim: at most 180 MB after 30 minutes, at most 1 MB more in the last 20. Prints a line a minute.
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
    parser.add_argument("--minutes", type=int, default=30)
    parser.add_argument("--camera", choices=["practice", "replay"], default="replay")
    parser.add_argument("--port", type=int, default=8921)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        options = () if chosen.camera == "practice" else ("--camera", f"replay:{film(folder / 'film')}")
        program = Program(folder / "data", *options, port=chosen.port)
        stop = threading.Event()
        try:
            program.wait_ready()
            program.do("acknowledge")
            step = program.get("/api/state")["primary"]["body"]
            program.do("hang", step)
            if chosen.camera == "practice":
                program.do("pulse")
            viewers = [*look(program, "one", stop), *look(program, "two", stop)]
            run(program, chosen.minutes)
            stop.set()
            for viewer in viewers:
                viewer.join(timeout=10)
        finally:
            program.kill()


def run(program: Program, minutes: int) -> None:
    print("minute   resident MB   by share MB   processes   cpu of one core", flush=True)
    sizes, used_s = [], program.cpu_s()
    for minute in range(1, minutes + 1):
        time.sleep(60)
        rss, pss = program.memory_mb()
        now_s = program.cpu_s()
        sizes.append(rss)
        busy = (now_s - used_s) / 60
        print(f"{minute:6d}   {rss:11.1f}   {pss:11.1f}   {len(program.pids()):9d}   {busy:.0%}", flush=True)
        used_s = now_s
    if minutes >= 22:
        print(f"growth in the last 20 minutes: {sizes[-1] - sizes[-21]:+.1f} MB", flush=True)


if __name__ == "__main__":
    main()

"""Align by pressing only the large button; every 5th card is a wrong one, every 5th pulse is not fired.

    .venv/bin/python tests/bench/large_button.py [--machines 2] [--first 1]

The camera is a practice camera behind the source of a real one: each picture is drawn, and read by `vision`.
Each machine also gets a run without mistakes. `cost` is the number of extra presses that a mistake took.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from server.pages import Config, create_app
from server.practice import PracticeCamera, PracticeMachine
from server.sources.camera_source import CameraSource
from tests.pages.person import EVERY, Person


def run(seed: int, every: int) -> tuple[str, Person, Counter[str]]:
    """Align that machine; returns how it ended, the person, and how many events of each kind were saved."""
    with tempfile.TemporaryDirectory() as folder:
        machine = PracticeMachine(seed)
        app = create_app(Config(data=Path(folder), source=lambda: CameraSource(PracticeCamera(machine))))
        person = Person(app.test_client(), machine, every=every)
        ended = str(person.align()["do"])
        return ended, person, Counter(row["kind"] for row in person.events())


def main() -> None:
    """Print a line for each machine and kind of run."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--machines", type=int, default=2)
    asked.add_argument("--first", type=int, default=1)
    given = asked.parse_args()
    print("machine  mistakes  ended  presses  marks  turns  shifts  no-marks  cost (most)")
    for seed in range(given.first, given.first + given.machines):
        for every in (0, EVERY):
            ended, person, kinds = run(seed, every)
            counts = "".join(f"{kinds[kind]:7d}" for kind in ("mark", "turn", "shift", "no-mark"))
            cost = max(person.cost, default=0)
            print(
                f"{seed:7d}  {len(person.cost):8d}  {ended:5s}  {person.presses:7d}{counts}  {cost:9d}",
                flush=True,
            )


if __name__ == "__main__":
    main()

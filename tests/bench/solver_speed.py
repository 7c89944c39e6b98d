"""How long an answer takes: alignments of seeded machines, step by step, and a document of 2000 events.

    nice python tests/bench/solver_speed.py --machines 8 --variant none tuesday

Prints processor time, which hardly depends on what else runs, and wall time: median and 90 % of the steps,
and the answer to 2000 events. Wanted on an idle machine: median 40 ms, 2000 events in 2 s.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from server.solver import answer
from tests.bench.play import play
from tests.machines import DISTURBANCES, Machine, disturbance, draw_machine

Json = dict[str, Any]
SEVERITIES, MANY = ("drifted", "rebuilt"), 2000


def timed(spent: list[tuple[float, float]]) -> Callable[[Json], Json]:
    """The solver as a player that notes processor and wall time (ms) of each answer."""

    def player(document: Json) -> Json:
        wall, processor = time.perf_counter(), time.process_time()
        step = answer(document)
        spent.append((1e3 * (time.process_time() - processor), 1e3 * (time.perf_counter() - wall)))
        return step

    return player


def machine_number(number: int, variant: str) -> Machine:
    """Machine n with a disturbance."""
    severity = SEVERITIES[number % 2]
    return draw_machine(number, severity=severity, fault=None, disturbed=disturbance(variant))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--machines", type=int, default=8)
    parser.add_argument("--variant", nargs="+", choices=DISTURBANCES, default=["none"])
    asked = parser.parse_args()
    print("variant              answers   median    90 %   2000 events   (processor ms / wall ms)")
    for variant in asked.variant:
        spent: list[tuple[float, float]] = []
        for number in range(asked.machines):
            machine = machine_number(number, variant)
            play(machine, timed(spent), most_pulses=80)
        events = (machine.events * (MANY // len(machine.events) + 1))[:MANY]
        many: list[tuple[float, float]] = []
        timed(many)({"machine": machine.profile, "events": events})
        cells = [np.median(spent, axis=0), np.percentile(spent, 90, axis=0), np.array(many[0])]
        print(
            f"{variant:20s} {len(spent):7d} " + " ".join(f"{p:6.0f}/{w:<6.0f}" for p, w in cells), flush=True
        )


if __name__ == "__main__":
    main()

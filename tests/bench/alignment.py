"""How well and how fast our solver, the manual procedure and an oracle align the same machines.

    python tests/bench/alignment.py --machines 200 --jobs 2
    python tests/bench/alignment.py --reading eye --player solver manual
    python tests/bench/alignment.py --seed 17 --reading rig --player solver --verbose

Machine number n is always the same: severity n mod 3, bed n/3 mod 2, corner n/6 mod 2. A third have a fault
that no screw can correct; one in ten of these cannot be repaired either, and 'stop' is then the right end.
Each machine is aligned twice: read by the rig (0.05 mm) and by eye (0.4 mm). The oracle knows every lever and
sign but no faults, so it plays the machine without its fault; ratios to it are over machines without one.
Ratios to the manual procedure are over all machines and over those without a fault. A ratio of pulses is
followed by its 95 % interval (bootstrap over machines).
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.manual import ManualProcedure
from tests.bench.play import Player, Run, play
from tests.bench.table import print_failures, print_table
from tests.machines import SEVERITIES, Machine, draw_machine

READINGS = {"rig": 0.05, "eye": 0.4}
BEDS = ("1600", "600")
CORNERS = ("back-left", "back-right")


def machine_number(number: int, reading: str, *, fault: str | None = "draw") -> Machine:
    """Machine n of the benchmark, read by 'rig' or 'eye'."""
    return draw_machine(
        number,
        severity=SEVERITIES[number % 3],
        bed=BEDS[number // 3 % 2],
        corner=CORNERS[number // 6 % 2],
        sigma_mm=READINGS[reading],
        fault=fault,
    )


def _solver(machine: Machine) -> Player:
    from server.solver import answer

    return answer


def _manual(machine: Machine) -> Player:
    return ManualProcedure(machine.profile)


def _oracle(machine: Machine) -> Player:
    from tests.bench.oracle import Oracle

    return Oracle(machine)


PLAYERS: dict[str, Callable[[Machine], Player]] = {"solver": _solver, "manual": _manual, "oracle": _oracle}


def run_one(task: tuple[int, str, str]) -> tuple[int, str, str, Run]:
    number, reading, player = task
    machine = machine_number(number, reading, fault=None if player == "oracle" else "draw")
    return number, reading, player, play(machine, PLAYERS[player](machine))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first machine")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--reading", choices=[*READINGS, "both"], default="both")
    parser.add_argument("--player", choices=PLAYERS, nargs="+", help="which of them play (all)")
    parser.add_argument("--seed", type=int, help="replay this one machine")
    parser.add_argument("--verbose", action="store_true", help="with --seed: print every step")
    return parser.parse_args()


def _replay(number: int, reading: str, player: str, verbose: bool) -> None:
    machine = machine_number(number, reading, fault=None if player == "oracle" else "draw")
    print(f"machine {number}: {SEVERITIES[number % 3]}, {machine.profile['name']}, "
          f"{machine.profile['path']['corner']}, {reading}, fault {machine.fault}")  # fmt: skip
    run = play(machine, PLAYERS[player](machine), watch=print if verbose else None)
    print(run)


def main() -> None:
    asked = _arguments()
    readings = list(READINGS) if asked.reading == "both" else [asked.reading]
    players = asked.player or list(PLAYERS)
    if asked.seed is not None:
        for player in asked.player or ["solver"]:
            _replay(asked.seed, readings[0], player, asked.verbose)
        return
    numbers = range(asked.first, asked.first + asked.machines)
    tasks = [(n, r, p) for n in numbers for r in readings for p in players]
    with ProcessPoolExecutor(asked.jobs) as pool:
        runs = []
        for run in pool.map(run_one, tasks, chunksize=1):
            runs.append(run)
            if sys.stderr.isatty():
                print(f"{len(runs)} of {len(tasks)}", end="\r", file=sys.stderr, flush=True)
    print_table(runs)
    print_failures(runs, player=players[0])


if __name__ == "__main__":
    main()

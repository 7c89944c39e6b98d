"""Measure how well the solver aligns machines with one disturbance each, and with all ('tuesday').

    nice python tests/bench/workshop.py --machines 30 --variant "tape 0.3" tuesday
    nice python tests/bench/workshop.py --machines 60 --first 5000 --player solver manual
    python tests/bench/workshop.py --variant tuesday --seed 17 --verbose

Machine n is drifted (n even) or rebuilt (n odd), or as --severity says (also 'missed'); its bed and corner
follow n as in ``alignment``. None has a fault that no screw can correct. A number is the same machine for
every player, so rows can be compared in pairs. 'told' knows everything except the errors and where the beam
goes, which gives a bound. --plain removes what an older solver does not know from documents.

One line for each variant and player: share solved (it said done, and all is within tolerance), share wrongly
done (beyond 1.5 times it, and beyond 1), medians of pulses, moves and minutes, share asked to inspect
something, share stopped, median time of a step; of those called done, the share whose cuts lean by more than
LEAN_MM, and the error of the reported lens offset (mm: mean, sd, of how many).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from server.solver.machine.power import LEAN_MM
from tests.bench.manual import ManualProcedure
from tests.bench.play import Player, Run, play
from tests.machines import DISTURBANCES, Machine, disturbance, draw_machine

BEDS, CORNERS = ("1600", "600"), ("back-left", "back-right")
HEAD = (
    "variant              player   n  solved  off>1  off>1.5  pulses  moves  minutes"
    "  inspect  stop  cap  ms/step  leans  lens said"
)


def machine_number(number: int, variant: str, asked: argparse.Namespace) -> Machine:
    """Machine ``number`` with a disturbance."""
    return draw_machine(
        number,
        severity=asked.severity or ("drifted", "rebuilt")[number % 2],
        bed=asked.bed or BEDS[number // 2 % 2],
        corner=CORNERS[number // 4 % 2],
        sigma_mm=asked.sigma,
        fault=None,
        disturbed=disturbance(variant, eye_differences=asked.differences),
    )


def _plain(document: dict[str, Any]) -> dict[str, Any]:
    """The document without hangings, lens and bases, for a solver that does not know them."""
    machine = {k: v for k, v in document["machine"].items() if k != "lens"}
    machine["mount"] = [{k: v for k, v in m.items() if k != "base"} for m in machine["mount"]]
    events = [{k: v for k, v in e.items() if k != "hanging"} for e in document["events"]]
    return {"machine": machine, "events": [e for e in events if e["kind"] != "difference"]}


def _player(name: str, machine: Machine, asked: argparse.Namespace) -> Player:
    if name == "manual":
        return ManualProcedure(machine.profile)
    if name == "oracle":
        from tests.bench.oracle import Oracle

        return Oracle(machine)
    if name == "told":
        from tests.bench.told import Told

        return Told(machine)
    from server.solver import answer

    return (lambda document: answer(_plain(document))) if asked.plain else answer


def row(variant: str, player: str, runs: list[Run]) -> str:
    """One line of the table."""

    def share(true: Callable[[Run], bool]) -> str:
        return f"{100 * sum(map(true, runs)) / len(runs):.0f}%"

    def middle(name: str) -> float:
        return float(np.median([getattr(run, name) for run in runs]))

    step = np.median([ms for run in runs for ms in run.step_ms])
    ended = [run for run in runs if run.end == "done"]
    leans = sum(run.lean_mm > LEAN_MM for run in ended) / max(len(ended), 1)
    said = [run.lens_error_mm for run in ended if run.lens_error_mm is not None]
    lens = f"{np.mean(said):+.2f} ({np.std(said):.2f}) {len(said)}" if said else "nothing"
    return (
        f"{variant:20s} {player:8s}{len(runs):3d}{share(lambda r: r.aligned):>8s}"
        f"{share(lambda r: r.end == 'done' and r.excess > 1):>7s}{share(lambda r: r.said_done_wrongly):>9s}"
        f"{middle('pulses'):8.1f}{middle('moves'):7.1f}{middle('minutes'):9.0f}"
        f"{share(lambda r: bool(r.inspected)):>9s}{share(lambda r: r.end == 'stop'):>6s}"
        f"{share(lambda r: r.end in ('cap', 'error')):>5s}{step:9.1f}{leans:7.0%}  {lens}"
    )


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--machines", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--variant", nargs="+", choices=DISTURBANCES, default=list(DISTURBANCES))
    parser.add_argument(
        "--player", nargs="+", choices=("solver", "told", "manual", "oracle"), default=["solver"]
    )
    parser.add_argument("--severity", choices=("drifted", "rebuilt", "missed"))
    parser.add_argument("--bed", choices=BEDS)
    parser.add_argument("--sigma", type=float, default=0.05, help="what a reading claims, mm (by eye 0.4)")
    parser.add_argument("--differences", type=float, default=0.0, help="by eye: sd of a difference, mm")
    parser.add_argument("--most", type=int, default=80, help="pulses after which it is given up")
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--seed", type=int, help="this one machine")
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--keep", type=Path, help="append each run to this file, one JSON a line")
    return parser.parse_args()


def main() -> None:
    asked = _arguments()
    numbers = [asked.seed] if asked.seed is not None else range(asked.first, asked.first + asked.machines)
    print(HEAD, flush=True)
    for variant in asked.variant:
        for player in asked.player:
            runs = []
            for number in numbers:
                machine = machine_number(number, variant, asked)
                watch = print if asked.verbose else None
                run = play(machine, _player(player, machine, asked), most_pulses=asked.most, watch=watch)
                runs.append(run)
                if asked.keep:
                    line = {"variant": variant, "player": player, "number": number, **asdict(run)}
                    with asked.keep.open("a") as file:
                        file.write(json.dumps(line | {"slipped": machine.slipped}) + "\n")
            print(row(variant, player, runs), flush=True)


if __name__ == "__main__":
    main()

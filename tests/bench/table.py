"""Runs as a table a person can read, and the failures by machine number."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tests.bench.play import Run
from tests.machines import SEVERITIES

Result = tuple[int, str, str, Run]
HEAD = (
    "player reading severity   n  aligned  wrongly  pulses  (sound)  moves"
    "  cause  wrong-1st  alarm  right-stop  ms/step"
)


def print_table(results: Sequence[Result]) -> None:
    """One row for each player, reading and severity, and for all severities together; then the ratios."""
    print(HEAD)
    for player in _seen(results, 2):
        for reading in _seen(results, 1):
            for severity in (*SEVERITIES, "all"):
                chosen = [r for r in results if r[1] == reading and r[2] == player and _is(r, severity)]
                if chosen:
                    print(_row(player, reading, severity, [r[3] for r in chosen]))
    _print_ratios(results)


def _seen(results: Sequence[Result], place: int) -> list[str]:
    return list(dict.fromkeys(str(r[place]) for r in results))


def _is(result: Result, severity: str) -> bool:
    return severity == "all" or SEVERITIES[result[0] % 3] == severity


def _row(player: str, reading: str, severity: str, runs: list[Run]) -> str:
    curable = [r for r in runs if r.curable]
    faulty, sound = [r for r in runs if r.fault], [r for r in runs if not r.fault]
    incurable = [r for r in runs if not r.curable]
    return (
        f"{player:7s}{reading:8s}{severity:9s}{len(runs):4d}"
        f"{_percent(curable, lambda r: r.aligned):>9s}{_percent(runs, lambda r: r.said_done_wrongly):>9s}"
        f"{_median([r.pulses for r in runs]):8.1f}{_median([r.pulses for r in sound]):9.1f}"
        f"{_median([r.moves for r in runs]):7.1f}"
        f"{_percent(faulty, lambda r: r.cause_found):>7s}"
        f"{_percent(faulty, lambda r: r.wrong_cause_first):>11s}"
        f"{_percent(sound, lambda r: r.false_alarm):>7s}{_percent(incurable, lambda r: r.end == 'stop'):>12s}"
        f"{_median([ms for r in runs for ms in r.step_ms]):9.1f}"
    )


def _percent(runs: Sequence[Run], true: Callable[[Run], bool]) -> str:
    return f"{100 * sum(map(true, runs)) / len(runs):.1f}%" if runs else "-"


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else float("nan")


def _print_ratios(results: Sequence[Result]) -> None:
    players = _seen(results, 2)
    for other in ("manual", "oracle"):
        if "solver" in players and other in players:
            for reading in _seen(results, 1):
                for severity in (*SEVERITIES, "all"):
                    chosen = [r for r in results if r[1] == reading and _is(r, severity)]
                    print(f"solver / {other}, {reading}, {severity}, sound machines: {_ratio(chosen, other)}")


def _ratio(results: Sequence[Result], other: str) -> str:
    sound = {n for n, _, player, run in results if player == "solver" and not run.fault}
    parts = []
    for what in ("pulses", "moves"):
        median = {
            player: _median([getattr(run, what) for n, _, p, run in results if p == player and n in sound])
            for player in ("solver", other)
        }
        parts.append(
            f"{what} {median['solver']:.1f} / {median[other]:.1f} = {median['solver'] / median[other]:.2f}"
        )
    return ", ".join(parts)


def print_failures(results: Sequence[Result], *, player: str = "solver", most: int = 60) -> None:
    """Each alignment of the player that did not end as it should, by machine number, with the reason."""
    bad = [(n, reading, run) for n, reading, p, run in results if p == player and _failed(run)]
    print(f"\n{len(bad)} failures of {player}; replay with --seed N --reading R --verbose")
    for number, reading, run in bad[:most]:
        print(f"  {number:4d} {reading:4s}{SEVERITIES[number % 3]:8s} {_story(run)}")


def _story(run: Run) -> str:
    return (
        f"end {run.end:6s}{run.excess:7.2f}x {run.worst:18s} pulses {run.pulses:3d} moves {run.moves:3d}"
        f" fault {run.fault} inspected {run.inspected} {run.why}"
    )


def _failed(run: Run) -> bool:
    if not run.curable:
        return run.end != "stop"
    return not run.aligned or run.false_alarm or (run.fault is not None and not run.cause_found)

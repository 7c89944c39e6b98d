"""Runs as a table a person can read, and the failures by machine number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import bootstrap

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
                chosen = [r for r in results if r[1] == reading and r[2] == player and _is(r[0], severity)]
                if chosen:
                    print(_row(player, reading, severity, [r[3] for r in chosen]))
    _print_ratios(results)


def _seen(results: Sequence[Result], place: int) -> list[str]:
    return list(dict.fromkeys(str(r[place]) for r in results))


def _is(number: int, severity: str) -> bool:
    return severity in ("all", _severity(number))


def _severity(number: int) -> str:
    return SEVERITIES[number % 3]


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
    """Print the solver's medians beside another player's on the same machines.

    The manual procedure is done only by eye; the solver with the rig is compared with it too.
    """
    for reading in _seen(results, 1):
        for severity in (*SEVERITIES, "all"):
            _print_ratio(results, reading, ("manual", reading), severity)
        _print_ratio(results, reading, ("manual", reading), "all", sound=True)
    _print_ratio(results, "rig", ("manual", "eye"), "all")
    for reading in _seen(results, 1):
        for severity in (*SEVERITIES, "all"):
            _print_ratio(results, reading, ("oracle", reading), severity, sound=True)


def _print_ratio(
    results: Sequence[Result], reading: str, other: tuple[str, str], severity: str, *, sound: bool = False
) -> None:
    ours, theirs = _runs(results, "solver", reading), _runs(results, *other)
    shared = [n for n, run in ours.items() if n in theirs and not (sound and run.fault) and _is(n, severity)]
    if shared:
        which = f"{severity}, sound machines" if sound else severity
        ratio = _ratio([ours[n] for n in shared], [theirs[n] for n in shared])
        print(f"solver {reading} / {' '.join(other)}, {which}: {ratio}")


def _runs(results: Sequence[Result], player: str, reading: str) -> dict[int, Run]:
    return {n: run for n, r, p, run in results if p == player and r == reading}


def _ratio(ours: Sequence[Run], others: Sequence[Run]) -> str:
    """Ratios of the medians; that of pulses with a 95 % interval over machines drawn the same way."""
    parts = []
    for what in ("pulses", "moves"):
        mine, theirs = ([getattr(run, what) for run in runs] for runs in (ours, others))
        parts.append(f"{what} {_median(mine):.1f} / {_median(theirs):.1f} = {_by(mine, theirs):.2f}")
        if what == "pulses" and len(mine) > 1:
            drawn = bootstrap(
                (mine, theirs), _by, paired=True, vectorized=True, method="percentile", n_resamples=2000,
                random_state=1,
            )  # fmt: skip
            low, high = drawn.confidence_interval
            parts[-1] += f" ({low:.2f} to {high:.2f})"
    return ", ".join(parts)


def _by(mine: ArrayLike, theirs: ArrayLike, axis: int = -1) -> Any:
    return np.median(mine, axis=axis) / np.median(theirs, axis=axis)


def print_failures(results: Sequence[Result], *, player: str = "solver", most: int = 60) -> None:
    """Each alignment of the player that did not end as it should, by machine number, with the reason."""
    bad = [(n, reading, run) for n, reading, p, run in results if p == player and _failed(run)]
    print(f"\n{len(bad)} failures of {player}; replay with --seed N --reading R --verbose")
    for number, reading, run in bad[:most]:
        print(f"  {number:4d} {reading:4s}{_severity(number):8s} {_story(run)}")


def _story(run: Run) -> str:
    return (
        f"end {run.end:6s}{run.excess:7.2f}x {run.worst:18s} pulses {run.pulses:3d} moves {run.moves:3d}"
        f" fault {run.fault} inspected {run.inspected} {run.why}"
    )


def _failed(run: Run) -> bool:
    if not run.curable:
        return run.end != "stop"
    return not run.aligned or run.false_alarm or (run.fault is not None and not run.cause_found)

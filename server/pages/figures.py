"""The large figures: how far there is still to go, in turns of the screw and in millimetres."""

from __future__ import annotations

import math

from server.log import Json
from server.pages.marks import last_mark
from server.pages.words import head_words
from server.session.snapshot import Snapshot, marked_place
from server.solver.machine.power import percent
from server.solver.steps import Verdict
from server.solver.words import axis_way_words, fraction_of_turn, moving_axes, station_words, turn_way_words

__all__ = ["big", "turn_figure"]

_ARROWS = {"X": ("→", "←"), "Y": ("⇧", "⇩"), "Z": ("↑", "↓")}


def big(snapshot: Snapshot) -> list[Json]:
    """Return the figures to be read from afar, the largest first: value, unit, label, kind."""
    step, place = snapshot.step, marked_place(snapshot.step)
    if step.turns is not None:
        return [turn_figure(step.turns), *_to_go(snapshot)]
    if step.move_mm is not None:
        return [_move_figure(axis, value) for axis, value in moving_axes(step.move_mm)]
    if step.do == "done" and step.verdict is not None:
        return [_power(step.verdict)]
    if place is not None and snapshot.cautions:
        head = head_words(place.head_mm, snapshot.machine.bed)
        return [_figure(station_words(place.station).capitalize(), "", f"head {head}", kind="words")]
    return []


def turn_figure(turns: float, left: float | None = None) -> Json:
    """Return the figure of a turn; while the screw turns, of the share (0 to 1) of it that is left."""
    way = f"{turn_way_words(turns)} {'↻' if turns > 0 else '↺'}"
    size = abs(turns) if left is None else abs(turns) * left
    unit = "turns" if size > 1 else "turn"
    return _figure(fraction_of_turn(size), unit, way if left is None else f"still {way}")


def _figure(value: str, unit: str, label: str, *, kind: str = "number") -> Json:
    return {"value": value, "unit": unit, "label": label, "kind": kind}


def _move_figure(axis: str, value: float) -> Json:
    return _figure(f"{abs(value):.1f}", "mm", f"{axis_way_words(axis, value)} {_ARROWS[axis][value < 0]}")


def _to_go(snapshot: Snapshot) -> list[Json]:
    aim = snapshot.expect
    seen = last_mark(snapshot.counted, aim)[0] if aim else None
    if aim is None or seen is None:
        return []
    gap = math.dist(seen, aim.offset_mm)
    return [_figure(f"{gap:.1f}", "mm", "the mark has to go", kind="aside")]


def _power(verdict: Verdict) -> Json:
    return {
        "value": percent(verdict.worst_power),
        "unit": "%",
        "label": "of the beam arrives, worst place",
    }

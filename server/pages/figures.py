"""The one big number: how far still, in turns of the screw and in millimetres."""

from __future__ import annotations

import math
from typing import Any

from server.pages.marks import counted, last_mark
from server.pages.words import fraction_of_turn, head_words, move_words, station_name
from server.solver.machine.power import percent

__all__ = ["big", "turn_figure"]

Json = dict[str, Any]


def big(snapshot: Json) -> list[Json]:
    """Return the figures to be read from afar, the largest first: value, unit, label, kind."""
    step = snapshot["step"]
    if step["do"] == "turn":
        return [turn_figure(step["turns"]), *_to_go(snapshot)]
    if step["do"] == "shift":
        return [_move_figure(move) for move in move_words(step["move_mm"])]
    if step["do"] == "done" and step.get("verdict"):
        return [_power(step["verdict"])]
    if step["do"] == "mark" and snapshot["cautions_acknowledged"]:
        head = head_words(step["head_mm"], snapshot["machine"]["bed"])
        return [_figure(station_name(step["station"]).capitalize(), "", f"head {head}", kind="words")]
    return []


def turn_figure(turns: float, left: float | None = None) -> Json:
    """Return the figure of a turn, or of the share of it that is left (0 to 1) while the screw turns."""
    way = "clockwise ↻" if turns > 0 else "anticlockwise ↺"
    size = abs(turns) if left is None else abs(turns) * left
    unit = "turns" if size > 1 else "turn"
    return _figure(fraction_of_turn(size), unit, way if left is None else f"still {way}")


def _figure(value: str, unit: str, label: str, *, kind: str = "number") -> Json:
    return {"value": value, "unit": unit, "label": label, "kind": kind}


def _move_figure(move: str) -> Json:
    way, value, unit = move.rsplit(" ", 2)
    return _figure(value, unit, f"{way} {_ARROWS[way]}")


_ARROWS = {
    "up": "↑",
    "down": "↓",
    "to the back": "⇧",
    "to the front": "⇩",
    "to machine left": "←",
    "to machine right": "→",
}


def _to_go(snapshot: Json) -> list[Json]:
    aim = snapshot["expect"]
    seen = last_mark(counted(snapshot["events"]), aim)[0] if aim else None
    if seen is None:
        return []
    gap = math.dist(seen, aim["offset_mm"])
    return [_figure(f"{gap:.1f}", "mm", "the mark has to go", kind="aside")]


def _power(verdict: Json) -> Json:
    return {
        "value": percent(verdict["worst_power"]),
        "unit": "%",
        "label": "of the beam arrives, worst place",
    }

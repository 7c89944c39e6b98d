"""The marks among an alignment's events: which lies at a place, and how far one has gone towards an aim."""

from __future__ import annotations

import math
from typing import Any

__all__ = ["Point", "along_and_across", "counted", "is_mark_at", "last_mark", "near", "point", "same_place"]

Json = dict[str, Any]
Point = tuple[float, float]


def counted(rows: list[Json]) -> list[Json]:
    """Return the events of the log's rows, without those that were withdrawn."""
    return [row["event"] for row in rows if not row["withdrawn"]]


def near(a: list[float], b: list[float]) -> bool:
    """Whether two places are within a millimetre of each other on each axis."""
    return all(abs(x - y) <= 1.0 for x, y in zip(a, b, strict=True))


def same_place(a: Json, b: Json) -> bool:
    """Whether both are at one station, with the head near one place."""
    return bool(a["station"] == b["station"]) and near(a["head_mm"], b["head_mm"])


def is_mark_at(event: Json, place: Json) -> bool:
    """Whether the event is a mark at that place."""
    return event["kind"] == "mark" and same_place(event, place)


def last_mark(events: list[Json], place: Json) -> tuple[list[float] | None, int]:
    """Return the newest mark at the place (u, v in mm; None without one), and how many moves followed it."""
    moves = 0
    for event in reversed(events):
        if is_mark_at(event, place):
            return list(event["offset_mm"]), moves
        moves += event["kind"] in ("turn", "shift")
    return None, moves


def point(offset_mm: list[float]) -> Point:
    """Return an offset as the plain pair that it is."""
    return (float(offset_mm[0]), float(offset_mm[1]))


def along_and_across(begin: Point, now: Point, goal: Point) -> tuple[float, float]:
    """Return how far a mark went from ``begin`` towards ``goal``, and how far to either side, mm."""
    toward = (goal[0] - begin[0], goal[1] - begin[1])
    went = (now[0] - begin[0], now[1] - begin[1])
    length_mm = max(math.hypot(*toward), 1e-9)
    along_mm = (toward[0] * went[0] + toward[1] * went[1]) / length_mm
    return along_mm, abs(toward[0] * went[1] - toward[1] * went[0]) / length_mm

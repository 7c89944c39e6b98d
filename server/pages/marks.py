"""The marks of an alignment: the newest at a place, and how far a mark went towards an aim."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeGuard

from server.session.events import Event, MarkSeen, Shift, Turn
from server.solver.machine.profile import Point
from server.sources.base import Place, Placed

__all__ = ["along_and_across", "is_mark_at", "last_mark"]


def is_mark_at(event: Event, place: Placed) -> TypeGuard[MarkSeen]:
    """Whether the event is a mark at that place."""
    return isinstance(event, MarkSeen) and Place.of(event).agrees(place)


def last_mark(events: Sequence[Event], place: Placed) -> tuple[Point | None, int]:
    """Return the newest mark at the place (u, v in mm; None without one), and how many moves followed it."""
    moves = 0
    for event in reversed(events):
        if is_mark_at(event, place):
            return event.offset_mm, moves
        moves += isinstance(event, Turn | Shift)
    return None, moves


def along_and_across(begin: Point, now: Point, goal: Point) -> tuple[float, float]:
    """Return how far a mark went from ``begin`` towards ``goal``, and how far to either side, mm."""
    toward = (goal[0] - begin[0], goal[1] - begin[1])
    went = (now[0] - begin[0], now[1] - begin[1])
    length_mm = max(math.hypot(*toward), 1e-9)
    along_mm = (toward[0] * went[0] + toward[1] * went[1]) / length_mm
    return along_mm, abs(toward[0] * went[1] - toward[1] * went[0]) / length_mm

"""A long move of the tube or of a mount is asked for only when two readings agree that it is needed."""

from __future__ import annotations

import math
from collections.abc import Sequence

from server.session.events import Event, Inspected, MarkSeen, Shift, Turn
from server.solver import Profile, Step
from server.solver.steps import Parts
from server.solver.words import move_words, part_words, station_words, the_place
from server.sources.base import Place

__all__ = ["LONG_MM", "confirm_step"]

LONG_MM = 3.0  # a card at the wrong mirror, or a mark misread, is off by more; a drift rarely (no source)
AGREE_MM, SIGMAS = 0.5, 3.0  # two readings agree within this distance, or within so many of their sigmas


def confirm_step(events: Sequence[Event], machine: Profile, step: Step) -> Step:
    """Return ``step``, or a mark to confirm it if it is a long move that rests on a single mark."""
    if step.do != "shift" or math.hypot(*(step.move_mm or ())) <= LONG_MM:
        return step
    marks = _since_move(events)
    if not marks or any(_agree(marks[-1], earlier) for earlier in marks[:-1]):
        return step
    newest, bed = marks[-1], machine.bed
    moved = f"{part_words(step.part or 'tube').rstrip(',')} by {move_words(step.move_mm or ())}"
    parts = Parts(
        f"mark {station_words(newest.station)} once more",
        where=f"head at {the_place(newest.head_mm, bed.width_mm, bed.depth_mm)}",
        care="fresh tape, lid closed, eyewear on, one short pulse",
        why=f"the next step would move {moved}; that is asked for only when two readings agree",
    )
    return Step(
        "mark",
        station=newest.station,
        head_mm=newest.head_mm,
        parts=parts,
        estimate=step.estimate,
        forecast=step.forecast,
    )


def _since_move(events: Sequence[Event]) -> list[MarkSeen]:
    marks: list[MarkSeen] = []
    for event in events:
        if isinstance(event, Turn | Shift | Inspected):
            marks.clear()
        elif isinstance(event, MarkSeen):
            marks.append(event)
    return marks


def _agree(one: MarkSeen, other: MarkSeen) -> bool:
    sigma_mm = math.hypot(max(one.sigma_mm), max(other.sigma_mm))
    apart_mm = math.dist(one.offset_mm, other.offset_mm)
    return Place.of(one).agrees(other) and apart_mm <= max(AGREE_MM, SIGMAS * sigma_mm)

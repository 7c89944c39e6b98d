"""The five positions: which of them still need a mark before it may be called done."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import model as m
from . import moves as mv
from . import outlook as o
from .events import Event, Inspected, MarkSeen, Shift, Turn
from .profile import Point
from .view import Place, View

Array = NDArray[Any]

STALE = 1.0  # a proof is void once turns have moved its mark by more than this × overlap tolerance


def unproved(view: View) -> list[Place]:
    """The five positions (at mirror 3) without a mark that still holds.

    What has moved all five marks alike since, as a mount moved with its mirror does, leaves the proof that
    they coincide; one mark after it is enough.
    """
    five = [Place(2, i) for i in range(5)]
    moved = [_moved_since(view, i) for i in range(5)]
    limit = STALE * view.profile.tolerance.overlap_mm
    left = [place for place, marks in zip(five, moved, strict=True) if _wander(marks) > limit]
    wholly = any(marks is not None and np.hypot(*marks[i]) <= limit for i, marks in enumerate(moved))
    return left if left or wholly else five


def _wander(moved: Array | None) -> float:
    """How far the marks have moved against each other; infinitely where there was no mark."""
    if moved is None:
        return float("inf")
    return float(np.hypot(*(moved - moved.mean(0)).T).max())


def _moved_since(view: View, position: int) -> Array | None:
    """(5, 2) how the marks of the five positions have been moved since the newest mark at one of them; None
    without one."""
    profile, head, events = view.profile, o.grid(view.profile)[position], view.alignment.events
    near = 0.06 * max(profile.bed.width_mm, profile.bed.depth_mm)
    done = np.zeros(m.SIZE)
    for event in reversed(events):
        if isinstance(event, Inspected) and event.outcome == "fixed":
            return None
        if isinstance(event, MarkSeen) and event.station == "mirror-3" and _apart(event, head) <= near:
            marks = view.jacobian.offset_mm[:, :5, 2]
            return np.asarray(np.tensordot(done[: m.OPTICS], marks, axes=1))
        done = done + worked(view, event)
    return None


def _apart(event: MarkSeen, head: Point) -> float:
    return float(np.hypot(event.head_mm[0] - head[0], event.head_mm[1] - head[1]))


def worked(view: View, event: Event) -> Array:
    """(SIZE,) what an earlier move did to the state, under the best hypothesis."""
    if isinstance(event, Shift):
        return np.asarray(m.shift_matrix(event.part) @ np.array(event.move_mm))
    if isinstance(event, Turn):
        contact = view.profile.contact_index(event.mount, event.screw)
        lever = mv.Lever(0, 0, mount=event.mount, contact=contact)
        return np.asarray(mv.direction(view.profile, view.bank, lever)[:, 0] * event.turns)
    return np.zeros(m.SIZE)

"""The five positions: which of them still need a mark before it may be called done."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import model as m
from . import moves as mv
from . import outlook as o
from .events import Event, Inspected, MarkSeen, Shift, Turn
from .view import Place, View

Array = NDArray[Any]

STALE = 1.0  # a proof is void once turns have moved its mark by more than this × overlap tolerance


def unproved(view: View) -> list[Place]:
    """The five positions (at mirror 3) without a mark that still holds."""
    events = view.alignment.events
    start = max(
        (i for i, e in enumerate(events) if isinstance(e, Inspected) and e.outcome == "fixed"), default=-1
    )
    return [Place(2, i) for i in range(5) if not _proved(view, events[start + 1 :], i)]


def _proved(view: View, events: tuple[Event, ...], position: int) -> bool:
    profile, head = view.profile, o.grid(view.profile)[position]
    near = 0.06 * max(profile.bed.width_mm, profile.bed.depth_mm)
    marked = [
        i
        for i, e in enumerate(events)
        if isinstance(e, MarkSeen)
        and e.station == "mirror-3"
        and np.hypot(e.head_mm[0] - head[0], e.head_mm[1] - head[1]) <= near
    ]
    if not marked:
        return False
    jacobian = view.jacobian.offset_mm[:, position, 2].T
    moved = sum((jacobian @ _done(view, e)[: m.OPTICS] for e in events[marked[-1] + 1 :]), np.zeros(2))
    return bool(np.hypot(*moved) <= STALE * profile.tolerance.overlap_mm)


def _done(view: View, event: Event) -> Array:
    """(SIZE,) what an earlier move did to the state, under the best hypothesis."""
    if isinstance(event, Shift):
        return np.asarray(m.shift_matrix(event.part) @ np.array(event.move_mm))
    if isinstance(event, Turn):
        contact = view.profile.contact_index(event.mount, event.screw)
        lever = mv.Lever(0, 0, mount=event.mount, contact=contact)
        return np.asarray(mv.direction(view.profile, view.bank, lever)[:, 0] * event.turns)
    return np.zeros(m.SIZE)

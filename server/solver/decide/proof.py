"""The five positions and the stations: which of them still need a mark before it may be called done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Place, View
from server.solver.estimate import samples as o
from server.solver.estimate.hypotheses import HAND_RELATIVE, hand
from server.solver.events import Event, Inspected, MarkSeen, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS, Point

Array = NDArray[Any]


def unproved(view: View) -> list[Place]:
    """The five positions (at mirror 3) without a mark that still holds.

    A mark moved since by turns that are known to a hand's error still shows whether the bed is true. What
    has moved all five alike, as a mount moved with its mirror does, leaves the proof that they coincide; one
    mark after it is enough.
    """
    five = [Place(2, i) for i in range(5)]
    moved = [_moves_since(view, 2, i) for i in range(5)]
    limit = view.profile.tolerance.overlap_mm
    left = [place for place, moves in zip(five, moved, strict=True) if _doubt(moves) > POLICY.stale * limit]
    wholly = any(
        m is not None and np.hypot(*m.marks.sum(0)[i]) <= POLICY.alike * limit for i, m in enumerate(moved)
    )
    return left if left or wholly else five


@dataclass(frozen=True)
class _Moves:
    """What each of some moves did to the five marks at a station, mm, and the share by which a hand errs."""

    marks: Array  # (moves, 5, 2)
    errs: Array  # (moves,)


def _doubt(moves: _Moves | None) -> float:
    """How far a hand that errs may have moved the marks against each other (mm, one sd); infinitely where
    there was no mark."""
    if moves is None:
        return float("inf")
    against = moves.marks - moves.marks.mean(1, keepdims=True)
    wander = np.hypot(*np.moveaxis(against, -1, 0)).max(axis=1)
    return float(np.hypot.reduce(moves.errs * wander, initial=0.0))


def _hand_errs(event: Turn | Shift) -> float:
    """The share of a move by which a hand errs in it (one sd), play left aside: of a small turn more than of
    a large one."""
    if isinstance(event, Shift):
        return HAND_RELATIVE
    _, variance = hand(event.turns, float(np.sign(event.turns)))
    return float(np.sqrt(variance)) / abs(event.turns)


def unseen(view: View) -> int | None:
    """A station whose newest mark is older than moves that carried the beam there by half its tolerance: only
    a mark shows that they were made as asked. None if there is none.

    The five positions prove mirror 3, and what reaches mirror 2, which they show much magnified. They do not
    show where mirror 2 itself stands in the beam.
    """
    tolerance = view.profile.tolerance
    for station, limit, part in (
        (3, tolerance.nozzle_mm, ""),
        (1, tolerance.centre_mm, "mirror-2"),
        (0, tolerance.centre_mm, ""),
    ):
        moves = _moves_since(view, station, part=part)
        if moves is None:
            return station
        carried = np.hypot(*np.moveaxis(moves.marks, -1, 0)).max(axis=1)
        if np.hypot.reduce(carried, initial=0.0) > POLICY.fresh * limit:
            return station
    return None


def _moves_since(view: View, station: int, position: int | None = None, part: str = "") -> _Moves | None:
    """The moves since the newest mark at a station; only those of a part if one is given. None where no mark
    was made, with the head at the position if one is given, or a repair before its card came after it."""
    bed = view.profile.bed
    near = 0.06 * max(bed.width_mm, bed.depth_mm)
    head = None if position is None else o.grid(view.profile)[position]
    marks = view.jacobian.offset_mm[:, :5, station]
    done: list[Array] = []
    errs: list[float] = []
    repairs = iter(reversed(view.mixture.repairs))
    for event in reversed(view.alignment.events):
        if isinstance(event, Inspected) and event.outcome == "fixed" and station >= next(repairs):
            return None
        if (isinstance(event, Shift) and part in ("", event.part)) or (isinstance(event, Turn) and not part):
            done.append(np.tensordot(worked(view, event)[: m.OPTICS], marks, axes=1))
            errs.append(_hand_errs(event))
        if not isinstance(event, MarkSeen) or event.station != STATIONS[station]:
            continue
        if head is None or _apart(event, head) <= near:
            return _Moves(np.array(done).reshape(-1, *marks.shape[1:]), np.array(errs))
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
        return np.asarray(mv.direction(view.profile, view.mixture, lever)[:, 0] * event.turns)
    return np.zeros(m.SIZE)

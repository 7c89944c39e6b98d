"""Which of the five positions and the stations still need a mark before the alignment is called done."""

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

    A mark still holds after turns whose hand errors are small against the tolerance. A move that shifts all
    five marks alike, as one of a whole mount, leaves the proof that they coincide; one mark after it will do.
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
    """What each move did to the five marks at a station, mm, and its relative hand error, one sd."""

    marks: Array  # (moves, 5, 2)
    errs: Array  # (moves,)


def _doubt(moves: _Moves | None) -> float:
    """How far hand errors may have moved the marks against each other: mm, one sd; infinite for None."""
    if moves is None:
        return float("inf")
    against = moves.marks - moves.marks.mean(1, keepdims=True)
    wander = np.hypot(*np.moveaxis(against, -1, 0)).max(axis=1)
    return float(np.hypot.reduce(moves.errs * wander, initial=0.0))


def _hand_errs(event: Turn | Shift) -> float:
    """Relative hand error of a move, one sd, without the screw's play; larger for a small turn."""
    if isinstance(event, Shift):
        return HAND_RELATIVE
    _, variance = hand(event.turns, float(np.sign(event.turns)))
    return float(np.sqrt(variance)) / abs(event.turns)


def unseen(view: View) -> int | None:
    """Index of a station where moves since its newest mark shifted the beam by more than half its tolerance:
    only a mark shows that they were made as asked. None if there is none.

    The five positions prove mirror 3. They also prove what reaches mirror 2, which they show much magnified,
    but not where mirror 2 itself stands in the beam.
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
    """The moves since the newest mark at a station, only those of ``part`` if given; None if there is no such
    mark (with the head at ``position``, if given), or a later repair has voided it."""
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
    """(SIZE,) change of the state by a move, under the best hypothesis."""
    if isinstance(event, Shift):
        return np.asarray(m.shift_matrix(event.part) @ np.array(event.move_mm))
    if isinstance(event, Turn):
        contact = view.profile.contact_index(event.mount, event.screw)
        lever = mv.Lever(0, 0, mount=event.mount, contact=contact)
        return np.asarray(mv.direction(view.profile, view.mixture, lever)[:, 0] * event.turns)
    return np.zeros(m.SIZE)

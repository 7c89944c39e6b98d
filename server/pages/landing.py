"""Where the mark went after a turn: to the aim, short, too far, the wrong way, or sideways."""

from __future__ import annotations

import math
from collections.abc import Sequence

from server.log import Json
from server.pages.marks import along_and_across, is_mark_at, last_mark
from server.session.events import Event, Shift, Turn
from server.session.snapshot import Snapshot
from server.solver.machine.profile import Point, Profile
from server.solver.steps import Expect

__all__ = ["landing"]

SIGMAS = 2.5  # standard uncertainties within which a mark counts as landing where it was predicted
LEAST_MM = 0.3


def landing(snapshot: Snapshot) -> Json | None:
    """Return ``{"kind", "words", "left", "gap_mm"}`` for a mark that follows a turn with an aim, else None.

    ``kind``: there, predicted (where it was to land, which is not near enough yet), short, far, back (it went
    the other way), aside (it went sideways, as another screw would move it). ``left`` is the part of the way
    still to go, 0 to 1.
    """
    aim, events = snapshot.aimed, snapshot.counted
    if aim is None or not events or not _moved_before(events):
        return None
    end = events[-1]
    if not is_mark_at(end, aim):
        return None
    gap_mm = math.dist(end.offset_mm, aim.offset_mm)
    before, moves = last_mark(events[:-1], aim)
    start = before if moves == 1 else None
    kind = _kind(start, end.offset_mm, aim.offset_mm, _limit_mm(aim))
    if kind == "there" and gap_mm > _tolerance_mm(aim, snapshot.machine):
        kind = "predicted"
    whole_mm = math.dist(start, aim.offset_mm) if start else gap_mm
    left = 0.0 if kind == "there" else min(1.0, gap_mm / max(whole_mm, 1e-9))
    return {"kind": kind, "words": _WORDS[kind].format(gap_mm), "left": left, "gap_mm": gap_mm}


_WORDS = {
    "there": "There: {:.1f} mm from the aim, as predicted.",
    "predicted": "As predicted, still {:.1f} mm to go.",
    "short": "Short: {:.1f} mm still to go.",
    "far": "Too far, by {:.1f} mm: the next step makes up for it.",
    "back": "It went the other way. Was the screw turned the way of the arrow?",
    "aside": "It went sideways. Was that the right screw?",
}


def _moved_before(events: Sequence[Event]) -> bool:
    return len(events) > 1 and isinstance(events[-2], Turn | Shift)


def _limit_mm(aim: Expect) -> float:
    return max(LEAST_MM, SIGMAS * aim.sigma_mm)


def _tolerance_mm(aim: Expect, machine: Profile) -> float:
    allowed = machine.tolerance
    return allowed.nozzle_mm if aim.station == "nozzle" else allowed.overlap_mm


def _kind(start: Point | None, end: Point, goal: Point, limit_mm: float) -> str:
    if math.dist(end, goal) <= limit_mm or start is None:
        return "there" if math.dist(end, goal) <= limit_mm else "short"
    length_mm = max(math.dist(start, goal), 1e-9)
    along_mm, across_mm = along_and_across(start, end, goal)
    if across_mm > max(limit_mm, abs(along_mm)):
        return "aside"
    if along_mm < -0.2 * length_mm:
        return "back"
    return "far" if along_mm > length_mm else "short"

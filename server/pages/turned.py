"""How far a screw was really turned, as shown by a mark that moved with it."""

from __future__ import annotations

import math

from server.pages.marks import along_and_across
from server.pages.way import BACK_MM, MOVED_MM, follow
from server.session.snapshot import Snapshot

__all__ = ["really_turned", "went_wrong_way"]

LEAST_MM = 0.5  # a shorter way is lost in the variation of a live reading
# A hand errs by 8 % and 1/64 turn, a lever is known to 15 %: a difference within two sd counts as none.
SURE_SHARE, SURE_TURNS = 0.3, 1 / 64
STEP = 1 / 64  # a screw cannot be read finer by eye


def really_turned(snapshot: Snapshot) -> float | None:
    """Return the turns that the mark shows; None if it shows none, or exactly what was asked.

    If the mark has gone a certain share of its way to the aim, the screw has gone the same share of its turn.
    A mark that went sideways shows that another screw was turned, and says nothing about this one.
    """
    followed, live = follow(snapshot), snapshot.rig.live
    if followed is None or followed.start is None or live is None or live.station != followed.station:
        return None
    length_mm = math.dist(followed.start, followed.aim)
    if length_mm < LEAST_MM or math.dist(live.offset_mm, followed.start) < MOVED_MM:
        return None  # a burnt mark does not move, whatever was turned
    along_mm, across_mm = along_and_across(followed.start, live.offset_mm, followed.aim)
    if across_mm > max(abs(along_mm), MOVED_MM):
        return None
    went = followed.turns * along_mm / length_mm
    if abs(went - followed.turns) <= SURE_SHARE * abs(followed.turns) + SURE_TURNS:
        return None
    return math.copysign(max(round(abs(went) / STEP), 1) * STEP, went)


def went_wrong_way(snapshot: Snapshot) -> bool:
    """Whether the mark shows that the screw was turned the other way than asked."""
    followed, live = follow(snapshot), snapshot.rig.live
    if followed is None or followed.start is None or live is None or live.station != followed.station:
        return False
    return along_and_across(followed.start, live.offset_mm, followed.aim)[0] < -BACK_MM

"""While a screw turns: how far the mark still has to go, and whether it goes wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.log import Json
from server.pages.figures import turn_figure
from server.pages.marks import along_and_across, last_mark
from server.pages.units import in_inches
from server.session.snapshot import LiveMark, Snapshot
from server.solver.machine.profile import Point

__all__ = ["Followed", "follow", "live_view", "way"]

NEAR_MM = 0.3  # so near counts as there; 1/64 turn moves the mark farther on the far card
STAY_MM = 0.2  # a message stays until the mark falls back so far: live readings vary by 0.05 mm sd
PAST_MM, PAST_SHARE = 0.4, 0.15  # so far past the aim is too far; a hand's delay in stopping is less
SIDE_MM, SIDE_SHARE = 0.6, 0.5  # levers are known to 15 %: the right screw moves no mark so far aside
BACK_MM = 0.4
MOVED_MM = 0.2  # less than this and nothing has been turned yet


@dataclass(frozen=True)
class Followed:
    """What a live mark is compared with: points on the card (u, v, mm), and the turn that was asked for.

    start : where the beam went before the turn: the last mark there, if nothing was moved since; else where
    film showed the beam when the step began. old : the last mark there, if something was moved since: the
    beam no longer goes to it. Either may be None.
    """

    station: str
    aim: Point
    start: Point | None
    old: Point | None
    turns: float

    def as_json(self) -> Json:
        """Return plain JSON values."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in vars(self).items()}

    @classmethod
    def from_json(cls, data: Json) -> Followed:
        """Return what ``as_json`` gave."""
        frozen: Json = {
            key: tuple(value) if isinstance(value, list) else value for key, value in data.items()
        }
        return cls(**frozen)


def follow(snapshot: Snapshot) -> Followed | None:
    """Return what a live mark is compared with while the step is a turn; None if no card shows it.

    A burnt mark does not move: on a real laser only film shows where the beam is now.
    """
    if snapshot.source == "camera" and not snapshot.film:
        return None
    step, aim, place = snapshot.step, snapshot.expect, snapshot.place
    if step.turns is None or aim is None or place is None or snapshot.source == "offline":
        return None
    if not place.agrees(aim):
        return None
    lies, moves = last_mark(snapshot.counted, aim)
    start, old = (snapshot.rig.from_mm, lies) if moves else (lies, None)
    return Followed(aim.station, aim.offset_mm, start, old, step.turns)


def way(followed: Followed | None, live: LiveMark | None) -> Json | None:
    """Return ``{"kind", "words", "left", "gap_mm", "stands", "big", "goes"}`` for the mark as it is seen now.

    None if there is nothing to follow, or the mark has not moved yet. ``kind``: go, stop, far, back (the
    other way), aside (sideways: another screw). ``left``: the share of the way still to go, None if the start
    is not known. ``stands``: the kinds that still hold if they were said before. ``big``: the large figures;
    ``goes``: the large figures if nothing is wrong.
    """
    if followed is None or live is None or live.station != followed.station:
        return None
    now, goal = live.offset_mm, followed.aim
    if followed.old and math.dist(now, followed.old) < MOVED_MM:
        return None
    gap_mm = math.dist(now, goal)
    kind, left = _judge(followed.start, now, goal)
    stands = [said for said in _SHOUTS if _judge(followed.start, now, goal, said)[0] == said]
    if kind == "go" and followed.start and math.dist(now, followed.start) < MOVED_MM:
        return None
    words = _WORDS[kind]
    big, goes = (_figures(said, left, gap_mm, followed.turns) for said in (kind, "go"))
    judgement = {"kind": kind, "words": words, "left": left, "gap_mm": gap_mm}
    return {**judgement, "stands": stands, "big": big, "goes": goes}


def live_view(state: Json, live: LiveMark | None) -> Json | None:
    """Return the mark as seen now together with its way, in the units of the page's ``state``."""
    if live is None:
        return None
    followed = state.get("follow")
    now = way(Followed.from_json(followed) if followed else None, live)
    return {**live.as_json(), "way": in_inches(now) if state.get("units") == "inch" else now}


_WORDS = {
    "go": "",
    "stop": "Stop. The mark is there.",
    "far": "Too far. Turn a little the other way.",
    "back": "Wrong way. Turn the other way.",
    "aside": "It goes sideways. Is that the right screw?",
}
_SHOUTS = {"stop": "Stop", "far": "Too far", "back": "Wrong way", "aside": "Wrong screw?"}


def _judge(start: Point | None, now: Point, goal: Point, said: str | None = None) -> tuple[str, float | None]:
    """Return the kind and the share of the way left; wider bounds hold for what was ``said`` before."""
    gap_mm = math.dist(now, goal)
    stay_mm = {said: STAY_MM}
    near_mm = NEAR_MM + stay_mm.get("stop", 0.0)
    if start is None:
        return ("stop" if gap_mm <= near_mm else "go"), None
    length_mm = math.dist(start, goal)
    along_mm, across_mm = along_and_across(start, now, goal)
    left = min(max(1 - along_mm / max(length_mm, NEAR_MM), 0.0), 1.0)
    side_mm = max(SIDE_MM, SIDE_SHARE * abs(along_mm)) - stay_mm.get("aside", 0.0)
    past_mm = max(PAST_MM, PAST_SHARE * length_mm) - stay_mm.get("far", 0.0)
    if across_mm > side_mm and gap_mm > NEAR_MM:
        return "aside", left
    if along_mm < stay_mm.get("back", 0.0) - BACK_MM:
        return "back", left
    if along_mm > length_mm + past_mm:
        return "far", 0.0
    return ("stop" if along_mm >= length_mm - near_mm else "go"), left


def _figures(kind: str, left: float | None, gap_mm: float, turns: float) -> list[Json]:
    gap = {"value": f"{gap_mm:.1f}", "unit": "mm", "label": "from the aim", "kind": "aside"}
    if kind != "go":
        return [{"value": _SHOUTS[kind], "unit": "", "label": "", "kind": "shout"}, gap]
    return [turn_figure(turns, left), {**gap, "label": "the mark has to go"}]

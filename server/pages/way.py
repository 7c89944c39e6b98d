"""While a screw turns: how far the mark has still to go, and at once what is wrong with its way."""

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

NEAR_MM = 0.3  # that near is there: finer than 1/64 turn at the far card
STAY_MM = 0.2  # what was said stands while the mark falls back less: a live reading trembles by 0.05 mm sd
PAST_MM, PAST_SHARE = 0.4, 0.15  # so far past the aim, a hand's lag included, the way back is asked for
SIDE_MM, SIDE_SHARE = 0.6, 0.5  # levers are known to 15 %, so a right screw never goes so much aside
BACK_MM = 0.4
MOVED_MM = 0.2  # less than this and nothing has been turned yet


@dataclass(frozen=True)
class Followed:
    """What a live mark is held against: aim, start and old mark on the card (u, v, mm), the turn asked for.

    start : the mark at that place since which nothing was moved, else where film showed the beam as the step
    began. old : the mark since which something was moved: what lies on the tape then is not where the beam
    goes. Each is None where there is no such mark.
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
    """Return what a live mark is held against while the step is a turn; None where no card shows it.

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

    None where there is nothing to follow or the mark still lies where it was. ``kind``: go, stop, far, back
    (the other way), aside (across: another screw). ``left``: 0 to 1 of the way, None where the start is not
    known. ``stands``: the kinds that, once said, still hold here. ``big``: the figures to be read from afar;
    ``goes``: the same while nothing is wrong.
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
    told = {"kind": kind, "words": words, "left": left, "gap_mm": gap_mm}
    return {**told, "stands": stands, "big": big, "goes": goes}


def live_view(state: Json, live: LiveMark | None) -> Json | None:
    """Return the mark as seen now together with its way, in the units of the page's ``state``."""
    if live is None:
        return None
    followed = state.get("follow")
    told = way(Followed.from_json(followed) if followed else None, live)
    return {**live.as_json(), "way": in_inches(told) if state.get("units") == "inch" else told}


_WORDS = {
    "go": "",
    "stop": "Stop. The mark is there.",
    "far": "Too far. Turn a little the other way.",
    "back": "Wrong way. Turn the other way.",
    "aside": "It goes sideways. Is that the right screw?",
}
_SHOUTS = {"stop": "Stop", "far": "Too far", "back": "Wrong way", "aside": "Wrong screw?"}


def _judge(start: Point | None, now: Point, goal: Point, said: str | None = None) -> tuple[str, float | None]:
    """Return kind and what is left of the way; the bounds of what was ``said`` before are wider."""
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

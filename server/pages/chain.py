"""The beam's path as six links, each done, due, to be checked again, or still to come."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from server.log import Json
from server.session.events import Event, MarkSeen, NoMark, Shift, Turn
from server.session.snapshot import Snapshot, marked_place
from server.solver import Step
from server.solver.machine.profile import Tolerance
from server.solver.steps import Verdict

__all__ = ["LINKS", "chain_view"]

# link, its name, the station whose marks show it, the parts that change it
LINKS = (
    ("tube", "Tube", "mirror-1", ("tube", "tube-exit", "tube-far")),
    ("mirror-1", "Mirror 1", "mirror-2", ("mirror-1",)),
    ("mirror-2", "Mirror 2", "mirror-3", ("mirror-2",)),
    ("mirror-3", "Mirror 3", "nozzle", ("mirror-3",)),
    ("nozzle", "Nozzle", "nozzle", ()),
    ("bed", "Bed", "", ()),
)
_ORDER = ["tube", "mirror-1", "mirror-2", "mirror-3"]


def chain_view(snapshot: Snapshot) -> list[Json]:
    """Return the links in the beam's order: ``{"link", "name", "state", "note"}``.

    ``state`` is ``due`` (the step is there), ``done``, ``stale`` (something before it was moved since its
    last mark), ``seen`` (marked, not yet judged good) or ``waiting``.
    """
    step, events = snapshot.step, snapshot.counted
    due = _due(step)
    good = _good(step.verdict, snapshot.machine.tolerance) if step.verdict else {}
    links = []
    for link, name, station, _ in LINKS:
        state = "due" if link == due else _state(link, station, events, good)
        if good.get("bed"):
            state = "done" if good.get(link) else "seen"
        links.append({"link": link, "name": name, "state": state, "note": _NOTES[state]})
    return links


_NOTES = {
    "due": "now",
    "done": "good",
    "stale": "check again: something before it was moved",
    "seen": "marked",
    "waiting": "later",
}


def _due(step: Step) -> str | None:
    if step.mount is not None:
        return f"mirror-{step.mount}"
    if step.part is not None:
        return _mover_of(step.part)
    if step.do == "inspect":
        return "bed"
    place = marked_place(step)
    return place.station if place else None


def _state(link: str, station: str, events: Sequence[Event], good: dict[str, bool]) -> str:
    if link == "bed":
        return "done" if good.get("bed") else "waiting"
    last = _last(events, lambda event: isinstance(event, MarkSeen | NoMark) and event.station == station)
    if last < 0:
        return "waiting"
    if _last(events, lambda event: _upstream(event, link)) > last:
        return "stale"
    return "done" if good.get(link) else "seen"


def _last(events: Sequence[Event], wanted: Callable[[Event], bool]) -> int:
    return max((index for index, event in enumerate(events) if wanted(event)), default=-1)


def _upstream(event: Event, link: str) -> bool:
    match event:
        case Turn(mount=mount):
            mover = f"mirror-{mount}"
        case Shift(part=part):
            mover = _mover_of(part)
        case _:
            return False
    limit = _ORDER.index(link) if link in _ORDER else len(_ORDER)
    return _ORDER.index(mover) <= limit


def _mover_of(part: str) -> str:
    return "tube" if part.startswith("tube") else part


def _good(verdict: Verdict, tolerance: Tolerance) -> dict[str, bool]:
    def centred(station: str) -> bool:
        return verdict.centre_mm.get(station, math.inf) <= tolerance.centre_mm

    def leg(station: str) -> bool:
        return centred(station) and verdict.overlap_mm.get(station, math.inf) <= tolerance.overlap_mm

    return {
        "tube": centred("mirror-1"),
        "mirror-1": leg("mirror-2"),
        "mirror-2": leg("mirror-3"),
        "mirror-3": verdict.lens_mm is None or verdict.lens_mm <= tolerance.lens_mm,
        "nozzle": verdict.nozzle_mm <= tolerance.nozzle_mm,
        "bed": verdict.aligned,
    }

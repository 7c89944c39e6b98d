"""The way of the beam as six links: what is done, due, gone stale."""

from __future__ import annotations

from typing import Any

from server.pages.marks import counted

__all__ = ["LINKS", "chain_view"]

Json = dict[str, Any]
# link, its name, the station whose marks tell about it, the parts whose turning changes it
LINKS = (
    ("tube", "Tube", "mirror-1", ("tube", "tube-exit", "tube-far")),
    ("mirror-1", "Mirror 1", "mirror-2", ("mirror-1",)),
    ("mirror-2", "Mirror 2", "mirror-3", ("mirror-2",)),
    ("mirror-3", "Mirror 3", "nozzle", ("mirror-3",)),
    ("nozzle", "Nozzle", "nozzle", ()),
    ("bed", "Bed", "", ()),
)
_ORDER = ["tube", "mirror-1", "mirror-2", "mirror-3"]


def chain_view(snapshot: Json) -> list[Json]:
    """Return the links in the beam's order: ``{"link", "name", "state", "note"}``.

    ``state`` is ``due`` (the step is worked on there), ``done``, ``stale`` (something upstream was moved
    since its last mark), ``seen`` (marked, not yet judged good) or ``waiting``.
    """
    step, events = snapshot["step"], counted(snapshot["events"])
    due = _due(step)
    good = _good(step.get("verdict"), snapshot["machine"].get("tolerance", {}))
    links = []
    for link, name, station, _ in LINKS:
        state = "due" if link == due else _state(link, station, events, good)
        state = "done" if good.get("bed") else state
        links.append({"link": link, "name": name, "state": state, "note": _NOTES[state]})
    return links


_NOTES = {
    "due": "now",
    "done": "good",
    "stale": "check again: something before it was moved",
    "seen": "marked",
    "waiting": "later",
}


def _due(step: Json) -> str | None:
    if step["do"] == "done" or step["do"] == "stop":
        return None
    if step["do"] == "turn":
        return f"mirror-{step['mount']}"
    if step["do"] == "shift":
        return "tube" if str(step["part"]).startswith("tube") else str(step["part"])
    if step["do"] == "inspect":
        return "bed"
    return str(step["station"])


def _state(link: str, station: str, events: list[Json], good: dict[str, bool]) -> str:
    if link == "bed":
        return "done" if good.get("bed") else "waiting"
    last = _last(events, lambda event: event.get("station") == station)
    if last < 0:
        return "waiting"
    if _last(events, lambda event: _upstream(event, link)) > last:
        return "stale"
    return "done" if good.get(link) else "seen"


def _last(events: list[Json], wanted: Any) -> int:
    return max((index for index, event in enumerate(events) if wanted(event)), default=-1)


def _upstream(event: Json, link: str) -> bool:
    if event["kind"] == "turn":
        mover = f"mirror-{event['mount']}"
    elif event["kind"] == "shift":
        mover = "tube" if event["part"].startswith("tube") else event["part"]
    else:
        return False
    limit = _ORDER.index(link) if link in _ORDER else len(_ORDER)
    return _ORDER.index(mover) <= limit


def _good(verdict: Json | None, tolerance: Json) -> dict[str, bool]:
    if not verdict:
        return {}

    def within(value: float | None, name: str) -> bool:
        return value is not None and value <= float(tolerance[name])

    overlap, centre = verdict.get("overlap_mm") or {}, verdict.get("centre_mm") or {}
    return {
        "tube": within(centre.get("mirror-1"), "centre_mm"),
        "mirror-1": within(overlap.get("mirror-2"), "overlap_mm")
        and within(centre.get("mirror-2"), "centre_mm"),
        "mirror-2": within(overlap.get("mirror-3"), "overlap_mm")
        and within(centre.get("mirror-3"), "centre_mm"),
        "mirror-3": within(verdict.get("lens_mm"), "lens_mm"),
        "nozzle": within(verdict.get("nozzle_mm"), "nozzle_mm"),
        "bed": bool(verdict.get("aligned")),
    }

"""The end of an alignment: its result, and what is left to do before the first cut."""

from __future__ import annotations

import math
from itertools import combinations

from server.log import Json
from server.pages.outcome import outcome_words
from server.pages.words import head_words
from server.session.snapshot import Snapshot
from server.solver.events import MarkSeen, Shift, Turn
from server.solver.words import station_words

__all__ = ["finish"]


def finish(snapshot: Snapshot) -> Json | None:
    """Return ``{"told", "steps"}`` once the step is ``done``, else None.

    told : the worst overlap now, what is allowed, and what it was before. steps : ``{"words", "link"}`` each,
    in the order of the work; ``link`` is one of our pages, or empty.
    """
    if snapshot.step.do != "done":
        return None
    return {"told": _summary(snapshot), "steps": _steps(snapshot)}


def _summary(snapshot: Snapshot) -> str:
    verdict = snapshot.step.verdict
    now = outcome_words(verdict, snapshot.machine.tolerance)
    if verdict is None:
        return now
    spans = verdict.overlap_mm
    at = max(spans, key=lambda station: spans[station])
    where = f"Weakest place: {head_words(verdict.worst_at_head_mm, snapshot.machine.bed)}."
    return f"{now} {where}{_before(snapshot, at)} {_how_sure(snapshot)}"


def _before(snapshot: Snapshot, station: str) -> str:
    """Return how far apart the marks of that station were before anything was moved."""
    found = []
    for event in snapshot.counted:
        if isinstance(event, Turn | Shift):
            break
        if isinstance(event, MarkSeen) and event.station == station:
            found.append(event.offset_mm)
    if len(found) < 2:
        return ""
    apart_mm = max(math.dist(a, b) for a, b in combinations(found, 2))
    return f" Before, the marks at {station_words(station)} lay {apart_mm:.1f} mm apart."


def _how_sure(snapshot: Snapshot) -> str:
    """Return how many marks there are since the last move."""
    since = 0
    for event in reversed(snapshot.counted):
        if isinstance(event, Turn | Shift):
            break
        since += isinstance(event, MarkSeen)
    marks = "1 mark" if since == 1 else f"{since} marks"
    return f"Computed from all readings; {marks} since the last turn."


def _steps(snapshot: Snapshot) -> list[Json]:
    number = snapshot.alignment
    at = f"/log/{number}" if number is not None else "/log"
    steps = (
        ("Make firing impossible. Tighten every lock nut, holding its screw still.", ""),
        ("Pulse once more at the nozzle: the mark must not have moved.", ""),
        ("Card and tape off every mirror. All covers and panels on.", ""),
        ("Test cut at the corner nearest mirror 1: write it down.", at),
        ("Test cut at the far corner, same settings: write it down.", at),
        ("Print the report and keep it at the machine.", f"{at}/report" if number is not None else ""),
        ("Set a reminder for the next check.", "/log#upkeep"),
    )
    return [{"words": words, "link": link} for words, link in steps]

"""The outcome of a check: are the mirrors right, what has drifted, and what to do now."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from server.log import Json
from server.pages.outcome import Measure
from server.pages.symptoms import SYMPTOMS
from server.session.check import Check
from server.session.events import Event, MarkSeen, NoMark
from server.solver import Profile
from server.solver.words import station_words

__all__ = ["CheckOutcome", "as_act", "check_outcome"]

SIGMAS = 2.0  # a number is off if it exceeds what is allowed by more standard uncertainties than this
Kind = Literal["good", "shape", "near", "off"]
# What a mark's shape says of the parts before it, in a clause and in a word; common practice, no source
SHAPES = {
    "double": ("is double: a cracked or dirty surface, or the tube's mode, splits the beam", "Double"),
    "cut-off": ("is cut off on one side: an edge or a burnt rim takes part of the beam", "Cut off"),
}
_BEFORE = {
    "mirror-1": "the tube",
    "mirror-2": "mirror 1",
    "mirror-3": "mirror 2",
    "nozzle": "mirror 3, the lens",
}


@dataclass(frozen=True)
class CheckOutcome:
    """``kind``: good (all numbers within what is allowed), near (beyond it, by no more than a reading errs),
    off (beyond it), shape (all within it, but a mark is not whole).

    worst : the number that decides, None where a pulse left no mark. words : what it means. rest : every
    number, with what is allowed and what it was when the laser was last aligned. word : names the shape.
    """

    kind: Kind
    worst: Measure | None
    words: str
    rest: str
    word: str = ""


@dataclass(frozen=True)
class _Found:
    measure: Measure
    sigma_mm: float
    then_mm: float | None

    @property
    def kind(self) -> Kind:
        beyond_mm = self.measure.value_mm - self.measure.limit_mm
        if beyond_mm <= 0:
            return "good"
        return "near" if beyond_mm <= SIGMAS * self.sigma_mm else "off"

    @property
    def share(self) -> float:
        return self.measure.value_mm / self.measure.limit_mm

    @property
    def words(self) -> str:
        then = "" if self.then_mm is None else f", {self.then_mm:.1f} mm when last aligned"
        measure = self.measure
        name = f"{measure.name[:1].upper()}{measure.name[1:]}"
        return f"{name}: {measure.value_mm:.1f} mm ({measure.limit_mm:g} mm allowed{then})."


def check_outcome(
    check: Check, events: Sequence[Event], machine: Profile, shapes: Mapping[str, str] | None = None
) -> CheckOutcome:
    """Return what the marks of a check say. events : those that count. shapes : of the mark, by station."""
    missed = [event.station for event in events if isinstance(event, NoMark)]
    found = _found(check, [event for event in events if isinstance(event, MarkSeen)], machine)
    odd = _odd_shape(shapes or {})
    rest = " ".join([*([odd[0]] if odd else []), *(one.words for one in found), *_since(check)])
    if missed or not found:
        at = station_words(missed[0]) if missed else "the card"
        words = f"The beam misses {at}: the mirrors are off. Align from here."
        return CheckOutcome("off", None, words, rest)
    worst = max(found, key=lambda one: one.share)
    if odd and worst.kind == "good":
        return CheckOutcome("shape", None, f"The mirrors are right, the beam is not. {odd[0]}", rest, odd[1])
    return CheckOutcome(worst.kind, worst.measure, _words(check, worst), rest)


def _odd_shape(shapes: Mapping[str, str]) -> tuple[str, str] | None:
    """Return what the first odd shape along the beam says, and a word for it; None if all are whole."""
    parts: list[str] = []
    for station, before in _BEFORE.items():
        parts.append(before)
        shape = shapes.get(station)
        if shape in SHAPES:
            why, word = SHAPES[shape]
            return f"The mark at {station_words(station)} {why}. Look at {', '.join(parts)}.", word
        if shape == "round":
            parts.clear()  # all before it is in order
    return None


def _words(check: Check, worst: _Found) -> str:
    measure = worst.measure
    found = f"the {measure.name} is {measure.value_mm:.1f} mm, {measure.limit_mm:g} mm is allowed"
    if worst.kind == "off":
        return f"The mirrors are off: {found}. Align from here."
    if worst.kind == "near":
        return f"At the limit: {found}; no reading can tell more exactly. Leave it if it cuts well."
    symptom = SYMPTOMS.get(check.name)
    return (
        f"The mirrors are right: turn nothing. Other causes: {symptom.otherwise if symptom else 'the rest'}."
    )


def _since(check: Check) -> list[str]:
    return [f"Last aligned on {check.then['when'][:10]}."] if check.then else []


def _found(check: Check, marks: list[MarkSeen], machine: Profile) -> list[_Found]:
    """Return the numbers of each station with marks: how far apart, how far from the centre."""
    allowed, then = machine.tolerance, (check.then or {}).get("verdict") or {}
    found = []
    for station in dict.fromkeys(mark.station for mark in marks):
        here = [mark for mark in marks if mark.station == station]
        at = station_words(station)
        if station == "nozzle":
            value, known = max(math.hypot(*mark.offset_mm) for mark in here), then.get("nozzle_mm")
            found.append(
                _Found(Measure(f"offset at {at}", "Nozzle", value, allowed.nozzle_mm), _sd(here), known)
            )
            continue
        if len(here) > 1:
            value = max(math.dist(a.offset_mm, b.offset_mm) for a, b in combinations(here, 2))
            known = then.get("overlap_mm", {}).get(station)
            measure = Measure(f"overlap at {at}", "Overlap", value, allowed.overlap_mm)
            found.append(_Found(measure, math.sqrt(2) * _sd(here), known))
        mean = [sum(mark.offset_mm[i] for mark in here) / len(here) for i in (0, 1)]
        known = then.get("centre_mm", {}).get(station)
        measure = Measure(f"centre at {at}", "Centre", math.hypot(*mean), allowed.centre_mm)
        found.append(_Found(measure, _sd(here), known))
    return found


def _sd(marks: list[MarkSeen]) -> float:
    """Return the largest standard uncertainty of these marks, of either axis."""
    return max(max(mark.sigma_mm) for mark in marks)


def as_act(outcome: CheckOutcome) -> Json:
    """Return it in large letters, as ``server.pages.act`` returns a step."""
    kind, what, where = {
        "good": ("done", "Good", "Mirrors"),
        "shape": ("look", "Look", outcome.word),
        "near": ("nearly", "Limit", outcome.worst.short if outcome.worst else ""),
        "off": ("look", "Off", outcome.worst.short if outcome.worst else "No mark"),
    }[outcome.kind]
    shown = outcome.worst if outcome.kind in ("near", "off") else None
    amount = [{"way": "", "value": f"{shown.value_mm:.1f}", "unit": "mm"}] if shown else []
    return {"kind": kind, "what": what, "where": where, "amount": amount}

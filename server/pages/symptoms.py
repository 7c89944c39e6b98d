"""What may be wrong, by symptom: what to look at first, which pulses to fire, what else it may be.

All of it is common practice in the trade; there is no published source for it.
"""

from __future__ import annotations

from dataclasses import dataclass

from server.pages.words import the_place
from server.solver.machine.profile import Bed, Profile
from server.solver.words import station_words
from server.sources.base import Place

__all__ = ["MONTHLY", "SYMPTOMS", "Symptom", "place_sentence", "places_of"]


@dataclass(frozen=True)
class Symptom:
    """look : what to look at before any pulse. pulses : station, and ``near`` to or ``far`` from mirror 1.
    tells : what the pulses show. otherwise : where to look when the mirrors are right.
    """

    name: str
    words: str
    look: tuple[str, ...]
    pulses: tuple[tuple[str, str], ...]
    tells: str
    otherwise: str


_SYMPTOMS = (
    Symptom(
        "weak-far",
        "Weak far from the tube",
        (
            "Extraction on and covers shut: smoke takes most from the beam on its longest path.",
            "The bed is as high in that corner as in the others: focus gauge at each.",
        ),
        (("mirror-3", "near"), ("mirror-3", "far")),
        "If both marks are in the same place, the beam arrives where it should; if not, a mirror is off.",
        "smoke between the mirrors, the height of the bed, a beam that spreads more than it did",
    ),
    Symptom(
        "weak-everywhere",
        "Weak everywhere",
        (
            "Mirrors and lens clean and whole, by a lamp, with firing made impossible.",
            "Coolant flows, is cool, and has no bubbles.",
            "The power that is set is the one that you mean.",
        ),
        (("mirror-1", "near"), ("nozzle", "near")),
        "If the mark is in the middle at mirror 1 and at the nozzle, nothing cuts off the beam between them.",
        "dirty or cracked optics, the coolant, the tube and its supply",
    ),
    Symptom(
        "double-lines",
        "Double lines",
        (
            "Make firing impossible, and push the head to and fro: no play in belt, wheels or lens holder.",
            "The lens sits firmly, the right side up.",
        ),
        (("nozzle", "near"), ("nozzle", "far")),
        "If both corners show a single mark in the middle, there is one beam and it goes straight down.",
        "play in belts, wheels or the head, a loose lens",
    ),
    Symptom(
        "fuzzy",
        "Wide or fuzzy line",
        (
            "Focus: the gauge, at the place where it is fuzzy.",
            "The lens is clean on both sides, and the right side up.",
        ),
        (("nozzle", "near"), ("nozzle", "far")),
        "If the mark is in the middle in both corners, the beam goes through the middle of the lens.",
        "the focus, the lens, the height of the bed in that place",
    ),
    Symptom(
        "burns-beside",
        "Burns beside the cut",
        (
            "The nozzle is clean, round and firmly seated.",
            "Air flows at the nozzle.",
        ),
        (("mirror-3", "far"), ("nozzle", "far")),
        "Mirror 3 hit in the middle and the nozzle not: mirror 3 is off. Neither: an earlier one is.",
        "the nozzle, the air, what reflects below the work",
    ),
    Symptom(
        "moved",
        "Lost power after a move or a tube change",
        (
            "The machine stands level and firm; every mount and lock nut is tight.",
            "Before hands go near the tube: its supply off, unplugged and discharged, by licensed people.",
        ),
        (("mirror-1", "near"), ("mirror-2", "near"), ("mirror-2", "far")),
        "The mark at mirror 1 shows whether the tube is right, the two at mirror 2 whether mirror 1 is.",
        "the tube's connections and coolant, what was taken apart for the move",
    ),
    Symptom(
        "monthly",
        "Nothing: the monthly check",
        (
            "Mirrors and lens clean, with firing made impossible: dirt looks like drift.",
            "Rails and gantry free of dust.",
        ),
        (("mirror-3", "near"), ("mirror-3", "far"), ("nozzle", "far")),
        "Three marks tell whether anything has drifted since the last time.",
        "nothing, if it cuts well",
    ),
)
MONTHLY = "monthly"
SYMPTOMS = {symptom.name: symptom for symptom in _SYMPTOMS}


def place_sentence(place: Place, bed: Bed) -> str:
    """Return where the card hangs and the head stands, as a line of a list."""
    return f"Card at {station_words(place.station)}, head at {the_place(place.head_mm, bed)}."


def places_of(symptom: Symptom, machine: Profile) -> tuple[Place, ...]:
    """Return where its pulses go on that laser: near is the corner by mirror 1, far the opposite one."""
    width, depth = machine.bed.width_mm, machine.bed.depth_mm
    left = machine.path.corner == "back-left"
    at = {
        "near": (0.0 if left else width, depth),
        "far": (width if left else 0.0, 0.0),
    }
    return tuple(Place(station, at[where]) for station, where in symptom.pulses)

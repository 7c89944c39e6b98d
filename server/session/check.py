"""A check: a few pulses at places fixed beforehand, with nothing turned in between."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from server.log import Json
from server.session.events import Event, Inspected, MarkSeen, NoMark, Shift, Turn
from server.solver import Profile, Step
from server.solver.steps import Parts
from server.solver.words import station_words, the_place
from server.sources.base import Place

__all__ = ["Check", "check_step"]


@dataclass(frozen=True)
class Check:
    """``name`` of the symptom that is checked, and where the pulses go, in order.

    then : date and verdict of the laser's last finished alignment, ``{"when", "verdict"}``; None without one.
    """

    name: str
    places: tuple[Place, ...]
    then: Json | None = None

    def as_json(self) -> Json:
        """Return plain JSON values."""
        return {"name": self.name, "places": [place.as_json() for place in self.places], "then": self.then}

    @classmethod
    def from_json(cls, data: Json) -> Check:
        """Return what ``as_json`` gave."""
        places = tuple(Place.from_json(place) for place in data["places"])
        return cls(data["name"], places, data.get("then"))

    def left(self, events: Iterable[Event]) -> tuple[Place, ...]:
        """Return the places that have no mark and no blank yet."""
        answers = [event for event in events if isinstance(event, MarkSeen | NoMark)]
        return tuple(place for place in self.places if not any(place.agrees(event) for event in answers))

    @staticmethod
    def is_over(events: Iterable[Event]) -> bool:
        """Whether something was moved or repaired, so that the marks cannot be compared any more."""
        return any(isinstance(event, Turn | Shift | Inspected) for event in events)


def check_step(check: Check | None, events: list[Event], machine: Profile, step: Step) -> Step:
    """Return the next step of a check under way, else ``step``, the solver's."""
    if check is None or check.is_over(events) or not (left := check.left(events)):
        return step
    place, bed = left[0], machine.bed
    parts = Parts(
        f"mark {station_words(place.station)}",
        where=f"head at {the_place(place.head_mm, bed.width_mm, bed.depth_mm)}",
        care="lid closed, eyewear on, one short pulse at the lowest power that marks",
        why="the check asks for this mark; nothing is turned before all of them are there",
    )
    plain = Step("mark", station=place.station, head_mm=place.head_mm, parts=parts)
    return replace(plain, estimate=step.estimate, forecast=step.forecast)

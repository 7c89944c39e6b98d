"""What a session keeps in mind beside the events, and the words for what it saved."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

from server.sources.base import Place, Shot
from vision import Reading

__all__ = ["Candidates", "Memory", "mark_event", "name_of", "saved_words", "seen_now"]

Json = dict[str, Any]


@dataclass(frozen=True)
class Memory:
    """What a session knows beside the events; kept with the alignment so that a restart loses nothing.

    rigs : the number of the newest reading taken from each rig elsewhere. turned : the virtual screw was
    held and has turned, which nobody has saved yet. answered : rises whenever the hands are asked for
    something else.
    """

    cautions: bool = False
    place: Place | None = None
    expect: Json | None = None
    seen: Json | None = None
    missed: bool = False
    used: bool = False
    watch: bool = False
    turned: bool = False
    said: str = ""
    answered: int = 0
    rigs: dict[str, int] = field(default_factory=dict)

    def as_json(self, source: Json) -> Json:
        place = self.place.as_json() if self.place else None
        return {**vars(self), "place": place, "source": source}

    @classmethod
    def from_json(cls, data: Json) -> Memory:
        kept = {name: data[name] for name in vars(cls()) if name in data}
        place = kept.get("place")
        return cls(**{**kept, "place": Place.from_json(place) if place else None})


@dataclass
class Candidates:
    """Several marks in one picture of which only the person knows the newest."""

    reading: Reading
    picture: bytes
    place: Place
    shot: Shot
    marks: list[Any] = field(default_factory=list)


def mark_event(place: Place, offset_mm: list[float], sigma_mm: float | list[float]) -> Json:
    """Return the event of a mark at that place."""
    return {"kind": "mark", **place.as_json(), "offset_mm": offset_mm, "sigma_mm": sigma_mm}


def seen_now(reading: Reading, time_s: float) -> Json:
    """Return the newest mark of a frame taken at ``time_s`` (monotonic) as plain JSON.

    ``taken_ms`` is the same instant as the wall clock had it, for a browser to compare with its own; nothing
    else rests on it.
    """
    mark = reading.marks[0]
    age_s = time.monotonic() - time_s
    return {
        "station": reading.station,
        "offset_mm": [round(float(value), 3) for value in mark.offset_mm],
        "sigma_mm": [round(float(value), 3) for value in mark.sigma_mm],
        "taken_s": round(time_s, 4),
        "taken_ms": round(1000 * (time.time() - age_s), 1),
    }


def saved_words(offset_mm: list[float]) -> str:
    """Return what the page says once the mark is on disk."""
    return "Saved: the mark at " + _where(offset_mm)


def name_of(station: str) -> str:
    """Return 'the nozzle' or 'mirror 2'."""
    return "the nozzle" if station == "nozzle" else station.replace("-", " ")


def _where(offset_mm: list[float]) -> str:
    u_mm, v_mm = offset_mm
    side = "right" if u_mm >= 0 else "left"
    height = "up" if v_mm >= 0 else "down"
    return f"{abs(u_mm):.1f} mm {side}, {abs(v_mm):.1f} mm {height}"

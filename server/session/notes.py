"""What a session remembers besides the events, and the words for what it saved."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

from server.log import Json
from server.session.check import Check
from server.session.events import MarkSeen
from server.session.snapshot import LiveMark, SeenMark, expect_of
from server.solver.machine.profile import Point
from server.solver.steps import Expect
from server.solver.words import offset_words
from server.sources.base import Place, Shot
from vision import Mark, Reading

__all__ = ["Candidates", "Memory", "mark_event", "pair", "saved_words", "seen_now"]


@dataclass(frozen=True)
class Memory:
    """What a session knows besides the events; kept with the alignment so that a restart loses nothing.

    rigs : the number of the newest reading from each remote rig. turned : the practice screw was held and has
    turned, which is not saved yet. answered : rises whenever the person is asked for something else.
    hanging : how often a card was hung; fresh tape over the old is the same hanging. misses : how many pulses
    at the right card left no mark. doubt : the last doubt about the card, dropped if the person says the same
    again. before : the state before the newest event, for one undo. check : the one under way. film : the
    card holds film that shows the beam at once and fades, so that the mark can be watched as a screw turns.
    """

    cautions: bool = False
    place: Place | None = None
    expect: Expect | None = None
    seen: SeenMark | None = None
    misses: int = 0
    used: bool = False
    watch: bool = False
    film: bool = False
    turned: bool = False
    said: str = ""
    answered: int = 0
    hanging: int = 0
    doubt: str = ""
    before: Json | None = None
    check: Check | None = None
    rigs: dict[str, int] = field(default_factory=dict)

    def as_json(self, source: Json) -> Json:
        """Return plain JSON values, including the source's own state."""
        typed = {"place": self.place, "expect": self.expect, "seen": self.seen, "check": self.check}
        plain = {key: value.as_json() if value else None for key, value in typed.items()}
        return {**vars(self), **plain, "source": source}

    @classmethod
    def from_json(cls, data: Json) -> Memory:
        """Return what ``as_json`` gave; missing values get their defaults."""
        kept = {name: data[name] for name in vars(cls()) if name in data}
        place, seen, check = kept.get("place"), kept.get("seen"), kept.get("check")
        kept["place"] = Place.from_json(place) if place else None
        kept["seen"] = SeenMark.from_json(seen) if seen else None
        kept["check"] = Check.from_json(check) if check else None
        return cls(**{**kept, "expect": expect_of(kept.get("expect"))})


@dataclass
class Candidates:
    """Several marks in one picture; only the person knows which is the newest."""

    reading: Reading
    picture: bytes
    place: Place
    shot: Shot
    marks: list[Mark] = field(default_factory=list)


def mark_event(place: Place, offset_mm: Point, sigma_mm: Point, *, hanging: int | None = None) -> MarkSeen:
    """Return the event of a mark at that place; ``hanging``: the number of the hanging, if known."""
    return MarkSeen(place.station, place.head_mm, offset_mm, sigma_mm, hanging)


def pair(values: tuple[float, float] | list[float]) -> Point:
    """Return two numbers (NumPy's too) as plain floats."""
    u_mm, v_mm = values
    return (float(u_mm), float(v_mm))


def seen_now(reading: Reading, time_s: float) -> LiveMark:
    """Return the newest mark of a frame taken at ``time_s`` (monotonic)."""
    mark = reading.marks[0]
    age_s = time.monotonic() - time_s
    offset, sigma = _thousandths(mark.offset_mm), _thousandths(mark.sigma_mm)
    taken_ms = round(1000 * (time.time() - age_s), 1)
    return LiveMark(reading.station, offset, sigma, round(time_s, 4), taken_ms)


def saved_words(offset_mm: Point) -> str:
    """Return what the page says once the mark is on disk."""
    return f"Saved: the mark lies {offset_words(offset_mm)} the centre"


def _thousandths(values: tuple[float, float]) -> Point:
    u_mm, v_mm = values
    return (round(float(u_mm), 3), round(float(v_mm), 3))

"""Convert an alignment's events between the log's JSON and the solver's dataclasses."""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, fields
from typing import Any

from server.log import Json
from server.solver.events import Difference, Inspected, MarkSeen, NoMark, Shift, Turn

__all__ = [
    "Difference",
    "Entry",
    "Event",
    "Inspected",
    "MarkSeen",
    "NoMark",
    "Shift",
    "Turn",
    "Unread",
    "event_json",
    "event_of",
]


@dataclass(frozen=True)
class Unread:
    """An event of a kind that this version does not know; a later version wrote it."""

    kind: str


@dataclass(frozen=True)
class Undo:
    """The event with that uuid was taken back; the solver's document contains neither."""

    event: str


Event = MarkSeen | NoMark | Turn | Shift | Inspected | Difference | Undo | Unread
_KINDS: dict[str, type[Any]] = {
    "mark": MarkSeen,
    "no-mark": NoMark,
    "turn": Turn,
    "shift": Shift,
    "inspected": Inspected,
    "difference": Difference,
    "undo": Undo,
}
_NAMES = {made: kind for kind, made in _KINDS.items()}
SAME_MM = 0.01  # coarser than the rounding of a kept reading


@dataclass(frozen=True)
class Entry:
    """An event in the log: its number, when it was written (UTC), whether it no longer counts.

    asked_turns : what was asked, of a turn that went otherwise, as the mark showed. shape : of a mark that
    vision read.
    """

    id: int
    uuid: str
    when: str
    event: Event
    withdrawn: bool
    has_picture: bool
    asked_turns: float | None = None
    shape: str | None = None

    @property
    def kind(self) -> str:
        """The event's kind, as the document calls it."""
        return kind_of(self.event)

    @classmethod
    def of(cls, row: Json) -> Entry:
        """Return the entry in a row of the log."""
        known = {key: row[key] for key in ("id", "uuid", "when", "withdrawn", "has_picture")}
        event, reading = event_of(row["event"]), row["reading"] or {}
        return cls(event=event, asked_turns=reading.get("asked_turns"), shape=_shape(event, reading), **known)


def _shape(event: Event, reading: Json) -> str | None:
    """The shape of the mark that was taken, among those of its reading; an imported one may hold anything."""
    if not isinstance(event, MarkSeen):
        return None
    try:
        for mark in reading.get("marks") or [reading]:  # a rig sends the one mark alone
            if math.dist(mark["offset_mm"], event.offset_mm) < SAME_MM:
                return mark["shape"] if isinstance(mark["shape"], str) else None
    except (LookupError, TypeError, ValueError):  # the reading of another program
        pass
    return None


def without_undo(document: Json) -> Json:
    """Return an alignment document without its 'undo' events."""
    return {**document, "events": [event for event in document["events"] if event.get("kind") != "undo"]}


def event_of(data: Json) -> Event:
    """Return an event of an alignment document; Unread if it is incomplete or of an unknown kind."""
    kind = str(data.get("kind"))
    made = _KINDS.get(kind)
    if made is None:
        return Unread(kind)
    names = {field.name for field in fields(made)}
    try:
        event: Event = made(**{name: _frozen(name, data[name]) for name in names if name in data})
    except TypeError:
        return Unread(kind)
    return event


def event_json(event: Event) -> Json:
    """Return the event as it stands in an alignment document."""
    values = {field.name: getattr(event, field.name) for field in fields(event) if field.name != "kind"}
    written = {field.name for field in fields(event) if field.default is MISSING}
    written |= {field.name for field in fields(event) if values.get(field.name) != field.default}
    plain = {key: list(value) if isinstance(value, tuple) else value for key, value in values.items()}
    return {"kind": kind_of(event), **{key: value for key, value in plain.items() if key in written}}


def kind_of(event: Event) -> str:
    """Return 'mark', 'no-mark', 'turn', 'shift', 'inspected'."""
    return event.kind if isinstance(event, Unread) else _NAMES[type(event)]


def _frozen(name: str, value: Any) -> Any:
    if name == "sigma_mm" and isinstance(value, int | float):
        return (float(value), float(value))
    return tuple(value) if isinstance(value, list) else value

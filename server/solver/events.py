"""What happened in one alignment, in order."""

from __future__ import annotations

from dataclasses import dataclass

from server.solver.machine.profile import Point, Profile


@dataclass(frozen=True)
class MarkSeen:
    """A mark was read: offset in the card's frame and one standard uncertainty per axis, mm."""

    station: str
    head_mm: Point
    offset_mm: Point
    sigma_mm: Point
    hanging: int | None = None
    below_mm: float = 0.0  # for station 'below': how far its card lies below the seat of the nozzle's tip


@dataclass(frozen=True)
class NoMark:
    """A pulse left no mark: the beam missed the card or was blocked before it."""

    station: str
    head_mm: Point
    hanging: int | None = None
    below_mm: float = 0.0


@dataclass(frozen=True)
class Difference:
    """Two marks on one tape, nothing moved in between: the one at head_mm minus the one at from_head_mm."""

    station: str
    from_head_mm: Point
    head_mm: Point
    offset_mm: Point
    sigma_mm: Point


@dataclass(frozen=True)
class Turn:
    """A screw was to be turned by so much (> 0 clockwise from the knob side)."""

    mount: int
    screw: str
    turns: float


@dataclass(frozen=True)
class Shift:
    """A part was to be moved by so much, machine frame, mm."""

    part: str
    move_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Inspected:
    """A person looked for a fault that no screw cures; ``outcome`` is what they found."""

    cause: str
    outcome: str


Event = MarkSeen | NoMark | Difference | Turn | Shift | Inspected


@dataclass(frozen=True)
class Alignment:
    """All that is known of one alignment, from the first pulse to the verdict."""

    machine: Profile
    events: tuple[Event, ...]

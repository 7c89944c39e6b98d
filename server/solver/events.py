"""The events of one alignment, in order: frozen dataclasses with their limits.

``kind`` and ``lens`` matter only in documents: ``kind`` is not stored, ``lens`` is not compared.
"""

from __future__ import annotations

import math
from dataclasses import InitVar, dataclass, field
from typing import Annotated, Literal

from pydantic import Field, Strict, model_validator

from server.solver.machine.profile import BELOW, MirrorOrNozzle, Point, Profile
from server.solver.shapes import TWO, Fault, MirrorNumber, Pair, ReadAs, Shape, Triple

MAX_SHIFT_MM, MAX_TURNS = 60.0, 20.0

Station = Annotated[str, ReadAs(Literal["mirror-1", "mirror-2", "mirror-3", "nozzle", "below"], str)]
OneOffset = Annotated[float, Field(strict=True, ge=-200, le=200)]
Offset = Annotated[Point, ReadAs(Annotated[list[OneOffset], TWO], tuple)]
OneSigma = Annotated[float, Field(strict=True, gt=0, le=100)]
BelowMm = Annotated[float, Field(strict=True, gt=0, le=2000)]


def _for_both_axes(sigma: list[float] | float) -> tuple[float, ...]:
    return tuple(sigma) if isinstance(sigma, list) else (sigma, sigma)


Sigma = Annotated[Point, ReadAs(OneSigma | Annotated[list[OneSigma], TWO], _for_both_axes)]
Hanging = Annotated[int, Field(strict=True, ge=0)]
Below = Annotated[float, ReadAs(BelowMm | None, lambda told: told or 0.0)]
LensOut = Literal["out"]


def _check_below(event: MarkSeen | NoMark) -> MarkSeen | NoMark:
    """Raise Fault where station 'below' has no below_mm, or another station has below_mm or lens."""
    if event.station == BELOW and not event.below_mm:
        raise Fault("below_mm", "station 'below' needs the distance of its card below the nozzle's seat")
    if event.station != BELOW and (event.below_mm or event.lens):
        raise Fault("below_mm", "only station 'below' has below_mm and lens")
    return event


@dataclass(frozen=True)
class MarkSeen(Shape):
    """A mark was read: its offset in the card's frame and a standard uncertainty per axis, mm.

    below_mm : for station 'below', how far its card lies below the seat of the nozzle's tip.
    """

    station: Station
    head_mm: Pair
    offset_mm: Offset
    sigma_mm: Annotated[Sigma, Field(default=(0.4, 0.4))]  # in a document only
    hanging: Hanging | None = None
    below_mm: Below = 0.0
    lens: LensOut | None = field(default=None, repr=False, compare=False)
    kind: InitVar[Literal["mark"]] = "mark"
    _below = model_validator(mode="after")(_check_below)


@dataclass(frozen=True)
class NoMark(Shape):
    """A pulse left no mark: the beam missed the card or was blocked before it."""

    station: Station
    head_mm: Pair
    hanging: Hanging | None = None
    below_mm: Below = 0.0
    lens: LensOut | None = field(default=None, repr=False, compare=False)
    kind: InitVar[Literal["no-mark"]] = "no-mark"
    _below = model_validator(mode="after")(_check_below)


@dataclass(frozen=True)
class Difference(Shape):
    """Two marks on one tape, nothing moved in between: the one at head_mm minus the one at from_head_mm."""

    station: Annotated[str, ReadAs(MirrorOrNozzle, str)]
    from_head_mm: Pair
    head_mm: Pair
    offset_mm: Offset
    sigma_mm: Annotated[Sigma, Field(default=(0.15, 0.15))]  # in a document only
    kind: InitVar[Literal["difference"]] = "difference"


@dataclass(frozen=True)
class Turn(Shape):
    """A screw was turned: the turns asked for, > 0 clockwise from the knob side; the hand may have erred."""

    mount: MirrorNumber
    screw: Annotated[str, Strict()]
    turns: Annotated[float, Strict()]
    kind: InitVar[Literal["turn"]] = "turn"

    @model_validator(mode="after")
    def _within_limits(self) -> Turn:
        if not 0 < abs(self.turns) <= MAX_TURNS:
            reason = f"must be more than 0 and at most {MAX_TURNS:g} turns either way, not {self.turns:g}"
            raise Fault("turns", reason)
        return self


@dataclass(frozen=True)
class Shift(Shape):
    """A part was moved: the move asked for, machine frame, mm; the hand may have erred."""

    part: Annotated[
        str, ReadAs(Literal["tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3"], str)
    ]
    move_mm: Triple
    kind: InitVar[Literal["shift"]] = "shift"

    @model_validator(mode="after")
    def _within_reach(self) -> Shift:
        size = math.hypot(*self.move_mm)
        if size > MAX_SHIFT_MM:
            raise Fault("move_mm", f"a shift is at most {MAX_SHIFT_MM:g} mm, not {size:.4g}")
        if self.part in ("tube-exit", "tube-far") and self.move_mm[0] != 0:
            raise Fault("move_mm", f"{self.part} moves in Y and Z only: the first number must be 0")
        return self


@dataclass(frozen=True)
class Inspected(Shape):
    """A person looked for a fault that no screw can correct; ``outcome`` is what they found."""

    cause: Annotated[str, Field(strict=True, min_length=1, max_length=100)]
    outcome: Annotated[str, ReadAs(Literal["fixed", "nothing-found", "not-fixed"], str)]
    kind: InitVar[Literal["inspected"]] = "inspected"


Event = Annotated[MarkSeen | NoMark | Difference | Turn | Shift | Inspected, Field(discriminator="kind")]
EventList = Annotated[tuple[Event, ...], ReadAs(list[Event], tuple)]


@dataclass(frozen=True)
class Alignment(Shape):
    """One alignment: the laser's profile and all events, from the first pulse to the verdict."""

    machine: Profile  # first: its faults are reported before those of the events
    events: EventList

    @model_validator(mode="after")
    def _events_of_this_machine(self) -> Alignment:
        for index, event in enumerate(self.events):
            _check_on_machine(self.machine, f"events.{index}", event)
        return self


def _check_on_machine(machine: Profile, where: str, event: Event) -> None:
    """Raise Fault where an event cannot be one of this machine."""
    if isinstance(event, Difference):
        _check_head(machine, f"{where}.from_head_mm", event.from_head_mm)
    if isinstance(event, MarkSeen | NoMark | Difference):
        _check_head(machine, f"{where}.head_mm", event.head_mm)
    if isinstance(event, Turn):
        _check_screw(machine, f"{where}.screw", event)


def _check_head(machine: Profile, where: str, head: Point) -> None:
    sizes = (("width", machine.bed.width_mm), ("depth", machine.bed.depth_mm))
    for i, (value, (name, size)) in enumerate(zip(head, sizes, strict=True)):
        if not 0 <= value <= size:
            reason = f"{value:g} is not between 0 and the bed's {name}, {size:g}"
            raise Fault(f"{where}.{i}", f"the head stands outside the bed: {reason}")


def _check_screw(machine: Profile, where: str, turn: Turn) -> None:
    names = [c.name for c in machine.mount[turn.mount - 1].contact if c.screw_pitch_mm is not None]
    if turn.screw not in names:
        have = ", ".join(names) or "none"
        reason = f"mount {turn.mount} has no screw '{turn.screw[:60]}'; its screws: {have}"
        raise Fault(where, reason)

"""The shapes of what comes from outside, and the checks over several fields."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from server.solver.machine import profile as p

Station = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle", "below"]
MirrorOrNozzle = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle"]
Length = Annotated[float, Field(gt=0, le=20_000)]
Number = Annotated[float, Field(ge=-20_000, le=20_000)]
Sigma = Annotated[float, Field(gt=0, le=100)]
Pair = Annotated[list[Number], Field(min_length=2, max_length=2)]
BelowMm = Annotated[float, Field(gt=0, le=2000)] | None
MAX_SHIFT_MM = 60.0


class Fault(ValueError):
    """A fault found by a check over several fields; ``at`` is the path below the model."""

    def __init__(self, at: str, message: str) -> None:
        super().__init__(message)
        self.at = at


class In(BaseModel):
    """Base of all models here: known keys only, no conversion of types, finite numbers."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class Bed(In):
    """As profile.Bed."""

    width_mm: Length
    depth_mm: Length
    zero: Literal["front-left", "front-right", "back-left", "back-right"] = "front-left"


class Path(In):
    """As profile.Path."""

    corner: Literal["back-left", "back-right"]
    tube_to_mirror_1_mm: Length
    mirror_1_to_2_mm: Annotated[list[Length], Field(min_length=2, max_length=2)]
    mirror_2_to_3_mm: Annotated[list[Length], Field(min_length=2, max_length=2)]
    mirror_3_to_lens_mm: Length
    lens_focal_mm: Length
    lens_to_nozzle_tip_mm: Annotated[float, Field(ge=0, le=20_000)]


class Beam(In):
    """As profile.Beam, not below diffraction."""

    wavelength_um: Annotated[float, Field(gt=0, le=1000)]
    diameter_mm: Annotated[float, Field(gt=0, le=200)]
    divergence_mrad: Annotated[float, Field(ge=0, le=200)]

    @model_validator(mode="after")
    def _not_below_diffraction(self) -> Beam:
        limit = 4.0 * self.wavelength_um / (math.pi * self.diameter_mm)
        if 0 < self.divergence_mrad < limit * (1 - 1e-9):
            reason = (
                f"below the diffraction limit 4λ/(πD) = {limit:.3f} mrad of this diameter; 0 means constant"
            )
            raise Fault("divergence_mrad", reason)
        return self


class Aperture(In):
    """As profile.Aperture."""

    mirror_1_mm: Length
    mirror_2_mm: Length
    mirror_3_mm: Length
    lens_mm: Length
    nozzle_mm: Length


class Tolerance(In):
    """As profile.Tolerance."""

    overlap_mm: Length = p.Tolerance.overlap_mm
    centre_mm: Length = p.Tolerance.centre_mm
    lens_mm: Length = p.Tolerance.lens_mm
    nozzle_mm: Length = p.Tolerance.nozzle_mm


class Tube(In):
    """As profile.Tube."""

    exit_mount_mm: Annotated[float, Field(ge=0, le=20_000)]
    far_mount_mm: Length

    @model_validator(mode="after")
    def _far_is_farther(self) -> Tube:
        if self.far_mount_mm - self.exit_mount_mm < 10:
            raise Fault("far_mount_mm", "must be at least 10 mm farther from the exit than exit_mount_mm")
        return self


class Contact(In):
    """As profile.Contact."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    at_mm: Pair
    screw_pitch_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    clockwise: Literal[-1, 1] | None = None

    @model_validator(mode="after")
    def _a_pivot_has_no_clockwise(self) -> Contact:
        if self.screw_pitch_mm is None and self.clockwise is not None:
            raise Fault("clockwise", "a contact without screw_pitch_mm is a fixed pivot and has no clockwise")
        return self


class Lens(In):
    """As profile.Lens."""

    comes_out: bool = False


class Card(In):
    """As profile.Card: one distance for all stations, or one for each that has one."""

    before_mount_mm: (
        Annotated[float, Field(ge=-200, le=200)]
        | dict[MirrorOrNozzle, Annotated[float, Field(ge=-200, le=200)]]
    ) = 0.0


class Mount(In):
    """As profile.Mount: three points, not on a line."""

    mirror: Annotated[int, Field(ge=1, le=3)]
    contact: list[Contact]
    turns_from: Annotated[float, Field(ge=-50, le=0)] = p.Mount.turns_from
    turns_to: Annotated[float, Field(ge=0, le=50)] = p.Mount.turns_to
    base: Literal["free", "fixed"] = p.Mount.base

    @field_validator("contact")
    @classmethod
    def _three_points(cls, contact: list[Contact]) -> list[Contact]:
        if len(contact) != 3:
            raise ValueError(f"a mount has exactly three contact points, here are {len(contact)}")
        if len({c.name for c in contact}) != 3:
            raise ValueError("the three contact points need different names")
        (ax, ay), (bx, by), (cx, cy) = (c.at_mm for c in contact)
        area = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay))
        longest = max(math.dist(a.at_mm, b.at_mm) for a in contact for b in contact)
        if area < max(1.0, 0.02 * longest * longest):
            raise ValueError("the three contact points lie on a line: no plane goes through them alone")
        return contact


class Profile(In):
    """As profile.Profile: distances that fit the bed, three mounts."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    bed: Bed
    path: Path
    beam: Beam
    aperture: Aperture
    tolerance: Tolerance = Field(default_factory=Tolerance)
    tube: Tube
    mount: list[Mount]
    lens: Lens = Field(default_factory=Lens)
    card: Card = Field(default_factory=Card)

    @model_validator(mode="after")
    def _distances_fit_the_bed(self) -> Profile:
        for key, size in (("mirror_1_to_2_mm", self.bed.depth_mm), ("mirror_2_to_3_mm", self.bed.width_mm)):
            near, far = getattr(self.path, key)
            if abs(far - near - size) > 1e-6 * size:
                reason = f"the far distance must be near plus bed, {near:g} + {size:g} = {near + size:g}"
                raise Fault(f"path.{key}", f"{reason}, not {far:g}")
        if sorted(m.mirror for m in self.mount) != [1, 2, 3]:
            raise Fault("mount", "exactly three mounts are needed, for mirror 1, 2 and 3")
        return self


class Mark(In):
    """A mark event."""

    kind: Literal["mark"]
    station: Station
    head_mm: Pair
    offset_mm: Annotated[list[Annotated[float, Field(ge=-200, le=200)]], Field(min_length=2, max_length=2)]
    sigma_mm: Sigma | Annotated[list[Sigma], Field(min_length=2, max_length=2)] = 0.4
    hanging: Annotated[int, Field(ge=0)] | None = None
    below_mm: BelowMm = None
    lens: Literal["out"] | None = None

    @model_validator(mode="after")
    def _below_is_said(self) -> Mark:
        _below_alone(self)
        return self


class NoMark(In):
    """A no-mark event."""

    kind: Literal["no-mark"]
    station: Station
    head_mm: Pair
    hanging: Annotated[int, Field(ge=0)] | None = None
    below_mm: BelowMm = None
    lens: Literal["out"] | None = None

    @model_validator(mode="after")
    def _below_is_said(self) -> NoMark:
        _below_alone(self)
        return self


def _below_alone(event: Mark | NoMark) -> None:
    """Raise Fault unless below_mm is given for station 'below' and, like lens, only for it."""
    if event.station == p.BELOW and event.below_mm is None:
        raise Fault("below_mm", "station 'below' needs the distance of its card below the nozzle's seat")
    if event.station != p.BELOW and (event.below_mm is not None or event.lens is not None):
        raise Fault("below_mm", "only station 'below' has below_mm and lens")


class Difference(In):
    """A difference event: two marks on one tape."""

    kind: Literal["difference"]
    station: MirrorOrNozzle
    from_head_mm: Pair
    head_mm: Pair
    offset_mm: Annotated[list[Annotated[float, Field(ge=-200, le=200)]], Field(min_length=2, max_length=2)]
    sigma_mm: Sigma | Annotated[list[Sigma], Field(min_length=2, max_length=2)] = 0.15


class Turn(In):
    """A turn event."""

    kind: Literal["turn"]
    mount: Annotated[int, Field(ge=1, le=3)]
    screw: str
    turns: float

    @field_validator("turns")
    @classmethod
    def _a_hand_can(cls, turns: float) -> float:
        if not 0 < abs(turns) <= 20:
            raise ValueError(f"must be more than 0 and at most 20 turns either way, not {turns:g}")
        return turns


class Shift(In):
    """A shift event."""

    kind: Literal["shift"]
    part: Literal["tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3"]
    move_mm: Annotated[list[Number], Field(min_length=3, max_length=3)]

    @model_validator(mode="after")
    def _within_reach(self) -> Shift:
        if math.hypot(*self.move_mm) > MAX_SHIFT_MM:
            raise Fault(
                "move_mm", f"a shift is at most {MAX_SHIFT_MM:g} mm, not {math.hypot(*self.move_mm):.4g}"
            )
        if self.part in ("tube-exit", "tube-far") and self.move_mm[0] != 0:
            raise Fault("move_mm", f"{self.part} moves in Y and Z only: the first number must be 0")
        return self


class Inspected(In):
    """An inspected event."""

    kind: Literal["inspected"]
    cause: Annotated[str, Field(min_length=1, max_length=100)]
    outcome: Literal["fixed", "nothing-found", "not-fixed"]


Event = Annotated[Mark | NoMark | Difference | Turn | Shift | Inspected, Field(discriminator="kind")]


class Events(In):
    """Only the events, of an unknown machine."""

    events: list[Event]


class Document(In):
    """A whole alignment document."""

    machine: Profile  # first: its faults are reported before those of the events
    events: list[Event]

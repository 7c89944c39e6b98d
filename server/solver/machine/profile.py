"""The profile of one laser, as a person measures it: frozen dataclasses with their limits.

Lengths in mm, angles in mrad where the name says so. ``documents`` reads and checks them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, Strict, ValidationInfo, WrapValidator, model_validator
from pydantic_core import to_jsonable_python

from server.solver.shapes import Distance, Fault, Length, LengthPair, MirrorNumber, Pair, ReadAs, Shape

Point = tuple[float, float]
Corner = Literal["back-left", "back-right"]
MirrorOrNozzle = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle"]

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
BELOW = "below"  # a card below the nozzle's seat, the lens out


@dataclass(frozen=True)
class Bed(Shape):
    """Working area; ``zero`` is the corner that the controller calls zero (display only)."""

    width_mm: Length
    depth_mm: Length
    zero: Literal["front-left", "front-right", "back-left", "back-right"] = "front-left"


@dataclass(frozen=True)
class Path(Shape):
    """Nominal distances along the beam; ranges are (head nearest, head farthest)."""

    corner: Corner
    tube_to_mirror_1_mm: Length
    mirror_1_to_2_mm: LengthPair
    mirror_2_to_3_mm: LengthPair
    mirror_3_to_lens_mm: Length
    lens_focal_mm: Length
    lens_to_nozzle_tip_mm: Distance


@dataclass(frozen=True)
class Beam(Shape):
    """Gaussian beam: 1/e² diameter at its waist (mirror 1) and full divergence angle."""

    wavelength_um: Annotated[float, Field(strict=True, gt=0, le=1000)]
    diameter_mm: Annotated[float, Field(strict=True, gt=0, le=200)]
    divergence_mrad: Annotated[float, Field(strict=True, ge=0, le=200)]

    @model_validator(mode="after")
    def _not_below_diffraction(self) -> Beam:
        limit = 4.0 * self.wavelength_um / (math.pi * self.diameter_mm)
        if 0 < self.divergence_mrad < limit * (1 - 1e-9):
            reason = f"below the diffraction limit 4λ/(πD) = {limit:.3f} mrad of this diameter"
            raise Fault("divergence_mrad", f"{reason}; 0 means constant")
        return self


@dataclass(frozen=True)
class Aperture(Shape):
    """Clear diameters, circles as seen along the nominal beam."""

    mirror_1_mm: Length
    mirror_2_mm: Length
    mirror_3_mm: Length
    lens_mm: Length
    nozzle_mm: Length


@dataclass(frozen=True)
class Tolerance(Shape):
    """The most that an aligned beam may be off, mm; the defaults are common practice, without a source."""

    overlap_mm: Length = 1.0
    centre_mm: Length = 1.5
    lens_mm: Length = 2.0
    nozzle_mm: Length = 0.4


@dataclass(frozen=True)
class Tube(Shape):
    """Distances of the tube's two mounts from its exit, measured along the tube."""

    exit_mount_mm: Distance
    far_mount_mm: Length

    @model_validator(mode="after")
    def _far_is_farther(self) -> Tube:
        if self.far_mount_mm - self.exit_mount_mm < 10:
            raise Fault("far_mount_mm", "must be at least 10 mm farther from the exit than exit_mount_mm")
        return self


@dataclass(frozen=True)
class Lens(Shape):
    """``comes_out``: whether a person takes the lens, or the tip that holds it, out in a minute or two."""

    comes_out: Annotated[bool, Strict()] = False


def _at_each_station(before: float | dict[str, float]) -> tuple[float, ...]:
    """One number for all stations, or one for each that is named and 0 for the others."""
    return tuple(before.get(s, 0.0) if isinstance(before, dict) else before for s in STATIONS)


Before = Annotated[float, Field(strict=True, ge=-200, le=200)]


@dataclass(frozen=True)
class Card(Shape):
    """How far the card's plane lies before each station's mirror (nozzle: the tip), against the beam."""

    before_mount_mm: Annotated[
        tuple[float, float, float, float], ReadAs(Before | dict[MirrorOrNozzle, Before], _at_each_station)
    ] = (0.0, 0.0, 0.0, 0.0)


def _checked_clockwise(told: Any, check: Callable[[Any], Any], info: ValidationInfo) -> Any:
    """The value of ``clockwise``, 1 if none is given; raises ValueError if a fixed pivot has one."""
    if told is None:
        return 1
    way = check(told)
    if info.data.get("screw_pitch_mm", ...) is None:
        raise ValueError("a contact without screw_pitch_mm is a fixed pivot and has no clockwise")
    return way


@dataclass(frozen=True)
class Contact(Shape):
    """One of the three points that carry a mirror; a fixed pivot where ``screw_pitch_mm`` is None.

    clockwise : 1 where turning the screw clockwise moves the point along +n, -1 where the other way.
    """

    name: Annotated[str, Field(strict=True, min_length=1, max_length=60)]
    at_mm: Pair
    screw_pitch_mm: Annotated[float, Field(strict=True, gt=0, le=10)] | None = None
    clockwise: Annotated[Literal[-1, 1], WrapValidator(_checked_clockwise)] = 1


def _three_points(contact: list[Contact]) -> tuple[Contact, ...]:
    if len(contact) != 3:
        raise ValueError(f"a mount has exactly three contact points, here are {len(contact)}")
    if len({c.name for c in contact}) != 3:
        raise ValueError("the three contact points need different names")
    (ax, ay), (bx, by), (cx, cy) = (c.at_mm for c in contact)
    area = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay))
    longest = max(math.dist(a.at_mm, b.at_mm) for a in contact for b in contact)
    if area < max(1.0, 0.02 * longest * longest):
        raise ValueError("the three contact points lie on a line: no plane goes through them alone")
    return tuple(contact)


@dataclass(frozen=True)
class Mount(Shape):
    """A three-point mirror mount. ``turns_from``, ``turns_to``: how far its screws can still go,
    anticlockwise (zero or negative) and clockwise; ``base``: 'fixed' where the whole mount cannot move."""

    mirror: MirrorNumber
    contact: Annotated[tuple[Contact, Contact, Contact], ReadAs(list[Contact], _three_points)]
    turns_from: Annotated[float, Field(strict=True, ge=-50, le=0)] = -3.0
    turns_to: Annotated[float, Field(strict=True, ge=0, le=50)] = 3.0
    base: Literal["free", "fixed"] = "free"


def _by_mirror(mounts: list[Mount]) -> tuple[Mount, ...]:
    return tuple(sorted(mounts, key=lambda mount: mount.mirror))


@dataclass(frozen=True, kw_only=True)
class Profile(Shape):
    """The measurements of one laser; its distances fit the bed, its mounts stand in the mirrors' order."""

    name: Annotated[str, Field(strict=True, min_length=1, max_length=200)]
    bed: Bed
    path: Path
    beam: Beam
    aperture: Aperture
    tolerance: Tolerance = Tolerance()
    tube: Tube
    mount: Annotated[tuple[Mount, Mount, Mount], ReadAs(list[Mount], _by_mirror)]
    lens: Lens = Lens()
    card: Card = Card()

    @model_validator(mode="after")
    def _distances_fit_the_bed(self) -> Profile:
        for key, size in (("mirror_1_to_2_mm", self.bed.depth_mm), ("mirror_2_to_3_mm", self.bed.width_mm)):
            near, far = getattr(self.path, key)
            if abs(far - near - size) > 1e-6 * size:
                reason = f"the far distance must be near plus bed, {near:g} + {size:g} = {near + size:g}"
                raise Fault(f"path.{key}", f"{reason}, not {far:g}")
        if [m.mirror for m in self.mount] != [1, 2, 3]:
            raise Fault("mount", "exactly three mounts are needed, for mirror 1, 2 and 3")
        return self

    def __hash__(self) -> int:
        """Computed once and kept: profiles are the keys of many caches."""
        known: int | None = self.__dict__.get("_hash")
        if known is None:
            parts = (self.name, self.bed, self.path, self.beam, self.aperture, self.tolerance, self.mount)
            known = hash((*parts, self.lens, self.card))
            object.__setattr__(self, "_hash", known)
        return known

    def contact_index(self, mount: int, screw: str) -> int:
        """Index 0–2 of a contact on mount 1–3 by its name; KeyError where there is none."""
        for index, contact in enumerate(self.mount[mount - 1].contact):
            if contact.name == screw:
                return index
        raise KeyError(screw)

    def head_mm(self, x_part: float, y_part: float) -> Point:
        """The head position at fractions (0–1) of the bed's width and depth, in the machine frame."""
        return (self.bed.width_mm * x_part, self.bed.depth_mm * y_part)


def profile_as_json(profile: Profile) -> dict[str, Any]:
    """The profile as plain JSON values, in the shape of the TOML file."""
    data: dict[str, Any] = to_jsonable_python(profile)
    for mount in data["mount"]:
        for contact in mount["contact"]:
            if contact["screw_pitch_mm"] is None:
                del contact["screw_pitch_mm"], contact["clockwise"]
        for key in ("turns_from", "turns_to", "base"):
            if mount[key] == getattr(Mount, key):
                del mount[key]
    before = zip(STATIONS, profile.card.before_mount_mm, strict=True)
    data["card"] = {"before_mount_mm": {key: v for key, v in before if v}}
    for key in ("card", "lens"):
        if getattr(profile, key) == getattr(Profile, key):
            del data[key]
    return data


def screw_step(profile: Profile, mount: int, screw: str, turns: float) -> float:
    """Displacement along +n, in mm, of the contact when the screw is turned (clockwise > 0)."""
    contact = profile.mount[mount - 1].contact[profile.contact_index(mount, screw)]
    if contact.screw_pitch_mm is None:
        raise ValueError(f"mount {mount}: '{screw}' is a fixed pivot, not a screw")
    return contact.clockwise * contact.screw_pitch_mm * turns

"""A laser as somebody measured it with a ruler: the machine profile as frozen dataclasses.

Lengths in mm, angles in mrad where the name says so. What comes from outside is checked in ``documents``.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

Corner = Literal["back-left", "back-right"]
Point = tuple[float, float]

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
BELOW = "below"  # a card below the nozzle's seat, the lens out


@dataclass(frozen=True)
class Bed:
    """Working area; ``zero`` is the corner that the controller calls zero (display only)."""

    width_mm: float
    depth_mm: float
    zero: str = "front-left"


@dataclass(frozen=True)
class Path:
    """Nominal distances along the beam; ranges are (head nearest, head farthest)."""

    corner: Corner
    tube_to_mirror_1_mm: float
    mirror_1_to_2_mm: Point
    mirror_2_to_3_mm: Point
    mirror_3_to_lens_mm: float
    lens_focal_mm: float
    lens_to_nozzle_tip_mm: float


@dataclass(frozen=True)
class Beam:
    """Gaussian beam: 1/e² diameter at its waist (mirror 1) and full divergence angle."""

    wavelength_um: float
    diameter_mm: float
    divergence_mrad: float


@dataclass(frozen=True)
class Aperture:
    """Clear diameters, circles as seen along the nominal beam."""

    mirror_1_mm: float
    mirror_2_mm: float
    mirror_3_mm: float
    lens_mm: float
    nozzle_mm: float


@dataclass(frozen=True)
class Tolerance:
    """What counts as aligned; common practice, no source."""

    overlap_mm: float = 1.0
    centre_mm: float = 1.5
    lens_mm: float = 2.0
    nozzle_mm: float = 0.4


@dataclass(frozen=True)
class Tube:
    """Distances of the tube's two mounts from its exit, along the tube."""

    exit_mount_mm: float
    far_mount_mm: float


@dataclass(frozen=True)
class Lens:
    """``comes_out``: whether a person takes the lens, or the tip that holds it, out in a minute or two."""

    comes_out: bool = False


@dataclass(frozen=True)
class Card:
    """How far the card's plane lies before each station's mirror (nozzle: the tip), against the beam."""

    before_mount_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Contact:
    """One of the three points that carry a mirror; a fixed pivot where ``screw_pitch_mm`` is None."""

    name: str
    at_mm: Point
    screw_pitch_mm: float | None = None
    clockwise: int = 1


@dataclass(frozen=True)
class Mount:
    """A three-point mirror mount. ``turns_from``, ``turns_to``: how far its screws can still go,
    anticlockwise (zero or negative) and clockwise; ``base``: 'fixed' where the whole mount cannot move."""

    mirror: int
    contact: tuple[Contact, Contact, Contact]
    turns_from: float = -3.0
    turns_to: float = 3.0
    base: Literal["free", "fixed"] = "free"


@dataclass(frozen=True)
class Profile:
    """One laser."""

    name: str
    bed: Bed
    path: Path
    beam: Beam
    aperture: Aperture
    tolerance: Tolerance
    tube: Tube
    mount: tuple[Mount, Mount, Mount]
    lens: Lens = Lens()
    card: Card = Card()

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
    data = asdict(profile)
    for mount in data["mount"]:
        for contact in mount["contact"]:
            if contact["screw_pitch_mm"] is None:
                del contact["screw_pitch_mm"], contact["clockwise"]
        for key in ("turns_from", "turns_to", "base"):
            if mount[key] == getattr(Mount, key):
                del mount[key]
    before = dict(zip(STATIONS, data["card"]["before_mount_mm"], strict=True))
    data["card"] = {"before_mount_mm": {key: v for key, v in before.items() if v}}
    if profile.card == Card():
        del data["card"]
    if profile.lens == Lens():
        del data["lens"]
    plain: dict[str, Any] = _lists(data)
    return plain


def _lists(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _lists(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_lists(item) for item in value]
    return value


def screw_step(profile: Profile, mount: int, screw: str, turns: float) -> float:
    """Displacement along +n, in mm, of the contact when the screw is turned (clockwise > 0)."""
    contact = profile.mount[mount - 1].contact[profile.contact_index(mount, screw)]
    if contact.screw_pitch_mm is None:
        raise ValueError(f"mount {mount}: '{screw}' is a fixed pivot, not a screw")
    return contact.clockwise * contact.screw_pitch_mm * turns

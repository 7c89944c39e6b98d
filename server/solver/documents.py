"""What comes from outside: JSON values checked by pydantic, one clear message with the path of the fault."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from . import profile as p
from .events import Alignment, Event, Inspected, MarkSeen, NoMark, Shift, Turn

Station = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle"]
Length = Annotated[float, Field(gt=0, le=20_000)]
Number = Annotated[float, Field(ge=-20_000, le=20_000)]
Sigma = Annotated[float, Field(gt=0, le=100)]
Pair = Annotated[list[Number], Field(min_length=2, max_length=2)]
MAX_SHIFT_MM = 60.0


class DocumentError(ValueError):
    """A document that cannot be read: where (dotted path) and why, in one line."""

    def __init__(self, path: str, message: str) -> None:
        super().__init__(f"{path}: {message}" if path else message)
        self.path = path
        self.message = message

    def as_json(self) -> dict[str, Any]:
        """``{"error": {"path": …, "message": …}}``."""
        return {"error": {"path": self.path, "message": self.message}}


class _Fault(ValueError):
    """A fault found by a check over several fields; ``at`` is the path below the model."""

    def __init__(self, at: str, message: str) -> None:
        super().__init__(message)
        self.at = at


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _Bed(_In):
    width_mm: Length
    depth_mm: Length
    zero: Literal["front-left", "front-right", "back-left", "back-right"] = "front-left"


class _Path(_In):
    corner: Literal["back-left", "back-right"]
    tube_to_mirror_1_mm: Length
    mirror_1_to_2_mm: Annotated[list[Length], Field(min_length=2, max_length=2)]
    mirror_2_to_3_mm: Annotated[list[Length], Field(min_length=2, max_length=2)]
    mirror_3_to_lens_mm: Length
    lens_focal_mm: Length
    lens_to_nozzle_tip_mm: Annotated[float, Field(ge=0, le=20_000)]


class _Beam(_In):
    wavelength_um: Annotated[float, Field(gt=0, le=1000)]
    diameter_mm: Annotated[float, Field(gt=0, le=200)]
    divergence_mrad: Annotated[float, Field(ge=0, le=200)]

    @model_validator(mode="after")
    def _not_below_diffraction(self) -> _Beam:
        limit = 4.0 * self.wavelength_um / (math.pi * self.diameter_mm)
        if 0 < self.divergence_mrad < limit * (1 - 1e-9):
            reason = (
                f"below the diffraction limit 4λ/(πD) = {limit:.3f} mrad of this diameter; 0 means constant"
            )
            raise _Fault("divergence_mrad", reason)
        return self


class _Aperture(_In):
    mirror_1_mm: Length
    mirror_2_mm: Length
    mirror_3_mm: Length
    lens_mm: Length
    nozzle_mm: Length


class _Tolerance(_In):
    overlap_mm: Length = p.Tolerance.overlap_mm
    centre_mm: Length = p.Tolerance.centre_mm
    lens_mm: Length = p.Tolerance.lens_mm
    nozzle_mm: Length = p.Tolerance.nozzle_mm


class _Tube(_In):
    exit_mount_mm: Annotated[float, Field(ge=0, le=20_000)]
    far_mount_mm: Length

    @model_validator(mode="after")
    def _far_is_farther(self) -> _Tube:
        if self.far_mount_mm - self.exit_mount_mm < 10:
            raise _Fault("far_mount_mm", "must be at least 10 mm farther from the exit than exit_mount_mm")
        return self


class _Contact(_In):
    name: Annotated[str, Field(min_length=1, max_length=60)]
    at_mm: Pair
    screw_pitch_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    clockwise: Literal[-1, 1] | None = None

    @model_validator(mode="after")
    def _a_pivot_has_no_clockwise(self) -> _Contact:
        if self.screw_pitch_mm is None and self.clockwise is not None:
            raise _Fault(
                "clockwise", "a contact without screw_pitch_mm is a fixed pivot and has no clockwise"
            )
        return self


class _Mount(_In):
    mirror: Annotated[int, Field(ge=1, le=3)]
    contact: list[_Contact]

    @field_validator("contact")
    @classmethod
    def _three_points(cls, contact: list[_Contact]) -> list[_Contact]:
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


class _Profile(_In):
    name: Annotated[str, Field(min_length=1, max_length=200)]
    bed: _Bed
    path: _Path
    beam: _Beam
    aperture: _Aperture
    tolerance: _Tolerance = Field(default_factory=_Tolerance)
    tube: _Tube
    mount: list[_Mount]

    @model_validator(mode="after")
    def _distances_fit_the_bed(self) -> _Profile:
        for key, size in (("mirror_1_to_2_mm", self.bed.depth_mm), ("mirror_2_to_3_mm", self.bed.width_mm)):
            near, far = getattr(self.path, key)
            if abs(far - near - size) > 1e-6 * size:
                reason = f"the far distance must be the near one plus the bed: {near:g} + {size:g} = {near + size:g}"
                raise _Fault(f"path.{key}", f"{reason}, not {far:g}")
        if sorted(m.mirror for m in self.mount) != [1, 2, 3]:
            raise _Fault("mount", "exactly three mounts are needed, for mirror 1, 2 and 3")
        return self


class _Mark(_In):
    kind: Literal["mark"]
    station: Station
    head_mm: Pair
    offset_mm: Annotated[list[Annotated[float, Field(ge=-200, le=200)]], Field(min_length=2, max_length=2)]
    sigma_mm: Sigma | Annotated[list[Sigma], Field(min_length=2, max_length=2)] = 0.4


class _NoMark(_In):
    kind: Literal["no-mark"]
    station: Station
    head_mm: Pair


class _Turn(_In):
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


class _Shift(_In):
    kind: Literal["shift"]
    part: Literal["tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3"]
    move_mm: Annotated[list[Number], Field(min_length=3, max_length=3)]

    @model_validator(mode="after")
    def _within_reach(self) -> _Shift:
        if math.hypot(*self.move_mm) > MAX_SHIFT_MM:
            raise _Fault(
                "move_mm", f"a shift is at most {MAX_SHIFT_MM:g} mm, not {math.hypot(*self.move_mm):.4g}"
            )
        if self.part in ("tube-exit", "tube-far") and self.move_mm[0] != 0:
            raise _Fault("move_mm", f"{self.part} moves in Y and Z only: the first number must be 0")
        return self


class _Inspected(_In):
    kind: Literal["inspected"]
    cause: Annotated[str, Field(min_length=1, max_length=100)]
    outcome: Literal["fixed", "nothing-found", "not-fixed"]


_Event = Annotated[_Mark | _NoMark | _Turn | _Shift | _Inspected, Field(discriminator="kind")]


class _Document(_In):
    machine: _Profile
    events: list[_Event]


def parse_profile(data: Any) -> p.Profile:
    """A profile from the TOML file's content; DocumentError with the path inside the profile."""
    return _freeze_profile(_validated(_Profile, data))


def parse_alignment(document: Any) -> Alignment:
    """An alignment document (JSON values) as frozen dataclasses; DocumentError says what and where."""
    read = _validated(_Document, document)
    machine = _freeze_profile(read.machine)
    return Alignment(machine, tuple(_freeze_event(machine, i, e) for i, e in enumerate(read.events)))


def _validated(model: type[Any], data: Any) -> Any:
    if not isinstance(data, Mapping):
        raise DocumentError("", f"must be an object, not {type(data).__name__}")
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise _one_line(error) from None


_TAGS = {"mark", "no-mark", "turn", "shift", "inspected"}


def _one_line(error: ValidationError) -> DocumentError:
    """The first fault; where a number-or-pair matched neither, the reason of the last try."""
    faults = error.errors(include_url=False)
    fault = faults[0]
    loc = list(fault["loc"])
    if len(loc) > 2 and loc[0] == "events" and loc[2] in _TAGS:
        del loc[2]
    loc = [
        part
        for part in loc
        if not (isinstance(part, str) and ("[" in part or part in ("float", "constrained-float")))
    ]
    inner = fault.get("ctx", {}).get("error")
    message = str(inner) if isinstance(inner, ValueError) else fault["msg"]
    if isinstance(inner, _Fault):
        loc.append(inner.at)
    if fault["type"] == "extra_forbidden":
        message = "unknown key"
    return DocumentError(".".join(str(part) for part in loc), message[:300])


def _freeze_profile(read: _Profile) -> p.Profile:
    data = read.model_dump()
    path: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data["path"].items()}
    mounts = sorted(data["mount"], key=lambda m: int(m["mirror"]))
    return p.Profile(
        name=data["name"],
        bed=p.Bed(**data["bed"]),
        path=p.Path(**path),
        beam=p.Beam(**data["beam"]),
        aperture=p.Aperture(**data["aperture"]),
        tolerance=p.Tolerance(**data["tolerance"]),
        tube=p.Tube(**data["tube"]),
        mount=_triple(p.Mount(m["mirror"], _triple(_contact(c) for c in m["contact"])) for m in mounts),
    )


def _triple(items: Iterable[Any]) -> tuple[Any, Any, Any]:
    one, two, three = items
    return one, two, three


def _contact(data: dict[str, Any]) -> p.Contact:
    clockwise = 1 if data["clockwise"] is None else data["clockwise"]
    return p.Contact(data["name"], tuple(data["at_mm"]), data["screw_pitch_mm"], clockwise)


def _freeze_event(machine: p.Profile, index: int, event: Any) -> Event:
    where = f"events.{index}"
    match event:
        case _Mark():
            sigma = event.sigma_mm if isinstance(event.sigma_mm, list) else [event.sigma_mm] * 2
            offset = (event.offset_mm[0], event.offset_mm[1])
            return MarkSeen(event.station, _head(machine, where, event.head_mm), offset, (sigma[0], sigma[1]))
        case _NoMark():
            return NoMark(event.station, _head(machine, where, event.head_mm))
        case _Turn():
            return _turn(machine, where, event)
        case _Shift():
            return Shift(event.part, _triple(event.move_mm))
        case _:
            return Inspected(event.cause, event.outcome)


def _head(machine: p.Profile, where: str, head: list[float]) -> p.Point:
    x, y = head
    for i, (value, size, name) in enumerate(
        ((x, machine.bed.width_mm, "width"), (y, machine.bed.depth_mm, "depth"))
    ):
        if not 0 <= value <= size:
            reason = (
                f"the head stands outside the bed: {value:g} is not between 0 and the bed's {name}, {size:g}"
            )
            raise DocumentError(f"{where}.head_mm.{i}", reason)
    return (x, y)


def _turn(machine: p.Profile, where: str, event: _Turn) -> Turn:
    names = [c.name for c in machine.mount[event.mount - 1].contact if c.screw_pitch_mm is not None]
    if event.screw not in names:
        have = ", ".join(names) or "none"
        reason = f"mount {event.mount} has no screw '{event.screw[:60]}'; its screws: {have}"
        raise DocumentError(f"{where}.screw", reason)
    return Turn(event.mount, event.screw, event.turns)

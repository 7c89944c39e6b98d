"""The step: the one thing to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from server.solver.machine.profile import Point


@dataclass(frozen=True)
class Expect:
    """Where a mark at a place will be after this step alone; sigma_mm per axis, hand error included."""

    station: str
    head_mm: Point
    offset_mm: Point
    sigma_mm: float

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "station": self.station,
            "head_mm": list(self.head_mm),
            "offset_mm": [_short(v) for v in self.offset_mm],
            "sigma_mm": _short(self.sigma_mm),
        }


@dataclass(frozen=True)
class Verdict:
    """Whether it is good enough to cut, and why not. Lengths in mm over the whole bed."""

    aligned: bool
    overlap_mm: dict[str, float]
    centre_mm: dict[str, float]
    lens_mm: float
    nozzle_mm: float
    worst_power: float
    worst_at_head_mm: Point
    reasons: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "aligned": self.aligned,
            "overlap_mm": {key: _short(v) for key, v in self.overlap_mm.items()},
            "centre_mm": {key: _short(v) for key, v in self.centre_mm.items()},
            "lens_mm": _short(self.lens_mm),
            "nozzle_mm": _short(self.nozzle_mm),
            "worst_power": round(self.worst_power, 4),
            "worst_at_head_mm": list(self.worst_at_head_mm),
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True)
class Step:
    """One of: mark, turn, shift, inspect, done, stop. Fields that a kind does not use are None."""

    do: str
    say: str = ""
    station: str | None = None
    head_mm: Point | None = None
    mount: int | None = None
    screw: str | None = None
    turns: float | None = None
    part: str | None = None
    move_mm: tuple[float, float, float] | None = None
    cause: str | None = None
    reason: str | None = None
    expect: Expect | None = None
    why: str = ""
    estimate: dict[str, Any] | None = None
    verdict: Verdict | None = None

    def as_json(self) -> dict[str, Any]:
        """The step in the interface's shape, with the fields of its kind."""
        fields = ("station", "head_mm", "mount", "screw", "turns", "part", "move_mm", "cause", "reason")
        data: dict[str, Any] = {"do": self.do}
        for name in fields:
            value = getattr(self, name)
            if value is not None:
                data[name] = list(value) if isinstance(value, tuple) else value
        data["say"] = self.say
        if self.expect is not None:
            data["expect"] = self.expect.as_json()
        data["estimate"] = self.estimate
        data["verdict"] = None if self.verdict is None else self.verdict.as_json()
        return data


def _short(value: float) -> float:
    return round(float(value), 4)

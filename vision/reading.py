"""What `read` answers: plain frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from vision.bend import Bend
from vision.card import Floats

Pair = tuple[float, float]


@dataclass(frozen=True)
class Mark:
    """One mark on the card; lengths in mm in the card frame (u right, v up).

    `sigma_mm` is one standard uncertainty per axis. `width_mm` are second-moment full widths (ISO 11146-1,
    four sigma) along the long and the short axis. `flat_side_deg` is the direction of the missing side of a
    cut-off mark, from +u towards +v. `new`: whether this pulse made it, None when there was no picture
    before.
    """

    offset_mm: Pair
    sigma_mm: Pair
    width_mm: Pair
    shape: str
    flat_side_deg: float | None = None
    new: bool | None = None
    lobes_mm: tuple[Pair, Pair] | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the mark as plain JSON values; `lobes_mm` only where there are two."""
        values: dict[str, Any] = {
            "offset_mm": _rounded(self.offset_mm),
            "sigma_mm": _rounded(self.sigma_mm),
            "width_mm": _rounded(self.width_mm),
            "shape": self.shape,
            "flat_side_deg": None if self.flat_side_deg is None else round(self.flat_side_deg, 1),
            "new": self.new,
        }
        if self.lobes_mm is not None:
            values["lobes_mm"] = [_rounded(lobe) for lobe in self.lobes_mm]
        return values


@dataclass(frozen=True, eq=False)
class CardView:
    """How the card stands in the picture.

    `homography` (3, 3) maps card mm (u right, v up) to picture px (x right, y down, pixel centres at
    integers); `rms_px` is how far the markers' edges lie from it, `covariance` (8, 8) how well it is known
    (see `edges`). `size` is one of the cards' sizes; `unit_mm` is how many mm of this card are one of a
    standard card that was printed to scale; `others` names cards of which only a single marker shows. On a
    bent card the homography holds for the plane that touches it in the middle, and `bend`, in units of the
    standard card, is the cylinder. `left_out` is the share of well seen edges that fit neither.
    """

    markers_seen: int
    rms_px: float
    px_per_mm: float
    tilt_deg: float
    homography: Floats
    covariance: Floats | None = None
    size: str = "standard"
    unit_mm: float = 1.0
    others: tuple[str, ...] = ()
    bend: Bend | None = None
    left_out: float = 0.0

    @property
    def units_to_px(self) -> Floats:
        """Homography from the standard card's mm: internally every card is read as if it were one."""
        return np.asarray(self.homography * (self.unit_mm, self.unit_mm, 1.0))

    def as_json(self) -> dict[str, Any]:
        """Return the view as plain JSON values, without the homography; `size` only where it is not the
        standard one.
        """
        values: dict[str, Any] = {
            "markers_seen": self.markers_seen,
            "rms_px": round(self.rms_px, 3),
            "px_per_mm": round(self.px_per_mm, 3),
            "tilt_deg": round(self.tilt_deg, 1),
        }
        return values if self.size == "standard" else {**values, "size": self.size}


@dataclass(frozen=True)
class Reading:
    """The marks seen on one station's card."""

    station: str
    marks: tuple[Mark, ...]
    card: CardView
    warnings: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the reading in the documented JSON shape."""
        return {
            "station": self.station,
            "marks": [mark.as_json() for mark in self.marks],
            "card": self.card.as_json(),
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True)
class NoReading:
    """A good picture without a (new) mark; `reason` is one line that says what to do.

    `on_top`: where an older mark lies that would hide a new one, that mark, with the sigma of where the new
    one would be.
    """

    reason: str
    kind: Literal["no-card", "no-mark"]
    card: CardView | None = None
    station: str | None = None
    on_top: Mark | None = None


def _rounded(pair: Pair) -> list[float]:
    """Micrometres are enough for JSON."""
    return [round(float(np.round(value, 4)), 4) for value in pair]

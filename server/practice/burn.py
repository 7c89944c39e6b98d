"""The heat that a pulse leaves on a card, clipped by the apertures it passed."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FIELD_MM",
    "FIELD_PX_PER_MM",
    "Burn",
    "Circle",
    "Field",
    "add_heat",
    "burn_from_json",
    "empty_field",
    "visible",
]

FIELD_PX_PER_MM = 10
FIELD_MM = 27.0  # half side of the square around the window's centre in which heat is recorded

Field = NDArray[np.float32]


@dataclass(frozen=True)
class Circle:
    """The edge of one aperture's shadow on the card, in the card frame; outside it the card stays cold."""

    centre_mm: tuple[float, float]
    radius_mm: float


@dataclass(frozen=True)
class Burn:
    """One pulse on one card.

    offset_mm : the beam's centre, card frame (u right, v up).
    beam_mm : 1/e² diameter of the beam at the card.
    peak : heat at the centre, divided by the heat at which the card begins to brown.
    clips : apertures that the pulse passed.
    seed : for the ragged edge.
    """

    offset_mm: tuple[float, float]
    beam_mm: float
    peak: float
    clips: tuple[Circle, ...]
    seed: int

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def burn_from_json(data: dict[str, Any]) -> Burn:
    """Return the burn that ``as_json`` wrote."""
    clips = tuple(Circle(_pair(c["centre_mm"]), float(c["radius_mm"])) for c in data["clips"])
    return Burn(
        _pair(data["offset_mm"]), float(data["beam_mm"]), float(data["peak"]), clips, int(data["seed"])
    )


def empty_field() -> Field:
    """Return the cold square field around the window's centre, (rows, cols) float32, v up = row 0."""
    side = round(2 * FIELD_MM * FIELD_PX_PER_MM)
    return np.zeros((side, side), np.float32)


def add_heat(field: Field, burn: Burn) -> None:
    """Add the burn's heat (1 = browning begins) to the field in place.

    A Gaussian beam, exp(-2 r²/w²) (ISO 11146-1: w is the 1/e² radius), with a ragged edge like that of char.
    """
    rows, cols = _reach(burn)
    u_mm, v_mm = _grid(rows, cols)
    du, dv = u_mm - burn.offset_mm[0], v_mm - burn.offset_mm[1]
    rng = np.random.default_rng(burn.seed)
    reach = np.hypot(du, dv) / _raggedness(np.arctan2(dv, du), rng)
    local = burn.peak * np.exp(-2 * (reach / (burn.beam_mm / 2)) ** 2) * _grain(reach.shape, rng)
    for clip in burn.clips:
        local = local * _shadow(u_mm, v_mm, clip)
    field[rows, cols] += local.astype(np.float32)


def visible(burn: Burn) -> bool:
    """Whether the pulse leaves a visible mark: at least a speck as wide as a pencil point."""
    field = empty_field()
    add_heat(field, burn)
    return bool(np.count_nonzero(field > 1.3) > (0.3 * FIELD_PX_PER_MM) ** 2)


def _reach(burn: Burn) -> tuple[slice, slice]:
    side = round(2 * FIELD_MM * FIELD_PX_PER_MM)
    half = round(1.3 * burn.beam_mm * FIELD_PX_PER_MM) + 2
    col = round((burn.offset_mm[0] + FIELD_MM) * FIELD_PX_PER_MM)
    row = round((FIELD_MM - burn.offset_mm[1]) * FIELD_PX_PER_MM)
    return slice(max(row - half, 0), min(row + half, side)), slice(max(col - half, 0), min(col + half, side))


def _grid(rows: slice, cols: slice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    u_mm = (np.arange(cols.start, cols.stop) + 0.5) / FIELD_PX_PER_MM - FIELD_MM
    v_mm = FIELD_MM - (np.arange(rows.start, rows.stop) + 0.5) / FIELD_PX_PER_MM
    across, up = np.meshgrid(u_mm, v_mm)
    return across, up


def _raggedness(angle: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    # No first harmonic: it would move the mark instead of roughening its edge.
    ragged = np.ones_like(angle)
    for order in range(2, 24):
        size = rng.normal(0.0, 0.032 / order**0.35)
        ragged += size * np.cos(order * angle + rng.uniform(0, 2 * np.pi))
    return ragged


def _grain(shape: tuple[int, ...], rng: np.random.Generator) -> Field:
    coarse = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 2.2)
    fine = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 0.9)
    return np.asarray(np.exp(0.02 * coarse / coarse.std() + 0.07 * fine / fine.std()), np.float32)


def _shadow(u_mm: NDArray[np.float64], v_mm: NDArray[np.float64], clip: Circle) -> NDArray[np.float64]:
    inside_mm = clip.radius_mm - np.hypot(u_mm - clip.centre_mm[0], v_mm - clip.centre_mm[1])
    soft_mm = 0.15
    return np.clip(0.5 + inside_mm / (2 * soft_mm), 0.0, 1.0)


def _pair(values: Any) -> tuple[float, float]:
    first, second = values
    return float(first), float(second)

"""Light on the relief of an old mark, removed from its measured burn.

A burn leaves a rim and a hollow. Their slopes are brighter on one side and darker on the other, and a lamp's
image shifts with them, so an old mark looks more burnt on one side than on the other. A new mark on it, which
shows only where the old one has left colour, would then be placed towards the side that looks less burnt. A
burn itself has no side: at a given distance from its centre it is the same in all directions, except for its
ragged edge. So the first harmonic around the centre is light and is removed; all others stay.
"""

from __future__ import annotations

import numpy as np

from vision.card import Floats
from vision.fit import Spot
from vision.window import Grid

_REACH = 2.0  # radii: no rim is wider
_FEWEST = 8  # points of a ring needed to fit its harmonic


def evened(gone: Floats, weight: Floats, grid: Grid, olds: list[Spot]) -> Floats:
    """Return the burn of old marks, `gone` (side, side), without the first harmonic about each centre.

    Marks that lie on each other are left as they are: together they are not the same in all directions.
    """
    u, v = np.meshgrid(*grid.axes_mm())
    for spot in olds:
        if not any(_touch(spot, other) for other in olds if other is not spot):
            gone = gone - _first_harmonic(gone, weight, spot, (u, v), grid.pitch_mm)
    return gone


def _touch(one: Spot, other: Spot) -> bool:
    away = float(np.hypot(*(one.centre - other.centre)))
    return away < 1.2 * (one.radius() + other.radius())


def _first_harmonic(
    values: Floats, weight: Floats, spot: Spot, at: tuple[Floats, Floats], step: float
) -> Floats:
    """First harmonic (side, side) of the values around a mark, ring by ring; zero beyond `_REACH` radii."""
    share = spot.relative_radius(*at)
    ring, angle = share * spot.radius() / step, np.arctan2(at[1] - spot.centre[1], at[0] - spot.centre[0])
    terms = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)]).reshape(3, -1)
    rings = int(_REACH * spot.radius() / step) + 2
    waves = np.zeros((2, rings))
    for i in range(rings):
        near = (np.clip(1 - np.abs(ring - i), 0, None) * (weight > 0)).ravel()
        if np.count_nonzero(near) >= _FEWEST:
            matrix = (terms * near) @ terms.T + 1e-6 * np.eye(3)
            waves[:, i] = np.linalg.solve(matrix, terms @ (near * values.ravel()))[1:]
    whole = sum(
        np.interp(ring.ravel(), np.arange(rings), wave) * term
        for wave, term in zip(waves, terms[1:], strict=True)
    )
    return np.where(share < _REACH, np.asarray(whole).reshape(values.shape), 0.0)

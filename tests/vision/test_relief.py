"""Light on an old mark's relief is a first harmonic about its centre; a burn has none."""

from __future__ import annotations

import numpy as np
import pytest

from vision.fit import Spot, fit_spot
from vision.relief import evened
from vision.window import Grid

GRID = Grid((2.0, -1.0), 0.2, 81)
U, V = np.meshgrid(*GRID.axes_mm())
EVERYWHERE = np.ones(U.shape)


def disc(at: tuple[float, float], radius: float = 2.5) -> np.ndarray:
    return 100 / (1 + np.exp((np.hypot(U - at[0], V - at[1]) - radius) / 0.15))


def spot(at: tuple[float, float], radius: float = 2.5) -> Spot:
    x, y = U.ravel(), V.ravel()
    return fit_spot(x, y, disc(at, radius).ravel(), centre=at, radius=radius)


def shading(at: tuple[float, float], way: float) -> np.ndarray:
    """A rim's brighter and darker side."""
    away, angle = np.hypot(U - at[0], V - at[1]), np.arctan2(V - at[1], U - at[0])
    return 15 * np.exp(-(((away - 2.7) / 0.4) ** 2)) * np.cos(angle - way)


@pytest.mark.parametrize("way", [0.0, 1.0, 4.0])
def test_a_bright_and_a_dark_side_are_taken_away_and_nothing_else(way):
    at = (2.3, -0.6)
    plain = disc(at)
    seen = plain + shading(at, way)
    clean = evened(seen, EVERYWHERE, GRID, [spot(at)])
    assert np.abs(seen - plain).max() > 12
    assert np.abs(clean - plain).max() < 1.5
    assert np.abs(evened(plain, EVERYWHERE, GRID, [spot(at)]) - plain).max() < 1.5


def test_a_ragged_edge_stays():
    at = (2.3, -0.6)
    angle = np.arctan2(V - at[1], U - at[0])
    ragged = 15 * np.exp(-(((np.hypot(U - at[0], V - at[1]) - 2.5) / 0.4) ** 2)) * np.cos(5 * angle)
    seen = disc(at) + ragged
    assert np.abs(evened(seen, EVERYWHERE, GRID, [spot(at)]) - seen).max() < 2.5


def test_marks_on_each_other_and_what_lies_far_off_stay():
    near, far = (1.0, -1.0), (3.5, -1.0)
    seen = np.maximum(disc(near), disc(far))
    assert evened(seen, EVERYWHERE, GRID, [spot(near), spot(far)]) == pytest.approx(seen)
    beyond = np.where(np.hypot(U - near[0], V - near[1]) > 5.2, 30.0, disc(near))
    kept = evened(beyond, EVERYWHERE, GRID, [spot(near)])
    assert kept[np.hypot(U - near[0], V - near[1]) > 5.2] == pytest.approx(30.0)
    assert evened(seen, EVERYWHERE, GRID, []) is seen

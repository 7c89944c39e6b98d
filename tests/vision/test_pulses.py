"""Marks that have run into each other, taken apart into pulses of one beam."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pulses import pulses_of
from vision.window import Grid

GRID = Grid((1.0, -2.0), 0.2, 75)
U, V = np.meshgrid(*GRID.axes_mm())


def gone(*centres: tuple[float, float], radius: float = 2.0, soft: float = 0.2, seed: int = 1) -> np.ndarray:
    """How far tape has gone after some pulses, each of which takes nine tenths of the colour."""
    discs = [0.9 / (1 + np.exp((np.hypot(U - u, V - v) - radius) / soft)) for u, v in centres]
    return 80 * (1 - np.prod(1 - np.array(discs), axis=0)) + np.random.default_rng(seed).normal(0, 1, U.shape)


def taken_apart(depth: np.ndarray):
    return pulses_of(depth, depth > 40, np.ones(U.shape), GRID)


@pytest.mark.parametrize(
    "centres",
    [
        [(1.0, -2.0)],
        [(0.0, -2.0), (2.2, -1.0)],
        [(-1.5, -3.0), (1.5, -3.2), (2.4, -0.5)],
        [(-2.5, -4.0), (0.5, -2.5), (3.0, -0.5), (0.0, 0.5)],
    ],
)
def test_the_fewest_pulses_that_explain_the_marks_are_told(centres):
    found = taken_apart(gone(*centres))
    assert found is not None and len(found) == len(centres)
    places = sorted(tuple(spot.centre) for spot in found)
    assert np.abs(np.array(places) - sorted(centres)).max() < 0.1
    for spot in found:
        assert spot.radius() == pytest.approx(2.0, abs=0.1)
        assert spot.height == pytest.approx(72, rel=0.1)


def test_what_no_pulses_of_one_beam_explain_is_not_taken_apart():
    square = 80.0 * (np.maximum(np.abs(U - 1), np.abs(V + 2)) < 4) * (np.abs(U - 1) + np.abs(V + 2) > 3)
    assert taken_apart(square) is None


def test_marks_far_apart_and_light_that_slopes_beside_them_are_taken_apart_too():
    found = taken_apart(gone((-2.0, -4.0), (3.6, -0.5)) + 2 * U)
    assert found is not None and len(found) == 2

"""The window laid flat from pictures of any shape: all of it, averaged over so many pixels."""

from __future__ import annotations

import numpy as np
import pytest

from vision.window import Grid, _reduced, flatten

PER_MM = 4.0


def straight(at):
    return np.array([(PER_MM, 0, at[0]), (0, -PER_MM, at[1]), (0, 0, 1.0)])


@pytest.mark.parametrize(
    ("shape", "at"),
    [((900, 200), (100.0, 760.0)), ((200, 900), (760.0, 100.0)), ((900, 200), (100.0, 130.0))],
)
@pytest.mark.parametrize("shift", [None, (0.5, 0.25)])
def test_a_tall_or_wide_picture_shows_its_far_end_too(shape, at, shift):
    """Levels that tell a pixel's column and row."""
    y, x = np.indices(shape)
    picture = np.stack([x // 4, y // 4, 0 * x], axis=-1).astype(np.uint8)
    grid = Grid((0.0, 0.0), 0.25, 41)
    field = None if shift is None else np.multiply.outer(np.array(shift), np.ones((41, 41)))
    flat = flatten(picture, straight(at), grid, field)
    u, v = np.meshgrid(*grid.axes_mm())
    du, dv = shift or (0.0, 0.0)
    assert flat[..., 0] == pytest.approx((at[0] + PER_MM * (u + du)) // 4, abs=1.0)
    assert flat[..., 1] == pytest.approx((at[1] - PER_MM * (v + dv)) // 4, abs=1.0)


@pytest.mark.parametrize(
    ("pitch", "factor"), [(0.25, 1), (0.37, 1), (0.38, 2), (0.5, 2), (0.62, 2), (0.63, 3), (1.0, 4)]
)
def test_so_many_pixels_are_averaged_as_lie_on_a_grid_s_step(pitch, factor):
    """At 4 px per mm; what is left shows the grid where its pixels' outer edges are."""
    picture = np.random.default_rng(2).integers(0, 255, (400, 300, 3)).astype(np.uint8)
    grid = Grid((1.0, 2.0), pitch, 31)
    to_px = straight((150.0, 200.0)) @ grid.to_mm
    small, moved = _reduced(picture, to_px, grid, 0.0)
    first = np.linalg.solve(moved, (-0.5, -0.5, 1.0))  # the grid's place of the outer corner of what is left
    corner = (to_px @ (first / first[2]))[:2] + 0.5
    assert corner == pytest.approx(np.round(corner), abs=1e-9)
    col, row = np.round(corner).astype(int)
    rows, cols = (factor * size for size in small.shape[:2])
    part = picture[row : row + rows, col : col + cols].astype(float)
    mean = part.reshape(small.shape[0], factor, small.shape[1], factor, 3).mean(axis=(1, 3))
    assert small == pytest.approx(mean, abs=0.51)
    scale = np.linalg.norm(moved[:2, 0]) * factor
    assert scale == pytest.approx(PER_MM * pitch)


@pytest.mark.parametrize("reach", [0.0, 3.0])
def test_what_is_cut_out_reaches_two_pixels_around_the_grid(reach):
    picture = np.zeros((400, 300, 3), np.uint8)
    grid = Grid((0.0, 0.0), 0.25, 41)  # a pixel for each step
    part, moved = _reduced(picture, straight((150.0, 200.0)) @ grid.to_mm, grid, reach)
    around = 2 + reach
    assert moved @ (0.0, 0.0, 1.0) == pytest.approx((around, around, 1.0))
    assert part.shape[:2] == (41 + 2 * around,) * 2

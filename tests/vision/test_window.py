"""The window laid flat: finer pixels are averaged, and each point keeps its place."""

import numpy as np
import pytest

from vision.window import Grid, flatten

TO_PX = np.array([(20.0, 0, 600.0), (0, -20.0, 580.0), (0, 0, 1.0)])  # card mm → px, v up
GRID = Grid((1.0, -2.0), 0.2, 151)
SLOPE = 0.15  # levels per px


def test_the_noise_of_finer_pixels_is_averaged():
    """Sixteen pixels lie on a point of the grid: their mean has a quarter of one pixel's noise."""
    noise = np.random.default_rng(1).normal(128, 30, (1200, 1200, 3)).clip(0, 255).astype(np.uint8)
    assert flatten(noise, TO_PX, GRID).std() < 30 / 4


@pytest.mark.parametrize("shift_mm", [None, (0.35, -0.6)])
def test_each_point_of_the_grid_is_seen_at_its_place(shift_mm):
    """To a third of a pixel in the mean; the noise evens out the rounding to whole levels."""
    rows, cols = np.indices((1200, 1200))
    ramps = 30 + SLOPE * np.stack([cols, rows, 0 * rows], axis=-1)
    noisy = np.random.default_rng(1).normal(ramps, 8).round().astype(np.uint8)
    moved = np.zeros(2) if shift_mm is None else np.array(shift_mm)
    shift = None if shift_mm is None else np.broadcast_to(moved[:, None, None], (2, GRID.side, GRID.side))
    flat = flatten(noisy, TO_PX, GRID, shift)
    u, v = GRID.axes_mm()
    across = flat[..., 0] - 30 - SLOPE * (20 * (u[None, :] + moved[0]) + 600)
    down = flat[..., 1] - 30 - SLOPE * (580 - 20 * (v[:, None] + moved[1]))
    for off in (across, down):
        assert abs(off.mean()) < SLOPE / 3 and abs(off).max() < 12

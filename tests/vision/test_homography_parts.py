"""Planes, grids and the window laid flat, by closed cases."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_pairs import VIEW

from vision.bend import Bend
from vision.homography import fit_homography, jacobian, pixel_shift, project, scale_and_tilt
from vision.window import Grid, flatten, flatten_view, window_grid

TILTED = np.array([(4.0, 0.5, 300.0), (-0.3, -4.2, 200.0), (0.001, -0.002, 1.0)])
POINTS = np.array([(0.0, 0.0), (20.0, -15.0), (-30.0, 12.0), (25.0, 30.0), (-18.0, -22.0)])


def test_points_are_projected_by_their_depth():
    depth = 1 + 0.001 * 20 + 0.002 * 15
    wanted = ((4 * 20 - 0.5 * 15 + 300) / depth, (-0.3 * 20 + 4.2 * 15 + 200) / depth)
    assert project(TILTED, POINTS)[1] == pytest.approx(wanted)
    assert project(TILTED, POINTS.reshape(5, 1, 2))[:, 0] == pytest.approx(project(TILTED, POINTS))


def test_slopes_of_a_projection_are_its_differences():
    step = 1e-5
    for axis in range(2):
        moved = np.eye(2)[axis] * step
        differences = (project(TILTED, POINTS + moved) - project(TILTED, POINTS - moved)) / (2 * step)
        assert jacobian(TILTED, POINTS)[:, :, axis] == pytest.approx(differences, abs=1e-6)


@pytest.mark.parametrize("count", [4, 5])
def test_outside_a_homography_is_opencv_s(count):
    """`findHomography` without outliers; exact points give the map itself."""
    rng = np.random.default_rng(1)
    exact = project(TILTED, POINTS[:count])
    assert fit_homography(POINTS[:count], exact) == pytest.approx(TILTED, abs=1e-7)
    rough = exact + rng.normal(0, 0.2, exact.shape)
    ours, theirs = fit_homography(POINTS[:count], rough), cv2.findHomography(POINTS[:count], rough)[0]
    assert project(ours, POINTS) == pytest.approx(project(theirs, POINTS), abs=0.25)
    assert ours[2, 2] == 1.0


@pytest.mark.parametrize("tilt", [0.0, 20.0, 50.0])
@pytest.mark.parametrize("roll", [0.0, 70.0])
def test_scale_and_tilt_are_a_circle_s_axes(tilt, roll):
    turn, squeeze = np.radians(roll), np.cos(np.radians(tilt))
    rotation = np.array([(np.cos(turn), -np.sin(turn)), (np.sin(turn), np.cos(turn))])
    homography = np.eye(3)
    homography[:2, :2] = rotation @ np.diag([5.0, 5.0 * squeeze]) @ rotation.T
    homography[:2, 2] = (400.0, 300.0)
    px_per_mm, tilt_deg = scale_and_tilt(homography)
    assert px_per_mm == pytest.approx(5 * np.sqrt(squeeze))
    assert tilt_deg == pytest.approx(tilt, abs=1e-4)


@pytest.mark.parametrize("scale", [0.5, 0.25, 2.0])
def test_a_pixel_s_outer_edges_scale(scale):
    """The picture's corner is at -0.5 in both."""
    assert project(pixel_shift(scale), np.array([(-0.5, -0.5), (9.5, 19.5)])) == pytest.approx(
        np.array([(-0.5, -0.5), (10 * scale - 0.5, 20 * scale - 0.5)])
    )


@pytest.mark.parametrize(("pitch", "side"), [(0.4, 115), (0.5, 93), (1.0, 47), (0.2, 231)])
def test_a_window_s_grid_is_odd_and_as_wide_as_the_window(pitch, side):
    grid = window_grid(pitch)
    assert (grid.side, grid.pitch_mm, grid.centre_mm) == (side, pitch, (0.0, 0.0))


def test_a_grid_s_places():
    grid = Grid((3.0, -2.0), 0.5, 5)
    u, v = grid.axes_mm()
    assert u == pytest.approx([2.0, 2.5, 3.0, 3.5, 4.0])
    assert v == pytest.approx([-1.0, -1.5, -2.0, -2.5, -3.0])
    assert project(grid.to_mm, np.array([(0.0, 0.0), (4.0, 1.0)])) == pytest.approx(
        np.array([(2.0, -1.0), (4.0, -1.5)])
    )
    assert grid.radius_mm()[2, 4] == pytest.approx(np.hypot(4.0, 2.0))
    assert grid.radius_mm()[0, 1] == pytest.approx(np.hypot(2.5, 1.0))


def ramp(rows=500, cols=600):
    """Levels that tell a pixel's place: 0.3 x, 0.4 y, and 60, rounded up or down by chance."""
    y, x = np.indices((rows, cols))
    levels = np.stack([0.3 * x, 0.4 * y, np.full(x.shape, 60.0)], axis=-1)
    return np.floor(levels + np.random.default_rng(3).uniform(0, 1, levels.shape)).astype(np.uint8)


def places(grid, per_mm, at, shift=(0.0, 0.0)):
    u, v = np.meshgrid(*grid.axes_mm())
    return at[0] + per_mm * (u + shift[0]), at[1] - per_mm * (v + shift[1])


@pytest.mark.parametrize("per_mm", [3.0, 8.0, 13.0])
@pytest.mark.parametrize("shift", [None, (0.0, 0.0), (1.5, -0.7)])
def test_a_window_laid_flat_shows_the_picture_at_its_places(per_mm, shift):
    grid, at = Grid((2.0, -1.0), 0.3, 61), (310.0, 240.0)
    to_px = np.array([(per_mm, 0, at[0]), (0, -per_mm, at[1]), (0, 0, 1.0)])
    field = None if shift is None else np.multiply.outer(np.array(shift), np.ones((61, 61)))
    flat = flatten(ramp(), to_px, grid, field)
    x, y = places(grid, per_mm, at, shift or (0.0, 0.0))
    assert flat.shape == (61, 61, 3) and flat.dtype == np.float32
    assert np.abs(flat[..., 0] - 0.3 * x).max() < 1.5
    assert np.abs(flat[..., 1] - 0.4 * y).max() < 1.5
    even = (flat + 255 - flatten(255 - ramp(), to_px, grid, field)) / 2  # halves are rounded up in both
    assert (even[..., 0] - 0.3 * x).mean() == pytest.approx(0.0, abs=0.06)
    assert (even[..., 1] - 0.4 * y).mean() == pytest.approx(0.0, abs=0.06)


@pytest.mark.parametrize("at", [(5.0, 240.0), (595.0, 240.0), (300.0, 4.0), (300.0, 495.0), (-90.0, -90.0)])
@pytest.mark.parametrize("shift", [None, (0.4, 0.0)])
def test_beyond_a_picture_s_edge_its_last_pixels_go_on(at, shift):
    grid, per_mm = Grid((0.0, 0.0), 0.25, 41), 4.0
    to_px = np.array([(per_mm, 0, at[0]), (0, -per_mm, at[1]), (0, 0, 1.0)])
    field = None if shift is None else np.multiply.outer(np.array(shift), np.ones((41, 41)))
    flat = flatten(ramp(), to_px, grid, field)
    x, y = places(grid, per_mm, at, shift or (0.0, 0.0))
    assert np.abs(flat[..., 0] - 0.3 * np.clip(x, 0, 599)).max() < 1.5
    assert np.abs(flat[..., 1] - 0.4 * np.clip(y, 0, 499)).max() < 1.5


@pytest.mark.parametrize("fine", [2, 4])
def test_finer_pixels_are_averaged(fine):
    """A board of single pixels, black and white, is grey on a grid so many times as coarse."""
    board = 200 * (np.indices((400, 400)).sum(axis=0) % 2).astype(np.uint8)
    to_px = np.array([(4.0, 0, 200.0), (0, -4.0, 200.0), (0, 0, 1.0)])
    flat = flatten(np.repeat(board[..., None], 3, axis=2), to_px, Grid((0.0, 0.0), fine / 4, 31))
    assert flat == pytest.approx(100.0, abs=1.0)


@pytest.mark.parametrize("shift", [None, (0.5, -0.3)])
@pytest.mark.parametrize("curvature", [None, 1 / 60])
def test_a_view_is_laid_flat_bent_or_not(shift, curvature):
    grid, per_mm, at = Grid((0.0, 0.0), 0.5, 61), 6.0, (300.0, 240.0)
    to_px = np.array([(per_mm, 0, at[0]), (0, -per_mm, at[1]), (0, 0, 1.0)])
    bend = None if curvature is None else Bend(curvature, 0.0, (0.0, 0.0, 1e9))
    view = replace(VIEW, homography=to_px, bend=bend, unit_mm=1.0)
    field = None if shift is None else np.multiply.outer(np.array(shift), np.ones((61, 61)))
    flat = flatten_view(ramp(), view, grid, field)
    u, v = np.meshgrid(*grid.axes_mm())
    u, v = u + (shift or (0, 0))[0], v + (shift or (0, 0))[1]
    u = u if curvature is None else np.sin(u * curvature) / curvature
    assert np.abs(flat[..., 0] - 0.3 * (at[0] + per_mm * u)).max() < 1.5
    assert np.abs(flat[..., 1] - 0.4 * (at[1] - per_mm * v)).max() < 1.5

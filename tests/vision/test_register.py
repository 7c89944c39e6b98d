"""Two pictures brought to one sharpness and place: what is known exactly of each part."""

from __future__ import annotations

import numpy as np
import pytest
from test_pairs import VIEW, camera, marks, plane

from vision.reading import CardView
from vision.register import Sharpness, Shown, _shift_prior, _step, blurred, register, slopes
from vision.window import Grid, window_grid

GRID = window_grid(0.4)
U, V = np.meshgrid(*GRID.axes_mm())
NO_MORE = np.zeros((2, 6))


def stack(values: np.ndarray) -> np.ndarray:
    return np.repeat(values[..., None], 3, axis=2).astype(np.float32)


@pytest.mark.parametrize(
    ("one", "other", "more"),
    [
        ((0.01, 0.04), (0.05, 0.04), (0.04, 0.0)),
        ((0.05, 0.04), (0.01, 0.04), (0.0, 0.0)),
        ((0.0, 0.0), (0.0009, 0.00091), (0.0, 0.00091)),  # so little more is none
        ((0.0, 0.0), (9.0, 0.5), (1.0, 0.5)),  # nor is a picture made a fog
    ],
)
def test_the_sharper_picture_is_blurred_by_what_is_missing(one, other, more):
    assert Sharpness(*one).less(Sharpness(*other)) == pytest.approx(more)


def test_a_blur_is_as_wide_as_it_is_told():
    grid = Grid((0.0, 0.0), 0.1, 101)
    point = np.zeros((101, 101))
    point[50, 50] = 1.0
    seen = blurred(stack(point), (0.09, 0.25), grid)[..., 0]
    u, v = np.meshgrid(*grid.axes_mm())
    assert (seen * u**2).sum() / seen.sum() == pytest.approx(0.09, rel=0.05)
    assert (seen * v**2).sum() / seen.sum() == pytest.approx(0.25, rel=0.05)
    assert blurred(stack(point), (0.0, 0.0), grid)[..., 0] == pytest.approx(point)


def test_slopes_are_per_mm_and_v_runs_up():
    by_u, by_v = slopes(stack(3 * U - 2 * V), GRID)
    inner = np.s_[1:-1, 1:-1]
    assert by_u[inner] == pytest.approx(3.0, abs=1e-3)
    assert by_v[inner] == pytest.approx(-2.0, abs=1e-3)


def test_a_field_of_shift_is_read_at_any_point():
    """Its terms are 1, x, y, xx, xy, yy in shares of the window's radius (23 mm)."""
    field = NO_MORE.copy()
    field[0, 1], field[1, 5] = 0.2, 0.1
    shown = Shown(plane(marks), VIEW, Sharpness(0.0, 0.0), (0.0, 0.0), field, 0.01 * np.eye(12))
    moved, doubt = shown.apart(np.array([11.5, -11.5]))
    assert moved == pytest.approx((0.1, 0.025))
    assert doubt == pytest.approx(0.01 * (1 + 0.25 + 0.25 + 3 / 16) * np.eye(2))
    assert Shown(plane(marks), VIEW, Sharpness(0.0, 0.0)).apart(np.zeros(2))[0] == pytest.approx((0, 0))


def test_one_step_finds_a_small_shift_and_not_more_than_is_likely():
    def tape(away):
        return stack(marks(U + away, V))

    loose, tight = np.eye(2) / 0.3**2, np.eye(2) / 0.001**2
    step, doubt = _step(tape(0.1), tape(0.0), GRID, 0.15, 1.0, NO_MORE, loose)
    assert step[0, 0] == pytest.approx(0.1, abs=0.03)
    assert abs(step[1, 0]) < 0.02
    assert np.sqrt(doubt[0, 0]) > 0.02  # no landmark is trusted wholly
    step, _ = _step(tape(0.1), tape(0.0), GRID, 0.15, 1.0, NO_MORE, tight)
    assert np.abs(step).max() < 0.01
    blank = stack(np.full(U.shape, 190.0))
    step, doubt = _step(blank, blank, GRID, 0.15, 1.0, NO_MORE, loose)
    assert np.abs(step).max() < 1e-6
    assert np.sqrt(doubt[0, 0]) == pytest.approx(0.3, rel=0.01)


def test_height_shifts_along_what_parts_two_lines_of_sight():
    shown = [Shown(plane(marks), VIEW, Sharpness(0.0, 0.0)) for _ in range(2)]
    likely = np.linalg.inv(_shift_prior(*shown, np.array([0.3, 0.0])))
    assert np.sqrt(likely[0, 0]) == pytest.approx(0.3 * 0.3, rel=0.02)
    assert np.sqrt(likely[1, 1]) < 0.02
    assert likely[0, 1] == pytest.approx(0.0)


def test_old_marks_that_one_telephone_shows_darker_tell_no_shift():
    """The same tape through another tone curve, seen from elsewhere: nothing moved."""
    turned = camera((0.25, -0.15, 0.02), (1.0, 0.0, 200.0), shape=(780, 660))[0]
    view = CardView(4, 0.05, 4.5, 18.0, turned)
    bent = plane(lambda u, v: 255 * (marks(u, v) / 255) ** 1.6, turned)
    _, earlier = register(bent, view, plane(marks), VIEW)
    for at in ((-9.0, 4.0), (7.0, 8.0), (3.0, -10.0)):
        assert earlier.apart(np.array(at))[0] == pytest.approx((0, 0), abs=0.02)

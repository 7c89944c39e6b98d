"""The parts of taking run-together marks apart: the model, its starts, and the descent."""

from __future__ import annotations

import numpy as np
import pytest

from vision import pulses
from vision.pulses import pulses_of
from vision.window import Grid

GRID = Grid((1.0, -2.0), 0.2, 61)
U, V = np.meshgrid(*GRID.axes_mm())
FLAT, SHARE = 6.0, 0.8
LOGIT = float(np.log(SHARE / (1 - SHARE)))


def params(*centres: tuple[float, float], radius: float = 2.0) -> np.ndarray:
    return np.array([np.log(radius), FLAT, LOGIT, *np.ravel(centres)])


def profile(at: tuple[float, float], radius: float = 2.0) -> np.ndarray:
    """A pulse's profile: 1 in its middle, a half at its radius."""
    half = FLAT + np.log1p(2 * np.exp(-FLAT))
    q = half * ((U - at[0]) ** 2 + (V - at[1]) ** 2) / radius**2
    return (1 + np.exp(-FLAT)) / (1 + np.exp(q - FLAT))


def gone(*centres: tuple[float, float], most: float = 90.0) -> np.ndarray:
    return most * (1 - np.prod([1 - SHARE * profile(at) for at in centres], axis=0))


def marks(depth: np.ndarray, weight: np.ndarray | None = None) -> pulses._Marks:
    return pulses._Marks(GRID, depth, np.ones(U.shape) if weight is None else weight)


def test_a_beam_is_half_as_strong_at_its_radius():
    flatness, share, sharp = pulses._beam(params((0.0, 0.0), radius=1.5))
    assert (flatness, share) == (FLAT, pytest.approx(SHARE))
    (spot,) = pulses._spots(params((1.0, -2.0), radius=1.5), 50.0)
    assert spot.radius() == pytest.approx(1.5) and spot.height == pytest.approx(40.0)
    assert float(spot.profile(np.array(2.5), np.array(-2.0))) == pytest.approx(0.5)
    assert np.diag(spot.form) == pytest.approx(sharp) and tuple(spot.centre) == (1.0, -2.0)


def test_pulses_on_a_slope_leave_nothing_and_tell_how_far_tape_can_go():
    both = (0.0, -2.0), (2.5, -1.0)
    rest, most = marks(gone(*both) + 3 * U - 2 * V + 7).rest(params(*both))
    assert np.abs(rest).max() < 1e-5 and most == pytest.approx(90.0)


def test_what_is_left_is_a_share_of_the_variance_that_counts():
    both, far = ((0.0, -2.0), (2.5, -1.0)), (100.0, 0.0)
    assert marks(gone(*both)).left(params(*both)) < 1e-9
    assert marks(gone((1.0, -2.0))).left(params(far)) == pytest.approx(1.0)
    spoilt, weight = gone(*both), np.ones(U.shape)
    spoilt[:9], weight[:9] = 500.0, 0.0
    assert marks(spoilt, weight).left(params(*both)) < 1e-9


def test_residuals_are_in_units_of_what_a_good_fit_leaves_and_hold_what_is_roughly_known():
    depth = gone((1.0, -2.0)) + np.random.default_rng(1).normal(0, 1, U.shape)
    one, weight = params((1.3, -2.0)), np.full(U.shape, 0.5)
    some = marks(depth, weight)
    residuals = some.residuals(one)
    allowed = 0.03 * np.percentile(depth, 98) * np.sqrt(weight.sum() / 50)
    assert residuals[:-2] == pytest.approx(np.sqrt(0.5) * some.rest(one)[0] / allowed)
    one[1:3] = 12.0, 1.0
    assert some.residuals(one)[-2:] == pytest.approx((1.0, -1.0))


def test_centres_to_start_from_lie_apart_in_the_core_of_the_marks():
    inner = 1.0 * (np.abs(V + 2) < 0.1) * (np.abs(U - 1) < 4.01)
    inner[np.abs(U - 1) > 3.3] *= 0.84  # no core
    (middle,) = pulses._spread(inner, 1, GRID)
    assert middle == pytest.approx((1.0, -2.0))
    ends = sorted(map(tuple, pulses._spread(inner, 2, GRID)))
    assert [u for u, _ in ends] == pytest.approx((-2.2, 4.2))
    three = sorted(map(tuple, pulses._spread(inner, 3, GRID)))
    assert [u for u, _ in three] == pytest.approx((-2.2, 1.0, 4.2))


def test_one_more_pulse_starts_where_the_others_leave_most():
    here, there = (-1.0, -4.0), (4.0, 0.0)
    more = pulses._with_one_more(marks(gone(here, there)), params(here))
    assert more[:5] == pytest.approx(params(here)) and np.hypot(*(more[5:] - there)) < 0.7
    weight = np.where(U > 2.0, 0.0, 1.0)  # what does not count draws no pulse
    assert pulses._with_one_more(marks(gone(here, there), weight), params(here))[5] <= 2.0


def test_the_descent_ends_at_the_pulses():
    both = (0.0, -2.0), (2.5, -1.0)
    start = params((0.4, -2.3), (2.2, -0.6), radius=1.7)
    start[1:3] = 4.0, 0.8
    cost, found = marks(gone(*both)).least(start)
    assert found[3:] == pytest.approx(np.ravel(both), abs=0.02)
    assert np.exp(found[0]) == pytest.approx(2.0, abs=0.02)
    assert cost < (LOGIT - 2.0) ** 2  # nothing but that the share is not the usual one


def test_a_sixth_pulse_is_not_looked_for():
    six = [(-3.0, -2.0), (-0.6, -4.4), (2.6, -4.4), (5.0, -2.0), (2.6, 0.4), (-0.6, 0.4)]
    deep = gone(*six)
    found = pulses_of(deep, deep > 36, np.ones(U.shape), GRID)
    assert found is None or len(found) <= 5

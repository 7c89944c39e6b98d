"""The search for the least cost: where it ends, and what each of its limits does."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares, rosen

from vision.descent import Search, least_cost

SEARCH = Search(steps=50, longest_step=0.5, least_share=1e-9)


def valley(params):
    """Rosenbrock's residuals, (2,)."""
    return np.array([10 * (params[1] - params[0] ** 2), 1 - params[0]])


def cost_of(params):
    rest = valley(params)
    return float(rest @ rest), rest


def slopes(params, rest):
    moved = np.array([[-20 * params[0], 10.0], [-1.0, 0.0]])
    return moved.T @ moved, moved.T @ rest


def test_the_bottom_of_a_curved_valley_is_found():
    start = np.array([-1.2, 1.0])
    assert cost_of(start)[0] == pytest.approx(rosen(start))
    cost, found = least_cost(SEARCH, start, cost_of, slopes)
    assert found == pytest.approx(least_squares(valley, start).x, abs=1e-4)
    assert cost == pytest.approx(0.0, abs=1e-8)


def test_a_bound_holds_and_the_other_unknown_is_found():
    def square(params):
        rest = params - (2.0, 3.0)
        return float(rest @ rest), rest

    def bounded(params):
        return np.array([min(params[0], 0.5), params[1]])

    cost, found = least_cost(SEARCH, np.zeros(2), square, lambda p, rest: (np.eye(2), rest), bounded)
    assert found == pytest.approx([0.5, 3.0], abs=1e-3)
    assert cost == pytest.approx(1.5**2, rel=1e-3)


@pytest.mark.parametrize("steps", [1, 3])
def test_a_search_ends_after_its_steps_none_longer_than_allowed(steps):
    far = np.array([100.0, -100.0])
    search = Search(steps=steps, longest_step=0.5)
    _, found = least_cost(search, far, lambda p: (float(p @ p), p), lambda p, rest: (np.eye(2), rest))
    assert found == pytest.approx(far - 0.5 * steps * np.sign(far))


@pytest.mark.parametrize("limits", [{"least_gain": 1e9}, {"least_share": 1e9}])
def test_a_search_ends_with_the_first_step_that_gains_too_little(limits):
    far = np.array([100.0, -100.0])
    search = Search(steps=50, longest_step=0.5, **limits)
    _, found = least_cost(search, far, lambda p: (float(p @ p), p), lambda p, rest: (np.eye(2), rest))
    assert found == pytest.approx(far - 0.5 * np.sign(far))


def test_nothing_moves_where_every_step_costs_more():
    start = np.array([0.3])
    cost, found = least_cost(
        SEARCH, start, lambda p: (float(abs(p[0] - 0.3)), p), lambda p, rest: (np.eye(1), np.array([1.0]))
    )
    assert (cost, found) == (0.0, start)


def test_an_unknown_that_changes_nothing_needs_the_floor():
    def flat(params, rest):
        return np.diag([1.0, 0.0]), np.array([params[0], 0.0])

    def square(params):
        return float(params[0] ** 2), params

    start = np.array([0.4, 7.0])
    search = Search(steps=50, longest_step=0.5, least_share=1e-9, floor=1e-9)
    assert least_cost(search, start, square, flat)[1] == pytest.approx([0.0, 7.0], abs=1e-4)
    with pytest.raises(np.linalg.LinAlgError):
        least_cost(SEARCH, start, square, flat)

"""The parts of fitting a pulse on an old mark: other causes, the model, its starts, what is made of it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_measure_parts import MARK
from test_repeat_pulse import DEEP, GRID, U, V, burnt, crop, old_spot

from vision import repeat_pulse
from vision.bare_tape import INSIDE_MM
from vision.groups import Group
from vision.measure import TrackedMark
from vision.repeat_pulse import Crop, RepeatFit, crops_of, fit_repeat

GONE = DEEP * burnt((3.0, -2.0))
MIDDLE = np.hypot(U - 3.0, V + 2.0) < 4.0


def test_the_noise_is_that_between_neighbours():
    field = np.random.default_rng(4).normal(0, 2.0, (300, 300)) + 9 * np.arange(300)[:, None]
    assert replace(crop(0 * U), change=field).noise() == pytest.approx(2.3, abs=0.05)


def test_one_more_cause_is_fitted_as_by_least_squares_with_all_that_is_known():
    """Against the normal equations of all rows at once, weighted, each held by its standard deviation."""
    rng = np.random.default_rng(5)
    rows, row, values = rng.normal(0, 1, (4, 25)), rng.normal(0, 1, 25), rng.normal(0, 3, 25)
    weight, likely, variance, mean, sd = rng.uniform(0, 1, 25), np.array([1.0, 2, 0.5, 3]), 1.7, 4.0, 0.6
    some = Crop(GRID, [], values.reshape(5, 5), None, weight.reshape(5, 5), (0, 0), rows, likely)
    height, cost, rest = repeat_pulse._Causes(some, variance).with_row(row, mean, sd)
    design = np.vstack([rows * 1.0, row]) * np.sqrt(weight / variance)
    held, means = np.diag(1 / np.r_[likely, sd]), np.array([0, 0, 0, 0, mean])
    target = np.r_[values * np.sqrt(weight / variance), held @ means]
    found, squares, _, _ = np.linalg.lstsq(np.vstack([design.T, held]), target, rcond=None)
    assert height == pytest.approx(found[-1]) and cost == pytest.approx(squares[0])
    assert rest == pytest.approx(values - found @ np.vstack([rows, row]))


def test_a_pulse_shows_where_the_old_mark_has_left_colour():
    problem = repeat_pulse._Problem(crop(0 * U), 1.0)
    shows = problem.visible(2.0)
    assert shows[~MIDDLE] == pytest.approx(1.0, abs=1e-3)
    assert shows[22, 22] == pytest.approx(0.5, abs=0.01)
    assert problem.visible(1.0)[22, 22] == pytest.approx(0.0, abs=0.01)
    deep = replace(crop(0 * U), gone=np.full(U.shape, -5.0))
    assert (repeat_pulse._Problem(deep, 1.0).visible(1.0) == 1.0).all()
    assert repeat_pulse._Problem(deep, 1.0).most == pytest.approx(0.9 * old_spot().height)


def test_a_pulse_is_the_old_one_elsewhere_and_in_another_size():
    spot = repeat_pulse._Problem(crop(0 * U), 1.0).spot(np.array([4.0, -1.0, 0.1]))
    assert tuple(spot.centre) == (4.0, -1.0)
    assert spot.radius() == pytest.approx(old_spot().radius() * np.exp(0.1))


def test_the_slopes_point_the_way_in_which_the_cost_grows():
    """Against differences of the cost itself, about its least and beside it."""
    change = DEEP * burnt((3.4, -1.8)) * (1 - burnt((3.0, -2.0)))
    problem = repeat_pulse._Problem(crop(change), 25.0)
    shows, at, step = problem.visible(1.02), np.array([3.3, -1.9, 0.05]), 1e-3 * np.eye(3)
    matrix, gradient = problem.slopes(at, shows, problem.cost(at, shows)[2])
    costs = [(problem.cost(at + one, shows)[0], problem.cost(at - one, shows)[0]) for one in step]
    slopes = np.array([(after - before) / 4e-3 for after, before in costs])
    assert gradient == pytest.approx(slopes, rel=0.25, abs=0.1 * np.abs(slopes).max())
    assert np.allclose(matrix, matrix.T) and np.linalg.eigvalsh(matrix).min() > 0


def test_the_size_is_held_where_nothing_else_tells_it():
    problem = repeat_pulse._Problem(crop(0 * U), 1e15)
    shows = problem.visible(1.0)
    costs = [problem.cost(np.array([3.0, -2.0, size]), shows)[0] for size in (-0.1, 0.0, 0.1, 0.2)]
    assert np.subtract(costs, costs[1]) == pytest.approx((1.0, 0.0, 1.0, 4.0), abs=1e-3)
    matrix, gradient = problem.slopes(np.array([3.0, -2.0, 0.1]), shows, crop(0 * U).change.ravel())
    assert matrix[2, 2] == pytest.approx(100.0, rel=1e-3) and gradient[2] == pytest.approx(10.0, rel=1e-3)


def test_how_far_a_pulse_is_from_the_nearest_old_one():
    pulse = replace(old_spot((3.4, -2.0)), covariance=np.diag([0.04, 0.09]))
    olds = [old_spot((8.0, -2.0)), old_spot(), old_spot((3.0, 9.0))]
    deviations, radii = repeat_pulse._away(pulse, olds)
    assert deviations == pytest.approx(2.0, abs=0.02)
    assert radii == pytest.approx(0.4 / old_spot().radius(), abs=0.01)


def test_a_fit_starts_on_the_old_pulse_and_around_it():
    starts = np.array(repeat_pulse._starts(old_spot()))
    away = np.round(np.hypot(*(starts[:, :2] - old_spot().centre).T), 6)
    assert [list(away).count(ring) for ring in (0.0, 0.35, 0.8)] == [1, 6, 8] and len(starts) == 15
    assert starts[:, :2].mean(axis=0) == pytest.approx(old_spot().centre) and not starts[:, 2].any()


def test_light_from_a_side_makes_a_mark_brighter_there_and_darker_on_the_other():
    old = old_spot()
    at = old.centre + old.radius() * np.array([[0.3, 0.0], [-0.3, 0.0], [0.0, 0.3], [0.0, 0.4], [1.7, 0.0]])
    sides = np.array(repeat_pulse._sides(*at.T, old))
    assert sides[0] == pytest.approx((1.0, -1.0, 0.0, 0.0, 0.0), abs=1e-6)
    assert sides[1] == pytest.approx((0.0, 0.0, 1.0, 0.5, 0.0), abs=1e-6)
    assert sides[3] == pytest.approx((0.0, 0.0, 0.0, 0.5, 0.0), abs=1e-6)
    assert len(sides) == 16 and sides[14] == pytest.approx((0.0, 0.0, 0.0, 0.0, 1.0), abs=1e-6)


def test_other_tones_change_levels_by_a_power_and_the_dark_ones_more():
    tape = np.full((2, 2, 3), 100.0)
    marked = tape * np.exp([[[-0.5]], [[-1.0]]])
    first, second = repeat_pulse._tones(marked, tape, np.array([1.0, 0.0, 0.0]))
    assert first[:, 0] == pytest.approx(marked[:, 0, 0] * (-0.5, -1.0))
    assert second[:, 0] == pytest.approx(marked[:, 0, 0] * (-0.25, -1.0))
    black = repeat_pulse._tones(np.full((1, 1, 3), 1.0), np.full((1, 1, 3), 8.0), np.array([1.0, 0, 0]))
    assert float(black[0][0, 0]) == pytest.approx(-np.log(2))  # darker than 4 is all the same


def causes(shift: np.ndarray, lamp: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    tones = [0 * U, 0 * U]
    rows, likely = repeat_pulse._causes(GRID, [old_spot()], GONE, lamp * GONE, tones, shift)
    return rows.reshape(-1, *U.shape), likely


def test_the_other_causes_are_ground_shift_blur_and_gain():
    """Against a picture that is shifted or blurred by little."""
    ways = np.array([[0.6, -0.8], [0.8, 0.6]])
    rows, likely = causes(ways @ np.diag([0.01, 0.09]) @ ways.T)
    du, dv, radius = U - 3.0, V + 2.0, old_spot().radius()
    ground = [np.ones_like(U), du, dv, *(np.array([du * du, du * dv, dv * dv]) / radius**2)]
    assert rows[:6] == pytest.approx(np.array(ground))
    assert likely[:6] == pytest.approx((100, 20, 20, 3, 3, 3))
    smooth = repeat_pulse._smooth(GONE)
    east, north = np.gradient(smooth, 0.25, axis=1), -np.gradient(smooth, 0.25, axis=0)
    for i, way in enumerate(([0.6, 0.8], [-0.8, 0.6])):
        along = way[0] * east + way[1] * north
        assert min(np.abs(rows[6 + i] - along).max(), np.abs(rows[6 + i] + along).max()) < 1e-6
        assert likely[6 + i] == pytest.approx((0.1, 0.3)[i])
    both = rows[8] + rows[10]
    curved = np.gradient(east, 0.25, axis=1) + np.gradient(north, -0.25, axis=0)
    assert both == pytest.approx(curved)
    assert np.abs(rows[9]) == pytest.approx(np.abs(np.gradient(east, 0.25, axis=0)))
    assert likely[8:11] == pytest.approx(0.02)
    assert rows[11:14] == pytest.approx(np.array([GONE, GONE * du / radius, GONE * dv / radius]))
    assert likely[11:17] == pytest.approx((0.08, 0.03, 0.03, 0.1, 0.1, 1.0), abs=1e-9)
    assert len(rows) == len(likely) == 17 + 16
    assert likely[17:] == pytest.approx(0.03 * old_spot().height)


def test_where_the_light_changed_gain_and_relief_may_be_as_large():
    rows, likely = causes(1e-4 * np.eye(2), lamp=0.5)
    assert likely[11:14] == pytest.approx(np.hypot((0.08, 0.03, 0.03), 0.5))
    assert likely[17] == pytest.approx(np.hypot(0.03, 0.5) * old_spot().height)
    assert rows[16] == pytest.approx(0.5 * GONE)


def test_pulses_that_lie_on_each_other_are_tried_as_one_place(monkeypatch):
    monkeypatch.setattr(repeat_pulse, "_crop", lambda pair, pulse, group: tuple(pulse.centre))
    on_it, beside = old_spot((3.39, -2.0)), old_spot((3.41, -2.0))
    places = crops_of(None, Group([], [old_spot(), on_it, beside, old_spot((9.0, 0.0))], np.ones(3)))
    assert [round(u, 1) for u, _ in places] == [3.0, 3.4, 9.0] and len(places) == 3


def seen_pair(expected: float, unburnt: float, seen: float, lamp: float) -> SimpleNamespace:
    """A pair whose pictures have one level each; red counts."""

    def level(value: float):
        return lambda grid: np.full((grid.side, grid.side, 3), value)

    return SimpleNamespace(
        expected=level(expected),
        unburnt=level(unburnt),
        seen=level(seen),
        otherwise=lambda grid: [None, level(lamp)(grid)],
        shown=SimpleNamespace(blurred_mm2=lambda: (0.1, 0.2)),
        view=SimpleNamespace(unit_mm=2.0),
    )


def test_a_crop_holds_both_pictures_around_an_old_pulse_and_those_near_it(monkeypatch):
    monkeypatch.setattr(repeat_pulse, "by_card", lambda pair: pair)
    monkeypatch.setattr(repeat_pulse, "shift_likely", lambda pair, at: 0.01 * np.eye(2))
    old, near, far = old_spot(), old_spot((10.0, -2.0)), old_spot((11.2, -2.0))
    half = 1.9 * old.radius() + 1.3
    group = Group([], [near, old, far], np.array([1.0, 0.0, 0.0]))
    made = repeat_pulse._crop(seen_pair(60.0, 150.0, 55.0, 4.0), old, group)
    assert made.olds[0] is old and made.olds[1:] == [near]
    assert made.grid.side % 2 == 1 and made.grid.centre_mm == pytest.approx(tuple(old.centre))
    assert made.grid.pitch_mm == pytest.approx(half / 28)
    assert made.grid.side * made.grid.pitch_mm == pytest.approx(2 * half, abs=2 * made.grid.pitch_mm)
    assert made.gone == pytest.approx(-90.0) and made.change == pytest.approx(-5.0)
    assert made.blur_mm2 == (0.1, 0.2) and made.weight.all() and len(made.rows) == 17 + 2 * 16
    assert made.rows[16] == pytest.approx(4.0)


def test_a_crop_counts_nothing_at_the_rim_and_black_is_one_level(monkeypatch):
    monkeypatch.setattr(repeat_pulse, "by_card", lambda pair: pair)
    monkeypatch.setattr(repeat_pulse, "shift_likely", lambda pair, at: 0.01 * np.eye(2))
    small = replace(old_spot((21.0, 0.0)), form=old_spot().form * 9)
    made = repeat_pulse._crop(
        seen_pair(0.0, 150.0, 1.0, 4.0), small, Group([], [small], np.array([1.0, 0, 0]))
    )
    assert np.array_equal(made.weight > 0, made.grid.radius_mm() < INSIDE_MM)
    assert 0 < made.weight.mean() < 1 and made.grid.pitch_mm == 0.12
    assert made.gone == pytest.approx(-149.0) and made.change == pytest.approx(0.0)


def repeated(at: tuple[float, float]) -> RepeatFit:
    return RepeatFit(old_spot(at), np.ones(4), np.diag([0.01, 0.04]), 80.0, 0.8, 1.0)


def test_a_pulse_is_a_mark_with_the_uncertainty_of_fit_edge_and_card(monkeypatch):
    monkeypatch.setattr(repeat_pulse, "by_card", lambda pair: pair)
    monkeypatch.setattr(repeat_pulse, "in_depth", lambda pair, mark, at: mark)
    monkeypatch.setattr(repeat_pulse, "card_sigma", lambda view, at: np.array([0.05, 0.0]))
    pair = seen_pair(60.0, 150.0, 55.0, 4.0)
    old, radius = TrackedMark(MARK, None, None, None, None, None, brighter=-0.4), old_spot().radius()
    for marks, brighter in (([old], -0.4), ([], 0.0)):
        group = Group(marks, [old_spot()], np.ones(3))
        made = repeat_pulse._tracked(pair, group, crop(0 * U), repeated((4.0, -1.0)))
        assert made.brighter == brighter
    assert made.mark.offset_mm == pytest.approx((8.0, -2.0), abs=0.01)
    variance = np.array([1.69 * 0.01, 1.69 * 0.04]) + (0.03 * radius) ** 2 + [0.0025, 0.0]
    assert made.mark.sigma_mm == pytest.approx(2 * np.sqrt(variance))
    assert made.mark.width_mm == pytest.approx([2 * width for width in old_spot().widths()[:2]], rel=1e-3)
    assert (made.mark.shape, made.mark.flat_side_deg, made.mark.new) == ("round", None, True)
    assert made.tape[0, 0, 0] == 60.0 and made.weight.shape == (GRID.side**2,)


def test_tape_may_be_shifted_by_the_uncertainty_of_the_card_in_both_pictures(monkeypatch):
    monkeypatch.setattr(repeat_pulse, "sight_slope", lambda view, shape, at: np.zeros(2))
    monkeypatch.setattr(repeat_pulse, "card_sigma", lambda view, at: np.array(view))
    shown, earlier = (SimpleNamespace(view=sd, picture=np.zeros((2, 2))) for sd in ((0.3, 0.1), (0.4, 0.2)))
    pair = SimpleNamespace(view=None, shown=shown, earlier=earlier)
    likely = repeat_pulse.shift_likely(pair, np.zeros(2))
    assert likely == pytest.approx(np.diag([0.3**2 + 0.4**2, 0.1**2 + 0.2**2]) + 0.03**2 * np.eye(2))


def test_what_cannot_be_solved_is_no_pulse(monkeypatch):
    def fails(*_):
        raise np.linalg.LinAlgError

    monkeypatch.setattr(repeat_pulse, "_best", fails)
    assert fit_repeat(crop(0 * U)) is None


def test_a_mark_is_on_old_ones_within_the_radius_of_any_of_them():
    olds = [old_spot((9.0, 9.0)), old_spot()]
    radius = old_spot().radius()
    assert repeat_pulse._on_any(old_spot((3.0 + 0.97 * radius, -2.0)), olds)
    assert not repeat_pulse._on_any(old_spot((3.0 + 1.03 * radius, -2.0)), olds)

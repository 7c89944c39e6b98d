"""Where the fit of a mark starts, and how its steps are taken, by closed cases."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vision import fit
from vision.fit import Ground, Spot, fit_crop, fit_spot

ROWS, COLS = np.indices((41, 51), dtype=float)


def spot(flatness=6.0, form=None, height=50.0):
    none = np.zeros((2, 2))
    form = np.eye(2) if form is None else form
    return Spot(
        np.array([1.0, 2.0]), form, flatness, height, np.array([9.0, 0.5, -2.0]), none, np.zeros(1), 1.0, none
    )


# what a mark is like


@pytest.mark.parametrize("flatness", [-4.0, 0.0, 3.0, 30.0])
@pytest.mark.parametrize("share", [0.8, 0.5, 0.2])
def test_radii_are_where_the_profile_has_so_much_of_its_height(flatness, share):
    """On the ellipse q = (u / 3)² + (v / 2)² the mean radius of a level is that of a circle as large."""
    form = np.diag([1 / 9, 1 / 4])
    one = spot(flatness, form)
    way = np.linspace(0, 3, 30001)
    along = one.profile(1.0 + 3 * way, np.full(way.size, 2.0))
    reach = {part: np.interp(-part, -along, way) * np.sqrt(6.0) for part in (0.8, 0.5, 0.2)}
    if reach[0.2] < 3 * np.sqrt(6.0):
        assert one.radius() == pytest.approx(reach[0.5], rel=1e-3)
        assert one.edge_mm() == pytest.approx(reach[0.2] - reach[0.8], rel=1e-3)
    at_half = one.radius() / np.sqrt(6.0)
    assert one.relative_radius(np.array([1.0 + 3 * at_half]), np.array([2.0])) == pytest.approx(1.0)
    assert one.profile(np.array([1.0]), np.array([2.0 + 2 * at_half])) == pytest.approx(0.5, abs=1e-3)


def test_more_rows_are_added_to_a_ground_with_their_ridges():
    rows, ridge = np.ones((2, 5)), np.array([1.0, 2.0])
    bare = Ground(np.full(5, 0.5)).with_rows(rows, ridge)
    assert bare.rows is rows and bare.ridge is ridge and bare.visible[0] == 0.5
    more = bare.with_rows(3 * np.ones((1, 5)), np.array([4.0]))
    assert more.count == 3 and more.ridge.tolist() == [1.0, 2.0, 4.0]
    assert more.rows[:, 0].tolist() == [1.0, 1.0, 3.0] and more.visible[0] == 0.5
    assert Ground().count == 0


# the one spot of a crop


@pytest.fixture
def guessed(monkeypatch):
    """The rough centre, radius and flatness from which the spot of a crop is fitted."""
    asked = {}

    def fit_spot(x, y, z, **named):
        asked.update(named, x=x, y=y, z=z)
        return "spot"

    monkeypatch.setattr(fit, "fit_spot", fit_spot)

    def run(values):
        assert fit_crop(values) == "spot"
        return SimpleNamespace(**asked)

    return run


@pytest.mark.parametrize("background", [0.0, 500.0, -80.0])
@pytest.mark.parametrize("height", [60.0, -60.0])
def test_a_flat_spot_is_guessed_by_its_middle_and_area_on_any_background(guessed, background, height):
    disc = np.hypot(COLS - 33, ROWS - 12) < 6
    one = guessed(background + height * disc)
    assert one.centre == pytest.approx((33.0, 12.0))
    assert one.radius == pytest.approx(np.sqrt(disc.sum() / np.pi))
    assert one.flatness == 4.0
    assert (one.x, one.y) == (pytest.approx(COLS.ravel()), pytest.approx(ROWS.ravel()))
    assert one.z == pytest.approx((background + height * disc).ravel())


def test_a_pointed_spot_is_guessed_as_a_bell(guessed):
    """Of a cone, what is higher than three quarters has a quarter of the area of what is higher than half."""
    cone = np.clip(1 - np.hypot(COLS - 20, ROWS - 20) / 15, 0, None)
    assert guessed(50 * cone).flatness == -4.0
    flat = np.clip(1.6 - np.hypot(COLS - 20, ROWS - 20) / 10, 0, 1)
    assert guessed(50 * flat).flatness == 4.0


@pytest.mark.parametrize(("higher", "flatness"), [(39, -4.0), (40, 4.0)])
def test_a_spot_is_pointed_where_less_than_four_tenths_are_nearly_as_high(guessed, higher, flatness):
    values = np.zeros(ROWS.shape)
    values[10:20, 10:20].flat[:] = 60.0  # of 100: more than half, not more than three quarters of the highest
    block = values[10:20, 10:20]
    for i in range(higher):
        block[i // 10, i % 10] = 100.0
    assert guessed(values).flatness == flatness


def test_the_background_is_that_of_the_rim_and_what_is_lower_than_half_has_no_say(guessed):
    values = np.full(ROWS.shape, 900.0)  # inside, all but the spot is as far off as a spot
    values[0], values[-1], values[:, 0], values[:, -1] = 10.0, 10.0, 10.0, 10.0
    values[1:-1, 1:-1] = 10.0 + 0.49 * 60
    values[30:33, 40:43] = 70.0
    one = guessed(values)
    assert one.centre == pytest.approx((41.0, 31.0))
    assert one.radius == pytest.approx(3 / np.sqrt(np.pi))
    values[30:33, 40:43], values[31, 41] = 10.0, 70.0
    assert guessed(values).radius == 1.0  # a pixel at least


# where a fit starts


@pytest.mark.parametrize("oval", [False, True])
def test_a_fit_goes_on_from_a_spot_that_is_told(oval):
    """Without a step it is the same spot about another centre; a round fit takes an oval of its area."""
    form = np.array([(0.36, 0.05), (0.05, 0.16)])
    start = spot(6.0, form)
    x, y = (axis.ravel() for axis in np.meshgrid(np.linspace(-5, 7, 25), np.linspace(-4, 8, 25)))
    z = np.zeros(x.size)
    again = fit_spot(x, y, z, centre=(0.2, 3.0), radius=1.0, start=start, oval=oval, rounds=0)
    assert again.centre == pytest.approx(start.centre)
    assert again.form == pytest.approx(form if oval else np.eye(2) * np.sqrt(np.linalg.det(form)))
    assert (again.flatness, again.height) == pytest.approx((6.0, 50.0))
    assert again.plane == pytest.approx(start.plane)


@pytest.mark.parametrize(("flatness", "shape"), [(4.0, 2.0 / 3), (-4.0, 1.0 / 3)])
@pytest.mark.parametrize("oval", [False, True])
def test_a_fit_starts_as_a_disc_or_a_bell_of_the_radius_that_is_told(flatness, shape, oval):
    """A disc's half height is near q = m: a² r² = m. A bell falls to a share of 1 / e at the radius."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.linspace(-6, 6, 41), np.linspace(-6, 6, 41)))
    profile = (1 + np.exp(-flatness)) / (1 + np.exp(np.minimum(shape**2 * (x**2 + y**2) - flatness, 60)))
    z = 7.0 + 0.5 * x - y + 80 * profile
    one = fit_spot(x, y, z, centre=(0.0, 0.0), radius=3.0, flatness=flatness, oval=oval, rounds=0)
    assert one.form == pytest.approx(np.eye(2) * shape**2)
    assert one.height == pytest.approx(80.0, rel=1e-4)  # what is linear is solved for
    assert one.plane == pytest.approx([7.0, 0.5, -1.0], abs=1e-3)
    assert np.abs(one.rest).max() < 1e-3


# its steps


class Counted:
    """A sum of squares of one parameter that falls by a share of what is left, step by step."""

    def __init__(self, costs):
        self.costs, self.asked = list(costs), 0
        self.kind = SimpleNamespace(flatness=0, linear=0, count=1)

    def basis(self, params):
        return np.zeros((1, 100))

    def rest(self, params, basis):
        return np.zeros(100)

    def cost(self, params, rest):
        self.asked += 1
        return self.costs[min(self.asked, len(self.costs)) - 1]


@pytest.mark.parametrize(
    ("costs", "rounds", "asked"),
    [
        ([100.0, 50.0, 40.0, 30.0, 20.0], 3, 4),  # as many rounds as are allowed
        ([100.0, 50.0, 49.9986, 30.0], 25, 3),  # 0.003 of the cost of a point: 0.0015
        ([100.0, 50.0, 49.9983, 30.0, 29.9999], 25, 5),
        ([100.0, 150.0, 50.0, 49.9999], 25, 4),  # a step that makes it worse is tried shorter
    ],
)
def test_steps_are_taken_while_they_gain(monkeypatch, costs, rounds, asked):
    monkeypatch.setattr(fit, "_normal_equations", lambda *_: (np.eye(1), np.ones(1)))
    problem = Counted(costs)
    fit._descend(problem, np.zeros(1), rounds)
    assert problem.asked == asked


def test_a_step_is_damped_by_eight_more_when_it_fails_and_eight_less_when_it_gains(monkeypatch):
    """A step against a unit gradient and matrix is 1 / (1 + damping), from a thousandth on."""
    tried = []

    def bounded(params, kind):
        tried.append(float(params[0]))
        return params

    monkeypatch.setattr(fit, "_normal_equations", lambda *_: (np.eye(1), np.ones(1)))
    monkeypatch.setattr(fit, "_bounded", bounded)
    fit._descend(Counted([100.0, 150.0, 150.0, 50.0, 20.0, 20.0]), np.zeros(1), 25)
    damped = [1 / (1 + damp) for damp in (1e-3, 8e-3, 64e-3)]
    at = damped[2]
    damped += [at + 1 / (1 + 8e-3), at + 1 / (1 + 8e-3) + 1 / (1 + 1e-3)]
    assert tried == pytest.approx(damped, rel=1e-9)


def test_a_step_that_never_gains_leaves_everything_as_it_was(monkeypatch):
    monkeypatch.setattr(fit, "_normal_equations", lambda *_: (np.eye(1), np.ones(1)))
    problem = Counted([100.0] + [150.0] * 99)
    assert fit._descend(problem, np.zeros(1), 25) == pytest.approx([0.0])
    assert problem.asked == 1 + 10  # 0.001 · 8ⁿ is a million at the tenth


def test_the_background_is_the_middle_of_all_four_sides(guessed):
    """Sides of 0, 20, 8 and 12: the median is 10. Above half of 100 are 51 and not 49.5 beyond that."""
    values = np.full((5, 5), 10.0)
    values[0], values[-1], values[1:-1, 0], values[1:-1, -1] = 0.0, 20.0, 8.0, 12.0
    values[1, 1], values[1, 3], values[3, 1] = 110.0, 61.0, 59.5
    one = guessed(values)
    assert one.centre == pytest.approx(((100 * 1 + 51 * 3) / 151, 1.0))


def test_a_form_without_a_width_is_wide_but_finite():
    long_mm, short_mm, way = spot(form=np.diag([0.0, 1.0])).widths()
    assert np.isfinite(long_mm) and long_mm > 1e4 * short_mm
    assert np.cos(way) ** 2 == pytest.approx(1.0)

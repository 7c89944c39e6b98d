"""Smoke beside a burn, part by part: where it is looked for, what it may explain, and when it is believed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from vision import smoke
from vision.fit import Ground, Spot
from vision.smoke import Points, Smoky

X, Y = (axis.ravel() for axis in np.meshgrid(np.linspace(-11.0, 13.0, 25), np.linspace(-14.0, 10.0, 25)))


def spot_at(u=1.0, v=-2.0, radius=2.0, height=50.0, flatness=9.0, noise=1.5, rest=None, plane=(0, 0, 0)):
    half = flatness + np.log1p(2 * np.exp(-flatness))
    rest = np.zeros(X.size) if rest is None else rest
    form, centre = np.eye(2) * half / radius**2, np.array([u, v])
    none = np.zeros((2, 2))
    return Spot(centre, form, flatness, height, np.array(plane, float), none, rest, noise, none)


def points(z=0.0, weight=1.0, x=X, y=Y) -> Points:
    return Points(x, y, np.broadcast_to(z, x.shape), np.broadcast_to(weight, x.shape))


def test_what_a_fit_leaves_is_a_weighted_sum_of_squares():
    at = Points(*np.zeros((3, 3)), np.array([1.0, 2.0, 0.0]))
    assert at.left(SimpleNamespace(rest=np.array([3.0, -1.0, 5.0]))) == 11.0


def test_smoke_as_a_picture_looks_like_the_smoke_in_its_mix_of_colours():
    colour, values = np.array([-0.5, -0.3, 0.2]), np.arange(6.0)
    picture = Smoky(spot_at(), values, np.zeros(2)).on(colour, (2, 3, 3))
    assert picture.shape == (2, 3, 3)
    assert (picture @ colour).ravel() == pytest.approx(values)
    assert np.cross(picture.reshape(-1, 3), colour) == pytest.approx(0.0, abs=1e-6)  # and in no other


@pytest.mark.parametrize("visible", [None, np.linspace(0, 1, X.size)])
def test_the_smoke_is_what_is_neither_mark_nor_plane_nor_left(visible):
    rng = np.random.default_rng(3)
    smoked, rest = rng.normal(0, 9, X.size), rng.normal(0, 1, X.size)
    one = spot_at(rest=rest, plane=(7.0, 0.5, -0.25))
    shown = one.profile(X, Y) * (1.0 if visible is None else visible)
    z = 50.0 * shown + 7.0 + 0.5 * (X - 1.0) - 0.25 * (Y + 2.0) + smoked + rest
    assert smoke._smoke(points(z), one, Ground(visible)) == pytest.approx(smoked)


def places(bumps, x, y, width):
    """Centres of Gaussians of that width, from their values at (1, -2) and one mm to the left and below."""
    here, left, below = (int(np.argmin(np.hypot(x - a, y - b))) for a, b in ((1, -2), (0, -2), (1, -3)))
    logs = np.log(bumps)
    away = [0.5 - width**2 * (logs[:, here] - logs[:, beside]) for beside in (left, below)]
    return np.stack([1.0 - away[0], -2.0 - away[1]], axis=1)


@pytest.mark.parametrize("radius", [2.0, 3.0])
def test_bumps_stand_around_the_mark_three_quarters_of_a_radius_apart(radius):
    one = spot_at(radius=radius)
    bumps = smoke._bumps(points(), one)
    at = places(bumps, X, Y, 0.6 * radius)
    steps = np.array([-2.3, -1.55, -0.8, -0.05, 0.7, 1.45, 2.2]) * radius
    wanted = [
        (1.0 + a, -2.0 + b) for b in steps for a in steps if 0.6 * radius < np.hypot(a, b) < 2.3 * radius
    ]
    assert at == pytest.approx(np.array(wanted))
    away = np.hypot(X - at[0, 0], Y - at[0, 1])
    assert bumps[0] == pytest.approx(np.exp(-((away / (0.6 * radius)) ** 2) / 2))


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("radius", [2.0, 3.0])
def test_no_bump_stands_more_than_its_width_outside_the_crop(axis, side, radius):
    """The crop ends one mm from the centre on one side: of the bumps, wider by that, some are left out."""
    one, width = spot_at(radius=radius), 0.6 * radius
    edge = one.centre[axis] + side * 1.0
    kept = side * (np.stack([X, Y])[axis] - edge) <= 1e-9
    at = points(x=X[kept], y=Y[kept])
    found = places(smoke._bumps(at, one), at.x, at.y, width)
    whole = places(smoke._bumps(points(), one), X, Y, width)
    within = side * (whole[:, axis] - edge) < width
    assert 0 < within.sum() < len(whole)
    assert found == pytest.approx(whole[within])


def test_beside_a_mark_that_stays_smoke_leaves_what_a_held_fit_leaves():
    """The same sum by plain least squares, with a row for each thing that holds a bump."""
    rng = np.random.default_rng(4)
    one = spot_at(rest=rng.normal(0, 2, X.size))
    at, bumps, hold = (
        points(weight=rng.uniform(0, 2, X.size)),
        smoke._bumps(points(), one),
        np.linspace(1, 9, 40),
    )
    bumps = bumps[:40]
    rows = bumps * (1 - one.profile(X, Y))
    root = np.sqrt(at.weight)
    matrix = np.vstack([(rows * root).T, np.diag(np.sqrt(hold[: len(bumps)]))])
    values = np.r_[root * one.rest, np.zeros(len(bumps))]
    sizes = np.linalg.lstsq(matrix, values, rcond=None)[0]
    left = one.rest - sizes @ rows
    assert smoke._left_beside(at, one, bumps, hold[: len(bumps)]) == pytest.approx(at.weight @ left**2)


@pytest.mark.parametrize(
    ("moves", "rounds"), [([0.5, 0.5, 0.5], 3), ([0.5, 0.0009], 2), ([0.0009], 1), ([0.0011, 0.0, 0.0], 2)]
)
@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (0.6, -0.8)])
def test_mark_and_smoke_are_fitted_until_the_mark_stays(monkeypatch, moves, rounds, way):
    asked = []

    def fit_spot(x, y, z, *, centre, radius, weight, oval, start, ground):
        assert (x is X, y is Y, oval, radius) == (True, True, True, 1.0)
        asked.append((centre, start, ground))
        to = start.centre + np.multiply(moves[len(asked) - 1], way)
        return replace(start, centre=to)

    monkeypatch.setattr(smoke, "fit_spot", fit_spot)
    one, bumps, hold = spot_at(), np.ones((2, X.size)), np.array([3.0, 4.0])
    found = smoke._fitted(
        points(), one, bumps, hold, 0.6, True, Ground(None, np.zeros((1, X.size)), np.ones(1))
    )
    assert len(asked) == rounds
    assert found.centre == pytest.approx(one.centre + sum(moves[:rounds]) * np.array(way))
    for centre, start, ground in asked:  # what the mark hides of the smoke follows the mark
        assert centre == pytest.approx(tuple(start.centre))
        assert ground.rows[1:] == pytest.approx(np.tile(1 - 0.6 * start.profile(X, Y), (2, 1)))
        assert ground.ridge == pytest.approx([1.0, 3.0, 4.0])


CENTRES = {1.0: (0.3, 0.0), 0.8: (0.0, 0.6), 0.6: (0.0, 0.0)}


def judged(monkeypatch, *, beside=0.78, best=0.54, paler=0.0, flatness=9.0, bumps=2, fails=False, under=-9.0):
    """What is made of a mark that left 100, with so much left beside it and by the best fit with smoke."""
    plain, ground = spot_at(rest=np.r_[10.0, np.zeros(X.size - 1)]), Ground(np.ones(X.size))
    held = []

    def left_beside(at, spot, rows, hold):
        assert spot is plain
        held.append(hold)
        return beside * at.left(plain)

    def fitted(at, spot, rows, hold, hidden, oval, on):
        assert on is ground
        if fails and hidden == 0.6:
            raise np.linalg.LinAlgError
        left = {1.0: 1.1, 0.8: 1.0, 0.6: 1.2}[hidden] * best * 100
        rest = np.r_[np.sqrt(left), np.zeros(X.size - 1)]
        centre = plain.centre + CENTRES[hidden]
        return replace(plain, centre=centre, rest=rest, flatness=flatness)

    # two points beside the mark tell whether smoke is paler than the tape, squares of `paler`; a point under
    # the mark and one without weight do not
    smoked = np.zeros(X.size)
    smoked[:2] = 3 * np.sqrt([1 - paler, paler]) * (1.0, -1.0)
    smoked[2], smoked[int(np.argmin(np.hypot(X - 1.0, Y + 1.0)))] = -9.0, under
    monkeypatch.setattr(smoke, "_bumps", lambda *_: np.ones((bumps, X.size)))
    monkeypatch.setattr(smoke, "_left_beside", left_beside)
    monkeypatch.setattr(smoke, "_fitted", fitted)
    monkeypatch.setattr(smoke, "_smoke", lambda *_: smoked)
    weight = np.where(np.arange(X.size) == 2, 0.0, 1.0)
    return plain, smoke.beside_smoke(points(weight=weight), plain, oval=True, ground=ground), held


def test_smoke_is_believed_where_it_explains_most_and_darkens(monkeypatch):
    plain, smoky, held = judged(monkeypatch)
    assert smoky.spot.centre == pytest.approx(plain.centre + CENTRES[0.8])  # the try that leaves least
    assert smoky.smoke[0] == pytest.approx(3.0)
    assert smoky.variance == pytest.approx(np.var(list(CENTRES.values()), axis=0))
    # a bump is as likely as 0.15 of the mark's height, against the noise
    assert held[0] == pytest.approx(np.full(2, (1.5 / (0.15 * 50.0)) ** 2))


@pytest.mark.parametrize(
    "why",
    [
        {"beside": 0.79},
        {"best": 0.56},
        {"paler": 0.16},
        {"bumps": 0},
        {"fails": True},
    ],
)
def test_smoke_that_explains_little_or_is_paler_than_the_tape_is_none(monkeypatch, why):
    plain, smoky, _ = judged(monkeypatch, **why)
    assert smoky.spot is plain
    assert not smoky.smoke.any() and smoky.smoke.shape == plain.rest.shape
    assert smoky.variance == pytest.approx(np.zeros(2))


def test_a_little_of_the_smoke_may_be_paler(monkeypatch):
    plain, smoky, _ = judged(monkeypatch, paler=0.14)
    assert smoky.spot is not plain


@pytest.mark.parametrize(("flatness", "moves"), [(1.9, False), (2.0, True)])
def test_a_soft_mark_doubts_half_of_what_smoke_would_move_it_by(monkeypatch, flatness, moves):
    plain, smoky, _ = judged(monkeypatch, flatness=flatness, under=0.0)
    assert (smoky.spot is not plain) == moves
    if not moves:
        assert not smoky.smoke.any()
        assert np.sqrt(smoky.variance) == pytest.approx(np.abs(CENTRES[0.8]) / np.array(2.0))

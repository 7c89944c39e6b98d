"""Registering two pictures, checked by sums written out here, with each part given."""

from __future__ import annotations

from importlib import import_module
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from test_pairs import VIEW

from vision.bare_tape import surface_basis
from vision.register import Sharpness, Shown, _shift_prior, _step, blurred
from vision.window import Grid, window_grid

module = import_module("vision.register")  # the module has a function of this name
GRID = window_grid(0.5)
U, V = np.meshgrid(*GRID.axes_mm())
NONE = np.zeros((2, 6))


def test_a_picture_s_blur_is_its_own_and_what_was_added():
    shown = Shown(np.zeros(0), VIEW, Sharpness(0.01, 0.02), (0.3, 0.1))
    assert shown.blurred_mm2() == pytest.approx((0.31, 0.12))


def test_a_window_is_shown_shifted_and_blurred(monkeypatch):
    """The shift is the sum of its terms at each point; a point's blur is as wide as given."""
    asked = {}

    def flatten_view(picture, view, grid, moved):
        asked.update(picture=picture, view=view, moved=moved)
        flat = np.zeros((grid.side, grid.side, 3), np.float32)
        flat[grid.side // 2, grid.side // 2] = 1.0
        return flat

    monkeypatch.setattr(module, "flatten_view", flatten_view)
    grid = Grid((4.0, -6.0), 0.1, 61)
    shift = np.arange(12.0).reshape(2, 6)
    seen = Shown("picture", VIEW, Sharpness(0, 0), (0.04, 0.09), shift).on(grid)
    x, y = (axis / 23.0 for axis in np.meshgrid(*grid.axes_mm()))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    assert asked["moved"] == pytest.approx(np.tensordot(shift, terms, axes=1))
    u, v = np.meshgrid(*Grid((0.0, 0.0), 0.1, 61).axes_mm())
    assert ((seen[..., 0] * u**2).sum(), (seen[..., 0] * v**2).sum()) == pytest.approx((0.04, 0.09), rel=0.05)
    Shown("picture", VIEW, Sharpness(0, 0)).on(grid)
    assert asked["moved"] is None


@pytest.mark.parametrize("which", [0, 1])
def test_a_blur_along_one_axis_leaves_the_other(which):
    point = np.zeros((61, 61, 3), np.float32)
    point[30, 30] = 1.0
    seen = blurred(point, ((0.04, 0.0), (0.0, 0.04))[which], Grid((0.0, 0.0), 0.1, 61))
    line = seen[30, :, 0] if which == 0 else seen[:, 30, 0]
    assert line.sum() == pytest.approx(1.0, abs=1e-4)
    assert line.max() == pytest.approx(1 / np.sqrt(2 * np.pi) / 2.0, rel=0.05)  # a Gaussian of two pixels


# a step, as a weighted least squares fit


def in_three_colours(values):
    return np.repeat(values[..., None], 3, axis=2).astype(np.float32)


def test_a_step_s_covariance_is_that_of_its_landmarks():
    """Slopes in a band of the window, whose levels are as expected: each point weighs by its noise (0.2) and
    by the shift that is still allowed; smoothing makes 4 pi s² points one; landmarks together tell no more
    than 0.04 mm."""
    slack, smooth, likely = 0.08, 1.0, np.diag([1 / 0.3**2, 1 / 0.2**2])
    expected = 40 * np.clip(U, -2, 2) + 30 * np.clip(V, -1, 1)
    step, doubt = _step(
        in_three_colours(expected), in_three_colours(expected), GRID, slack, smooth, NONE, likely
    )
    soft = cv2.GaussianBlur(expected, (0, 0), smooth)
    down, across = np.gradient(soft, GRID.pitch_mm)
    by_u, by_v = across, -down
    steep = np.hypot(by_u, by_v)
    radius = GRID.radius_mm()
    landmark = steep > 3.0 * np.median(steep[radius < 20.5])
    inside = radius < 22.5 - 3 * smooth * GRID.pitch_mm / 2
    counted = inside & landmark
    assert 0.05 < counted.sum() / inside.sum() < 0.4
    basis, du, dv = surface_basis(GRID)[:, counted], by_u[counted], by_v[counted]
    rows = np.vstack([basis * du, basis * dv])
    weight = 3 / (4 * np.pi * smooth**2) / (0.2**2 + slack**2 * (du**2 + dv**2))
    matrix = (rows * weight) @ rows.T
    matrix /= 1 + 0.04**2 * (matrix[0, 0] + matrix[6, 6]) / 2
    wanted = np.linalg.inv(matrix + np.kron(likely, np.eye(6)))
    assert doubt == pytest.approx(wanted, rel=0.02, abs=0.01 * np.abs(wanted).max())
    assert np.abs(step).max() < 1e-6


def test_a_step_weighs_what_was_likely_against_what_is_seen():
    """With little known of the tape (0.04 mm) and as much from before, it goes half the way."""

    def tape(away):
        return in_three_colours(60 * np.cos((U + away) * 1.2) * (np.abs(U) < 8) * (np.abs(V) < 8))

    steps = [
        _step(tape(0.05), tape(0.0), GRID, 0.15, 1.0, NONE, np.eye(2) / sd**2)[0][0, 0] for sd in (1.0, 0.04)
    ]
    assert steps[0] == pytest.approx(0.05, abs=0.012)
    assert steps[1] == pytest.approx(steps[0] / 2, rel=0.25)


def test_what_differs_by_far_more_than_is_allowed_pulls_no_shift():
    """An old mark that was burnt on: its edge has another height, not another place."""
    spots = [(-12.0, 4.0), (9.0, 9.0), (4.0, -12.0)]

    def tape(depths, away=0.0):
        levels = np.full(U.shape, 180.0)
        for depth, (u, v) in zip(depths, spots, strict=True):
            levels -= depth / (1 + np.exp((np.hypot(U - u + away, V - v) - 2.5) / 0.4))
        return in_three_colours(levels)

    same, _ = _step(tape((60, 60, 60), 0.06), tape((60, 60, 60)), GRID, 0.08, 1.0, NONE, np.eye(2))
    half = np.where(U > 9.0, 100.0, 0.0) * (np.hypot(U - 9, V - 9) < 3)  # on one side of the second alone
    burnt, _ = _step(
        tape((60, 60, 60), 0.06) - in_three_colours(half),
        tape((60, 60, 60)),
        GRID,
        0.08,
        1.0,
        NONE,
        np.eye(2),
    )
    assert same[0, 0] == pytest.approx(0.06, abs=0.015)
    assert burnt[0, 0] == pytest.approx(same[0, 0], abs=0.015)


# what is likely, and when nothing is sought


@pytest.mark.parametrize("between", [(0.3, 0.0), (0.2, -0.4)])
def test_what_is_likely_is_the_tape_s_height_and_both_cards_places(monkeypatch, between):
    sigmas = {"a": np.array([0.02, 0.03]), "b": np.array([0.04, 0.01])}
    monkeypatch.setattr(module, "card_sigma", lambda view, at: sigmas[view])
    shown, earlier = (SimpleNamespace(view=name) for name in sigmas)
    likely = np.linalg.inv(_shift_prior(shown, earlier, np.array(between)))
    card = np.diag([0.02**2 + 0.04**2 + 0.01**2, 0.03**2 + 0.01**2 + 0.01**2])
    assert likely == pytest.approx(0.3**2 * np.outer(between, between) + card)


@pytest.mark.parametrize(("apart", "sought"), [(0.039, False), (0.041, True)])
def test_a_shift_is_sought_between_views_from_elsewhere(monkeypatch, apart, sought):
    slopes = {"now": np.array([0.3, 0.1]), "then": np.array([0.3 - 0.6 * apart, 0.1 + 0.8 * apart])}
    steps, priors = [], []

    def prior(shown, earlier, between):
        priors.append(between)
        return np.eye(2)

    def step(*asked):
        steps.append(asked)
        return np.zeros((2, 6)), np.eye(12)

    views = {name: SimpleNamespace(name=name) for name in slopes}
    flat = np.zeros((3, 3, 3), np.float32)
    monkeypatch.setattr(module, "sight_slope", lambda view, shape, at: slopes[view.name])
    blur = {"after": Sharpness(0.01, 0.05), "before": Sharpness(0.04, 0.02)}
    pictures = {name: SimpleNamespace(name=name, shape=(9, 9, 3)) for name in blur}
    monkeypatch.setattr(module, "sharpness", lambda picture, view: blur[picture.name])
    monkeypatch.setattr(module, "_shift_prior", prior)
    monkeypatch.setattr(module, "_step", step)
    monkeypatch.setattr(module, "fit_tape", lambda *_: SimpleNamespace(expected=lambda grid, known: flat))
    monkeypatch.setattr(module, "_as_toned", lambda seen, expected, *_: expected)
    monkeypatch.setattr(Shown, "on", lambda self, grid: flat)
    shown, earlier = module.register(pictures["after"], views["now"], pictures["before"], views["then"])
    assert (shown.own, earlier.own) == (blur["after"], blur["before"])
    assert shown.blur_mm2 == pytest.approx((0.03, 0.0))  # each is blurred where the other is softer
    assert earlier.blur_mm2 == pytest.approx((0.0, 0.03))
    assert (shown.view, earlier.view) == (views["now"], views["then"])
    assert bool(steps) == sought
    if sought:
        assert priors[0] == pytest.approx(slopes["now"] - slopes["then"])
        assert steps[0][2].pitch_mm == 0.4
    assert earlier.shift == pytest.approx(NONE)


# a scene in the light of lamps


@pytest.mark.parametrize("lit", [False, True])
def test_unmarked_tape_is_brighter_by_the_lamps_share(lit):
    measure = import_module("vision.measure")
    window = window_grid(0.5)
    grid = Grid((2.0, -3.0), 0.25, 21)
    u, _ = np.meshgrid(*window.axes_mm())
    light = (0.01 * u[..., None] + np.zeros(3)).astype(np.float32) if lit else None
    asked = []

    def expected(grid, before):
        asked.append(before)
        return np.full((21, 21, 3), 200.0, np.float32)

    scene = measure.Scene(None, VIEW, SimpleNamespace(expected=expected), window, 0.1, light)
    at_u, _ = np.meshgrid(*grid.axes_mm())
    wanted = 200 * (1 + 0.01 * at_u) if lit else np.full((21, 21), 200.0)
    assert scene.unmarked(grid)[..., 1] == pytest.approx(wanted, rel=1e-3)
    assert asked == [None]

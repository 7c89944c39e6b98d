"""How a bent card's cylinder is found: the first guess from edges, and the steps of the corners' fit."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vision import bend, edges
from vision.card import card_sheet
from vision.homography import jacobian, project

SHAPE = (1000, 1200)
CORNERS = list(card_sheet("mirror-1").markers.values())
TILTED = np.array([(7.0, 0.4, 580.0), (-0.3, -6.6, 510.0), (2e-4, -4e-4, 1.0)])


@pytest.mark.parametrize("tensor", [(1 / 180, 0.0, 0.0), (0.0, 0.0, -1 / 220), (1 / 260, 1 / 130, 1 / 260)])
@pytest.mark.parametrize("lens", [0.0, 0.02])
@pytest.mark.parametrize("known", [0.0, 0.01])
def test_a_slight_bend_is_told_by_the_edges_whatever_the_lens_does(monkeypatch, tensor, lens, known):
    """Edges that lie off as a sheet of that height and a lens would show them. A point h below the plane is
    seen h / e farther from the foot of the eye, which is e high; the height is half the curvature times the
    square of the place. What the flat fit already knows of the lens is in what is expected."""
    flat = SimpleNamespace(homography=TILTED, lens=known)
    seen = {}

    def offsets(grey, expected, normal, across):
        points = edges._edge_points(CORNERS)[0]
        by_lens = edges._by_lens(TILTED, points, SHAPE)
        eye = bend.eye_of(TILTED, SHAPE, bend.likeliest_focal(TILTED, SHAPE))
        u, v = points.T
        height = -0.5 * (tensor[0] * u * u + tensor[1] * u * v + tensor[2] * v * v)
        moved = (
            np.einsum("nij,nj->ni", jacobian(TILTED, points), points - eye[:2]) * (height / eye[2])[:, None]
        )
        seen["expected"] = expected - known * by_lens
        off = (normal * (moved + (lens - known) * by_lens)).sum(axis=1)
        return off, np.ones(len(off), bool), 0.0

    monkeypatch.setattr(edges, "_edge_offsets", offsets)
    found = edges.first_bend(np.zeros(SHAPE, np.uint8), CORNERS, flat)
    assert found is not None
    wanted = bend.bend_of_tensor(np.array(tensor), np.array(found.eye))
    assert found.curvature == pytest.approx(wanted.curvature, rel=2e-3)
    assert np.cos(2 * (found.direction - wanted.direction)) == pytest.approx(1.0, abs=1e-4)
    points, _ = edges._edge_points(CORNERS)
    homogeneous = np.column_stack([points, np.ones(len(points))]) @ TILTED.T
    assert seen["expected"] == pytest.approx(homogeneous[:, :2] / homogeneous[:, 2:])


@pytest.mark.parametrize(("share", "bent"), [(0.89, True), (0.91, False)])
def test_a_bend_must_leave_less_than_nine_tenths_of_what_a_flat_card_leaves(monkeypatch, share, bent):
    def solve(design, offset, good):  # of a flat card ten parameters, three more of a bent one
        left = {10: 1.0, 13: share}[design.shape[1]]
        return SimpleNamespace(rms_px=lambda: left, solution=np.full(13, 0.5))

    monkeypatch.setattr(edges, "_solve", solve)
    count = len(edges._edge_points(CORNERS)[0])
    monkeypatch.setattr(edges, "_edge_offsets", lambda *_: (np.zeros(count), np.ones(count, bool), 0.0))
    flat = SimpleNamespace(homography=TILTED, lens=0.0)
    assert (edges.first_bend(np.zeros(SHAPE, np.uint8), CORNERS, flat) is not None) == bent


# the fit of the edges, where each edge's distance is given exactly


def fitted(monkeypatch, *, lens=0.0, curved=None, rounds=10, hidden=0.0, good=None):
    """The fit of a card that is seen by a known homography and lens, flat or bent, from a rough start."""
    truth = TILTED
    eye = bend.eye_of(truth, SHAPE, 1.1)
    true_bend = None if curved is None else bend.Bend(*curved, tuple(eye))
    sheet = edges._edge_points(CORNERS)[0]
    flat = bend.apparent(sheet, true_bend)
    places = project(truth, flat) + lens * edges._by_lens(truth, flat, SHAPE)
    asked = []

    def offsets(grey, expected, normal, across):
        asked.append(expected)
        seen = np.ones(len(sheet), bool) if good is None else good
        return (normal * (places - expected)).sum(axis=1), seen, hidden

    monkeypatch.setattr(edges, "_edge_offsets", offsets)
    rough = truth @ np.array([(1.004, 0.001, 0.3), (-0.001, 0.997, -0.2), (1e-6, 0, 1.0)])
    start = None if curved is None else true_bend.turned(-5e-4, 0.05).seen_from(eye * 1.05)
    fit = edges.fit_edges(np.zeros(SHAPE, np.uint8), CORNERS, rough, rounds=rounds, bend=start)
    return fit, truth, true_bend, len(asked)


@pytest.mark.parametrize("lens", [0.0, 0.015, -0.01])
def test_a_flat_card_s_homography_and_lens_are_found(monkeypatch, lens):
    fit, truth, _, rounds = fitted(monkeypatch, lens=lens)
    window = np.array([(-20.0, 0.0), (20.0, 5.0), (0.0, -20.0), (0.0, 0.0)])
    assert project(fit.homography, window) == pytest.approx(project(truth, window), abs=0.02)
    assert fit.lens == pytest.approx(lens, abs=3e-4)
    assert (fit.edges_used, fit.left_out, fit.bend) == (16, 0.0, None)
    assert fit.rms_px < 0.01
    assert 2 <= rounds <= 5


@pytest.mark.parametrize("curved", [(1 / 150, 0.0), (-1 / 200, 0.7), (1 / 180, 1.5)])
def test_a_bent_card_s_cylinder_is_found_with_its_homography(monkeypatch, curved):
    fit, truth, true_bend, _ = fitted(monkeypatch, curved=curved, lens=0.005)
    assert fit.bend.curvature == pytest.approx(true_bend.curvature, rel=0.02)
    assert fit.bend.direction == pytest.approx(true_bend.direction, abs=0.02)
    window = np.array([(-20.0, 0.0), (20.0, 5.0), (0.0, -20.0), (0.0, 0.0)])
    seen = project(fit.homography, fit.bend.apparent(window))
    assert seen == pytest.approx(project(truth, true_bend.apparent(window)), abs=0.05)
    assert fit.rms_px < 0.05


def test_a_bent_card_s_fit_starts_from_the_likeliest_focal_length(monkeypatch):
    asked, design = [], edges._bend_design

    def noted(sheet, homography, normal, bent, ratio, shape):
        asked.append(ratio)
        return design(sheet, homography, normal, bent, ratio, shape)

    monkeypatch.setattr(edges, "_bend_design", noted)
    monkeypatch.setattr(edges, "likeliest_focal", lambda *_: 1.23)
    fitted(monkeypatch, curved=(1 / 150, 0.0), rounds=1)
    assert asked == [1.23]


def test_so_many_rounds_are_made_as_are_allowed(monkeypatch):
    assert fitted(monkeypatch, rounds=1)[3] == 1
    fit, truth, _, rounds = fitted(monkeypatch, rounds=2)
    assert rounds == 2
    assert project(fit.homography, np.zeros((1, 2))) == pytest.approx(
        project(truth, np.zeros((1, 2))), abs=0.1
    )


def test_edges_of_which_no_point_is_seen_are_not_used(monkeypatch):
    seen = np.ones((16, 24), bool)
    seen[3], seen[7, 1:] = False, False
    fit = fitted(monkeypatch, good=seen.ravel())[0]
    assert fit.edges_used == 15
    assert fit.left_out == 0.0  # of those that are seen


def test_what_hides_in_an_edge_makes_the_place_less_sure(monkeypatch):
    sure, unsure = (fitted(monkeypatch, hidden=hidden)[0] for hidden in (0.1, 0.2))
    at = np.array([3.0, -4.0])
    assert unsure.sigma_mm(at) == pytest.approx(4 * sure.sigma_mm(at), rel=0.02)


@pytest.mark.parametrize("curved", [(1 / 150, 0.3), (-1 / 220, 1.2)])
def test_a_bend_s_derivatives_are_differences(curved):
    """By curvature in 0.002 / mm, direction in 0.2 rad, and the logarithm of the focal length."""
    ratio, step = 1.1, 1e-3
    eye = bend.eye_of(TILTED, SHAPE, ratio)
    one = bend.Bend(*curved, tuple(eye))
    sheet = edges._edge_points(CORNERS)[0]
    normal = np.column_stack([np.full(len(sheet), 0.6), np.full(len(sheet), -0.8)])
    design = edges._bend_design(sheet, TILTED, normal, one, ratio, SHAPE)

    def seen(sign):
        farther = bend.eye_of(TILTED, SHAPE, ratio * np.exp(sign * step))
        tried = (one.turned(sign * step * 0.002, 0), one.turned(0, sign * step * 0.2), one.seen_from(farther))
        return [(project(TILTED, bent.apparent(sheet)) * normal).sum(axis=1) for bent in tried]

    wanted = [(more - less) / (2 * step) for more, less in zip(seen(1), seen(-1), strict=True)]
    assert design == pytest.approx(np.stack(wanted, axis=1), abs=0.01 * np.abs(wanted).max())


@pytest.mark.parametrize("shape", [(1000, 1200), (1200, 700)])
def test_a_lens_bends_the_picture_about_its_middle(shape):
    """What a homography cannot follow of it about the window, in whole numbers of the picture's pixels."""
    window = np.column_stack([axis.ravel() for axis in np.meshgrid(*[np.linspace(-18, 18, 5)] * 2)])
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    px = project(TILTED, window)
    away = px - middle
    pushed = away * (away**2).sum(axis=1, keepdims=True) / (middle @ middle)
    maps = np.einsum("nij,njk->nik", jacobian(TILTED, window), edges.point_terms(window)).reshape(-1, 8)
    left = pushed.ravel() - maps @ np.linalg.lstsq(maps, pushed.ravel(), rcond=None)[0]
    assert edges._by_lens(TILTED, window, shape) == pytest.approx(left.reshape(-1, 2), abs=1e-6)


@pytest.mark.parametrize("log_focal", [0.0, 0.3, -0.2])
def test_where_nothing_tells_the_focal_length_it_goes_back_to_the_usual_one(log_focal):
    """Where edges tell it too, what is usual counts by their noise against a quarter of the focal length."""
    rng = np.random.default_rng(2)
    design = np.column_stack([rng.normal(0, 1, (384, 12)), np.zeros(384)])
    offset, good = rng.normal(0, 0.1, 384), np.ones(384, bool)
    assert edges._solve(design, offset, good, log_focal).solution[12] == pytest.approx(-log_focal)
    design[:, 12] = rng.normal(0, 0.02, 384)
    usual, moved = (edges._solve(design, offset, good, focal).solution[12] for focal in (0.0, log_focal))
    known, held = np.square(design[:, 12]).sum() / 0.1**2, 1 / 0.25**2
    assert moved - usual == pytest.approx(-log_focal * held / (known + held), rel=0.15, abs=1e-9)


# the steps of the corners' fit


def stepped(monkeypatch, target, start=(0.0, 0.0, 0.0)):
    """All parameters that are tried, where what is left is how far they are from a target, in px."""
    tried = []
    scale = np.array([1e5, 1e3, 1e3])

    def off(sheet, seen, shape, params):
        tried.append(np.array(params))
        return (params - target) * scale, None, None

    monkeypatch.setattr(bend, "_corners_off", off)
    left, found = bend._descend(None, None, SHAPE, np.array(start))
    return left, found, np.array(tried)


def test_a_step_of_a_bend_is_not_longer_than_a_curvature_of_1_in_250_mm(monkeypatch):
    """Three steps for the derivatives, then the step itself."""
    _, _, tried = stepped(monkeypatch, np.array([0.1, 9.0, -9.0]))
    assert tried[1:4] - tried[0] == pytest.approx(np.diag([1e-6, 1e-4, 1e-4]), rel=1e-6)
    assert tried[4] == pytest.approx([0.004, 0.5, -0.3])
    assert tried[8] - tried[4] == pytest.approx([0.004, 0.5, -0.3])


def test_a_bend_that_is_near_is_found_and_the_steps_end(monkeypatch):
    """Damped by a hundredth, the first step goes 100 / 101 of the way; the next is damped a fifth of that."""
    target = np.array([0.001, 0.05, -0.02])
    left, found, tried = stepped(monkeypatch, target)
    assert found == pytest.approx(target, abs=1e-6)
    assert tried[4] == pytest.approx(target / 1.01, rel=1e-4)
    assert tried[8] == pytest.approx(target * (1 - 0.01 / 1.01 * (1 - 1 / 1.002)), rel=1e-5)
    assert left < 1e-2
    assert len(tried) <= 1 + 4 * 3  # a gain of less than a hundredth of a px² is the last


def test_a_step_that_makes_it_worse_is_tried_shorter(monkeypatch):
    """What is left does not fall: each time ten times as much damping, fifteen times in all."""
    tried = []

    def off(sheet, seen, shape, params):
        tried.append(np.array(params))
        return np.array([5.0 + abs(len(tried) > 1), *(params * (1e3, 1.0, 1.0))]), None, None

    monkeypatch.setattr(bend, "_corners_off", off)
    left, found = bend._descend(None, None, SHAPE, np.array([0.001, 0.0, 0.0]))
    assert found == pytest.approx([0.001, 0.0, 0.0])
    assert left == pytest.approx(26.0)
    steps = np.abs(np.array(tried[4::4])[:, 0] - 0.001)
    assert len(steps) == 15
    assert (np.diff(steps) < 0).all()

"""Steps of a shift, of a fit and of a search, by closed cases."""

from __future__ import annotations

import math
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from test_pairs import VIEW, camera, disc

from vision import find
from vision.bend import Bend
from vision.candidates import _of_part, _parts
from vision.edges import _seen_flat
from vision.fit import _M_HIGH, _M_LOW, Ground, _bounded, _Kind, _normal_equations, _Problem
from vision.measure import _is_vague
from vision.reading import CardView
from vision.register import _as_toned, _step, sharpness
from vision.roughness import harmonics
from vision.window import window_grid

module = import_module("vision.register")
GRID = window_grid(0.4)
U, V = np.meshgrid(*GRID.axes_mm())
NONE = np.zeros((2, 6))
LOOSE = np.eye(2) / 0.3**2


def stack(values):
    return np.repeat(values[..., None], 3, axis=2).astype(np.float32)


def spots(u, v):
    """Five landmarks over the window."""
    places = [(0.0, 0.0), (12.0, 8.0), (-12.0, 8.0), (11.0, -9.0), (-11.0, -9.0)]
    return 180 - 90 * sum(disc(u, v, at, 2.0, 0.4) for at in places)


# a step of the shift


@pytest.mark.parametrize("shift", [(0.08, 0.0), (-0.08, 0.0), (0.0, 0.08), (0.05, -0.07)])
def test_a_step_finds_a_shift_both_ways(shift):
    step, doubt = _step(
        stack(spots(U + shift[0], V + shift[1])), stack(spots(U, V)), GRID, 0.15, 1.0, NONE, LOOSE
    )
    assert step[:, 0] == pytest.approx(shift, abs=0.02)
    assert np.abs(step[:, 1:]).max() < 0.05
    assert doubt == pytest.approx(doubt.T, abs=1e-7)
    assert np.linalg.eigvalsh(doubt).min() > 0


@pytest.mark.parametrize("which", [0, 1])
def test_a_step_finds_a_stretch(which):
    shares = (U, V)[which] / 23
    moved = [U, V]
    moved[which] = moved[which] + 0.1 * shares
    step, _ = _step(stack(spots(*moved)), stack(spots(U, V)), GRID, 0.15, 1.0, NONE, LOOSE)
    assert step[which, 1 + which] == pytest.approx(0.1, abs=0.03)
    assert np.abs(np.delete(step.ravel(), 6 * which + 1 + which)).max() < 0.04


@pytest.mark.parametrize("channel", range(3))
def test_each_colour_tells_a_shift(channel):
    seen, expected = (stack(np.full(U.shape, 180.0)) for _ in range(2))
    seen[..., channel], expected[..., channel] = spots(U + 0.08, V), spots(U, V)
    step, _ = _step(seen, expected, GRID, 0.15, 1.0, NONE, LOOSE)
    assert step[0, 0] == pytest.approx(0.08, abs=0.02)


def test_a_step_goes_back_to_what_is_likely_where_nothing_tells_a_shift():
    so_far = np.arange(12.0).reshape(2, 6) / 50
    blank = stack(np.full(U.shape, 180.0))
    step, doubt = _step(blank, blank, GRID, 0.15, 1.0, so_far, LOOSE)
    assert step == pytest.approx(-so_far, abs=1e-6)
    assert doubt == pytest.approx(0.09 * np.eye(12), rel=1e-4)


def test_a_landmark_is_trusted_to_a_few_hundredths_of_a_millimetre_only():
    """However sharp: its sides may be lit otherwise."""
    sure = _step(stack(spots(U, V)), stack(spots(U, V)), GRID, 0.001, 0.7, NONE, np.eye(2) / 100)[1]
    assert 0.04 < np.sqrt(sure[0, 0]) < 0.13
    assert 0.04 < np.sqrt(sure[6, 6]) < 0.13


def test_a_new_mark_pulls_no_shift():
    new = 60 * disc(U, V, (4.0, -3.0), 2.5, 0.4)
    step, _ = _step(stack(spots(U + 0.05, V) - new), stack(spots(U, V)), GRID, 0.15, 1.0, NONE, LOOSE)
    assert step[:, 0] == pytest.approx((0.05, 0.0), abs=0.02)


@pytest.mark.parametrize(
    ("steps", "taken"), [([0.5, 0.3, 0.2, 0.1], 4), ([0.5, 0.003], 2), ([0.0039], 1), ([0.0041, 0.001], 2)]
)
def test_steps_are_taken_until_they_are_small(monkeypatch, steps, taken):
    turned = camera((0.25, -0.15, 0.02), (1.0, 0.0, 200.0), shape=(780, 660))[0]
    calls, doubt = [], 0.01 * np.eye(12)

    def step(seen, expected, grid, slack, smooth, so_far, prior):
        calls.append((slack, smooth, float(so_far[1, 2])))
        moved = np.zeros((2, 6))
        moved[1, 2] = -steps[len(calls) - 1]
        return moved, len(calls) * doubt

    tape = SimpleNamespace(expected=lambda grid, before: before)
    monkeypatch.setattr(module, "_step", step)
    monkeypatch.setattr(module, "sharpness", lambda *_: module.Sharpness(0.01, 0.01))
    monkeypatch.setattr(module, "fit_tape", lambda *_: tape)
    monkeypatch.setattr(module, "_as_toned", lambda seen, expected, *_: expected)
    monkeypatch.setattr(module, "_shift_prior", lambda *_: np.diag([4.0, 1 / 0.1**2]))
    monkeypatch.setattr(module.Shown, "on", lambda self, grid: np.zeros((2, 2, 3)))
    view = CardView(4, 0.05, 4.5, 18.0, turned)
    photo = np.zeros((780, 660, 3), np.uint8)
    shown, earlier = module.register(photo, view, photo, VIEW)
    assert len(calls) == taken
    assert [slack for slack, _, _ in calls] == pytest.approx([0.15, 0.08, 0.04, 0.04][:taken])
    assert [smooth for _, smooth, _ in calls] == [1.5, 1.0, 0.7, 0.7][:taken]
    assert [so_far for _, _, so_far in calls] == pytest.approx([-sum(steps[:i]) for i in range(taken)])
    assert earlier.shift[1, 2] == pytest.approx(-sum(steps[:taken]))
    assert earlier.doubt == pytest.approx(taken * doubt)
    assert shown.shift is None
    calls.clear()
    monkeypatch.setattr(module, "_shift_prior", lambda *_: np.diag([4.0, 25.0]) * 100)
    module.register(photo, view, photo, VIEW)
    assert [slack for slack, _, _ in calls] == pytest.approx([0.05, 0.05, 0.04, 0.04][:taken])
    calls.clear()
    _, earlier = module.register(photo, VIEW, photo, VIEW)  # a camera on a stand
    assert not calls and not earlier.shift.any()


def test_the_blur_at_the_markers_is_that_of_a_gaussian_step(monkeypatch):
    """The integral of S (1 - S) over a Gaussian step is its standard deviation over the root of pi."""
    erf = np.vectorize(math.erf)
    x = np.linspace(-1.5, 1.5, 301)
    steps = np.array([(1 + erf(x / sd / np.sqrt(2))) / 2 for sd in (0.2, 0.2, 0.3)])
    profiles = [(steps, 1.5, np.array([True, True, False]))]
    monkeypatch.setattr(module, "edge_profiles", lambda *_: profiles[0])
    monkeypatch.setattr(module, "to_grey", lambda picture: picture)
    seen = sharpness(None, VIEW)
    assert (seen.along_u, seen.along_v) == pytest.approx((0.04, 0.09), rel=0.02)
    assert seen.sd_mm == pytest.approx(0.3, rel=0.01)
    profiles[0] = (steps[:2], 1.5, np.array([True, True]))
    seen = sharpness(None, VIEW)
    assert (seen.along_u, seen.along_v) == pytest.approx((0.04, 0.04), rel=0.02)
    profiles[0] = (steps[:0], 1.5, np.zeros(0, bool))
    assert sharpness(None, VIEW).sd_mm == 0.0


def test_the_window_alone_tells_the_tones():
    inside = np.hypot(U, V) < 22.4
    tape, old = np.full(U.shape, 180.0), np.where(np.abs(U) < 5, 60.0, 180.0)
    seen = np.where(inside, np.where(old < 100, 90.0, 180.0), 10.0)
    toned = _as_toned(stack(seen), stack(old), stack(tape), GRID)
    assert toned[inside & (old < 100)] == pytest.approx(90.0, rel=0.02)
    assert toned[old > 100] == pytest.approx(180.0, rel=0.01)


# an edge on a bent sheet


@pytest.mark.parametrize("u", [-40.0, 0.0, 25.0])
@pytest.mark.parametrize("way", [0.0, 45.0, 90.0, 200.0])
def test_an_edge_of_a_bent_sheet_moves_across_itself(u, way):
    """Seen from afar, a cylinder about v shortens lengths along u by c = cos(u / r), and no others."""
    radius, angle = 90.0, np.radians(way)
    c = np.cos(u / radius)
    out = np.array([np.cos(angle), np.sin(angle)])
    points, normal = _seen_flat(np.array([(u, 7.0)]), out[None], Bend(1 / radius, 0.0, (0.0, 0.0, 1e9)))
    across = np.array([out[0], c * out[1]])  # at right angles to the edge (c sin, -cos) as it is seen
    across /= np.linalg.norm(across)
    assert points[0] == pytest.approx((radius * np.sin(u / radius), 7.0), abs=1e-4)
    assert normal[0] == pytest.approx(across * (across @ (c * out[0], out[1])), abs=1e-4)
    same, still = _seen_flat(points, out[None], None)
    assert same is points and np.array_equal(still, out[None])


# a fit's normal equations


@pytest.mark.parametrize("oval", [False, True])
@pytest.mark.parametrize(
    ("flatness", "pull", "held"),
    [
        (_M_LOW, -1, True),
        (_M_LOW, 1, False),
        (_M_HIGH, 1, True),
        (_M_HIGH, -1, False),
        (_M_LOW + 0.1, -1, False),
        (_M_HIGH - 0.1, 1, False),
    ],
)
def test_a_flatness_at_its_bound_is_held_if_it_wants_out(oval, flatness, pull, held):
    x, y = (axis.ravel() for axis in np.meshgrid(np.linspace(-4, 4, 21), np.linspace(-4, 4, 21)))
    kind = _Kind(oval)
    problem = _Problem(x, y, np.zeros(x.size), None, kind, Ground())
    params = problem.first_guess(2.0, flatness)
    params[kind.linear] = 3.0
    basis = problem.basis(params)
    rest = pull * basis[kind.flatness]
    matrix, gradient = _normal_equations(problem, params, basis, rest)
    scale, at = problem.scale(params), kind.flatness
    plain = (basis @ basis.T) * np.outer(scale, scale)
    wanted, wants = plain.copy(), (basis @ rest) * scale
    assert np.sign(wants[at]) == pull
    if held:
        wanted[at], wanted[:, at], wants[at] = 0.0, 0.0, 0.0
        wanted[at, at] = 1.0
    assert matrix == pytest.approx(wanted)
    assert gradient == pytest.approx(wants)


@pytest.mark.parametrize(
    ("flatness", "kept"), [(_M_LOW - 1, _M_LOW), (_M_LOW + 1, _M_LOW + 1), (_M_HIGH + 1, _M_HIGH)]
)
def test_a_flatness_stays_within_its_bounds(flatness, kept):
    params = np.array([9.0, 9.0, 9.0, flatness, 9.0])
    assert _bounded(params, _Kind(False)) == pytest.approx([9.0, 9.0, 9.0, kept, 9.0])


# a search


@pytest.mark.parametrize(
    ("outer", "inner", "count"),
    [
        (8.0, 7.2, 0),  # a pen's ring
        (8.0, 6.1, 1),  # 0.42 of its disc
        (8.0, 6.4, 1),  # 0.36, but wider than a pen's line of 1.4 mm
        (5.5, 5.0, 1),  # no larger than a mark
        (8.0, 0.0, 1),
        (0.4, 0.0, 1),
        (0.2, 0.0, 0),
    ],
)
def test_a_large_thin_ring_is_a_pen_s(outer, inner, count):
    grid = window_grid(0.2)
    u, v = grid.axes_mm()
    away = np.hypot(u[None, :] - 1.0, v[:, None] + 2.0)
    part = (away < outer) & (away >= inner)
    found = _of_part(part, 7.0 * part, stack(50.0 * part), np.eye(3), grid)
    assert len(found) == count
    for one in found:
        assert one.centre_mm == pytest.approx((1.0, -2.0), abs=0.05)
        assert one.radius_mm == pytest.approx(outer, abs=0.15)
        assert one.colour == pytest.approx(1 / 3)
        assert one.strength == 7.0


@pytest.mark.parametrize(("size", "kept"), [(9, 1), (10, 2), (11, 2)])
def test_parts_that_are_tiny_beside_the_largest_are_left_out(size, kept):
    mask = np.zeros((30, 30), bool)
    mask[2:12, 2:12] = True
    mask[20, 5 : 5 + size] = True
    assert [part.sum() for part in _parts(mask)] == [100, size][:kept]
    assert _parts(np.zeros((9, 9), bool)) == []


# a bent card


@pytest.mark.parametrize(
    ("side", "off", "slight", "way"),
    [
        (50.0, 1.25, True, "corners"),
        (50.0, 1.15, True, "slight"),
        (50.0, 1.15, False, None),
        (200.0, 2.45, False, "corners"),
        (200.0, 2.35, False, None),
    ],
)
@pytest.mark.parametrize(("misfit", "over_sd"), [(0.74, 3.1), (0.76, 3.1), (0.74, 2.9)])
def test_a_card_is_taken_as_bent_where_its_corners_or_edges_say_so(
    monkeypatch, side, off, slight, way, misfit, over_sd
):
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * side
    corners = {i: np.add(square, (3.0 * i * side, 0.0)) for i in range(4)}
    shifts = [(off, off), (off, -off), (-off, -off), (-off, off)]
    seen = [find.Marker(i, at + shift) for (i, at), shift in zip(corners.items(), shifts, strict=True)]
    flat = SimpleNamespace(misfit_px=1.0, homography=np.eye(3))
    bent = SimpleNamespace(misfit_px=misfit, bend_over_sd=over_sd)

    def fit_edges(grey, edges, start, bend=None):
        if bend is None:
            return flat
        bent.way, bent.start = bend, start
        return bent

    monkeypatch.setattr(find, "fit_edges", fit_edges)
    monkeypatch.setattr(find, "bend_of_corners", lambda sheet, px, shape: ("start", "corners"))
    monkeypatch.setattr(find, "first_bend", lambda *_: "slight" if slight else None)
    grey = np.zeros((9, 9), np.uint8)
    found = find._flat_or_bent(grey, list(corners.values()), np.eye(3), corners, seen)
    assert (found is bent) == (way is not None and misfit < 0.75 and over_sd > 3)
    if way:
        assert bent.way == way
        assert bent.start == "start" if way == "corners" else bent.start is flat.homography
    assert find._flat_or_bent(grey, [], np.eye(3), corners, seen[:2]) is flat


# a mark too rough to be one


def rough_spot(waves=(), sigma=0.0, radius=1.0, flatness=0.0):
    """Points all round a circle whose only pull is on their own angle; rest is what waves tell."""
    angle = np.linspace(-np.pi, np.pi, 720, endpoint=False)
    x, y = np.cos(angle), np.sin(angle)
    rest = sum((size * np.cos(number * angle) for number, size in waves), np.zeros(720))
    return (
        x,
        y,
        SimpleNamespace(
            centre=np.zeros(2),
            influence=np.array([x, y]) / 360,
            rest=rest,
            covariance=np.diag([sigma**2, sigma**2 / 4]),
            form=np.eye(2) * max(flatness, 1.0) / radius**2,
            flatness=flatness,
            radius=lambda: radius,
            widths=lambda: (2 * radius, 2 * radius, 0.0),
        ),
    )


@pytest.mark.parametrize("number", [3, 4, 5])
@pytest.mark.parametrize(("pixel", "hidden"), [(0.0, 0.0), (0.1, 0.09), (0.3, 0.81), (0.5, 1.4), (2.0, 1.4)])
@pytest.mark.parametrize("flatness", [-0.5, 6.0])
def test_a_mark_is_vague_by_its_first_three_harmonics(number, pixel, hidden, flatness):
    """A wave of height a pulls by a; its power is a²/2, and a third of it is the mean of the three."""
    size = 0.06
    x, y, spot = rough_spot([(number, size)], flatness=flatness)
    sigma = np.sqrt(3.6 * np.exp(hidden) * size**2 / 2 / 3)
    assert _is_vague(spot, x, y, 0.999 * sigma / 0.018, pixel)
    assert not _is_vague(spot, x, y, 1.001 * sigma / 0.018, pixel)


def test_higher_harmonics_make_no_mark_vague_but_its_noise_does():
    x, y, spot = rough_spot([(2, 0.5), (6, 0.5), (7, 0.5)], sigma=0.03)
    assert _is_vague(spot, x, y, 0.029 / 0.018, 0.0)
    assert not _is_vague(spot, x, y, 0.031 / 0.018, 0.0)


def test_harmonics_are_powers_and_the_noise_is_the_median_s():
    x, y, spot = rough_spot([(3, 0.2), (6, 0.1)])
    power, noise = harmonics(spot, np.arctan2(y, x))
    assert power == pytest.approx(np.r_[0, 0.2**2, 0, 0, 0.1**2, np.zeros(9)] / 2, abs=1e-12)
    middle = 1.4826 * np.median(np.abs(spot.rest))
    assert noise == pytest.approx(middle**2 / 360)
    spot.widths = lambda: (2.2, 1.8, 0.4)  # radii from 1.1 to 0.9: a wave of a tenth
    assert harmonics(spot, np.arctan2(y, x))[0][0] == pytest.approx(0.1**2 / 2)
    spot.influence = np.zeros((2, 720))
    assert harmonics(spot, np.arctan2(y, x))[1] == 0.0

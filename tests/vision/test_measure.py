"""From a candidate to a mark, part by part: closed cases of the crop, the fit and its uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ive
from test_pairs import VIEW, disc, plane

from vision.candidates import Candidate
from vision.core import marks_on
from vision.fit import Spot, fit_spot
from vision.measure import (
    _by_eighths,
    _by_sectors,
    _is_faint,
    _rim_explained,
    at_rim,
    card_sigma,
    crop_grid,
    crop_weights,
    figure_of,
    follow,
    hidden_share,
    mark_of,
    on_crop,
    plausible,
    trust,
)
from vision.roughness import first_harmonic
from vision.shape import Figure
from vision.window import Grid, window_grid

WINDOW = window_grid(0.2)
U, V = np.meshgrid(*WINDOW.axes_mm())
CROP = Grid((0.0, 0.0), 0.1, 81)
X, Y = (axis.ravel() for axis in np.meshgrid(*CROP.axes_mm()))
GREY = np.full(3, -1 / 3)


def candidate(at=(0.0, 0.0), radius=2.0) -> Candidate:
    return Candidate(at, radius, np.hypot(U - at[0], V - at[1]) < radius, GREY, 50.0)


def made(centre=(0.0, 0.0), *, flatness=20.0, radius=2.0, oval=1.0, height=60.0) -> Spot:
    """A disc of that radius along u, and `oval` times it along v."""
    half = flatness + np.log1p(2 * np.exp(-flatness))
    form = np.diag([half / radius**2, half / (oval * radius) ** 2])
    none = np.zeros(1)
    return Spot(np.array(centre), form, flatness, height, np.zeros(3), 1e-6 * np.eye(2), none, 0.1, none)


def fitted(z, radius=2.0) -> Spot:
    return fit_spot(X, Y, z, centre=(0.0, 0.0), radius=radius)


def rough_disc(noise=0.5, seed=2):
    return 60 * disc(X, Y, (0.0, 0.0), 2.0) + np.random.default_rng(seed).normal(0, noise, X.size)


@pytest.mark.parametrize(
    ("px_per_mm", "least", "pitch", "half"),
    [
        (4.0, 1.8, 0.9 / 4.0, 1.9 * 2.0 + 0.5),  # as fine as the picture
        (40.0, 1.8, 2 * 4.3 / 72, 1.9 * 2.0 + 0.5),  # and no finer than 72 points
        (4.0, 7.0, 0.9 / 4.0, 7.0),
    ],
)
def test_a_crop_reaches_round_the_longer_side_as_fine_as_the_picture(px_per_mm, least, pitch, half):
    region = np.zeros(U.shape, bool)
    region[50:61, 50:71] = True  # 2 mm by 4 mm
    one = Candidate((3.0, -4.0), 1.0, region, GREY, 50.0)
    grid = crop_grid(replace(VIEW, px_per_mm=px_per_mm), WINDOW, one, least)
    assert grid.centre_mm == (3.0, -4.0)
    assert grid.pitch_mm == pytest.approx(pitch)
    assert grid.side % 2 == 1
    assert 2 * half <= grid.side * pitch <= 2 * half + 2 * pitch


def test_a_crop_of_a_card_of_another_size_is_as_fine_as_its_pixels():
    for unit_mm, pitch in ((0.5, 0.45), (1.5, 0.15)):
        view = replace(VIEW, px_per_mm=4.0, unit_mm=unit_mm)
        assert crop_grid(view, WINDOW, candidate()).pitch_mm == pytest.approx(pitch)


def test_a_mask_of_the_window_lies_on_a_crop_where_it_lay():
    grid = Grid((4.0, -3.0), 0.1, 61)
    u, v = np.meshgrid(*grid.axes_mm())
    mask = on_crop(candidate((4.6, -3.4), 1.5).region, WINDOW, grid)
    assert mask.sum() * 0.01 == pytest.approx(np.pi * 1.5**2, rel=0.05)
    assert (u[mask].mean(), v[mask].mean()) == pytest.approx((4.6, -3.4), abs=0.05)


def test_other_candidates_and_what_is_outside_the_window_have_no_weight():
    grid = Grid((21.0, 0.0), 0.1, 81)
    u, v = np.meshgrid(*grid.axes_mm())
    alone, beside = (crop_weights(WINDOW, grid, others) for others in ([], [candidate((19.0, 0.0), 1.0)]))
    assert (alone == (np.hypot(u, v) < 22.5)).all()
    lost = (alone > 0) & (beside == 0)
    away = np.hypot(u - 19.0, v)
    assert lost[away < 1.3].all()  # and two points of the window around them
    assert not lost[away > 1.8].any()


@pytest.mark.parametrize(
    ("at", "radius", "hidden"),
    [
        ((0.0, 0.0), 2.0, False),
        ((19.8, 0.0), 2.0, False),
        ((20.0, 0.0), 2.0, True),
        ((0.0, -22.0), 1.0, True),
    ],
)
def test_a_candidate_near_the_window_s_edge_may_be_cut_off(at, radius, hidden):
    assert at_rim(candidate(at, radius)) == hidden


@pytest.mark.parametrize(
    ("spot", "whole", "good"),
    [
        (made(), True, True),
        (made(height=-1.0), True, False),
        (made(height=0.0), True, False),
        (made((np.nan, 0.0)), True, False),
        (made((2.9, 0.0)), True, True),  # 1.5 radii away
        (made((3.1, 0.0)), True, False),
        (made((3.1, 0.0)), False, True),  # 4 where the window cuts it off
        (made((8.1, 0.0)), False, False),
        (made(oval=3.9), True, True),
        (made(oval=4.1), True, False),
        (made(oval=1 / 4.1), True, False),
        (made(radius=13.8, flatness=60.0), True, True),
        (made(radius=14.3, flatness=60.0), True, False),
        (made(radius=0.2), True, True),
        (made(radius=0.12), True, False),
        (made(flatness=-4.0, radius=4.0), True, False),  # a Gaussian: 0.71 radii from 80 to 20 %
        (made(flatness=-4.0, radius=2.0), True, True),
    ],
)
def test_what_no_beam_makes_is_no_mark(spot, whole, good):
    assert plausible(spot, candidate(), whole=whole, blur_mm=0.0) == good


def test_a_small_candidate_s_fit_may_be_a_millimetre_away_and_blur_softens_edges():
    assert plausible(made((0.9, 0.0), radius=0.5), candidate(radius=0.4), whole=True, blur_mm=0.0)
    assert not plausible(made((1.1, 0.0), radius=0.5), candidate(radius=0.4), whole=True, blur_mm=0.0)
    soft = made(flatness=-4.0, radius=4.0)
    assert plausible(soft, candidate(radius=4.0), whole=True, blur_mm=1.5)
    assert plausible(made((24.8, 0.0)), candidate((22.5, 0.0)), whole=False, blur_mm=0.0)
    assert not plausible(made((25.1, 0.0)), candidate((22.5, 0.0)), whole=False, blur_mm=0.0)


@pytest.mark.parametrize("at", [20.0, 22.0, 22.5, 24.0])
def test_what_is_hidden_is_the_part_of_the_disc_outside_the_circle(at):
    """The area two circles share: its formula stands in any handbook of geometry (from memory)."""
    far, near = 22.5, 2.0
    cos_near = np.clip((at**2 + near**2 - far**2) / (2 * at * near), -1, 1)
    cos_far = np.clip((at**2 + far**2 - near**2) / (2 * at * far), -1, 1)
    root = max((-at + near + far) * (at + near - far) * (at - near + far) * (at + near + far), 0.0)
    lens = near**2 * np.arccos(cos_near) + far**2 * np.arccos(cos_far) - np.sqrt(root) / 2
    grid = Grid((at, 0.0), 0.05, 101)
    x, y = (axis.ravel() for axis in np.meshgrid(*grid.axes_mm()))
    assert hidden_share(made((at, 0.0)), x, y) == pytest.approx(1 - lens / (np.pi * near**2), abs=0.01)
    assert hidden_share(made((-at, 0.0)), x, y) == 0.0


def test_a_hole_loses_its_weight_and_a_ragged_edge_keeps_it():
    plain = rough_disc()
    assert (trust(fitted(plain), X, Y, np.ones(X.size)) == 1).all()
    away = np.hypot(X, Y)
    holed = np.where(away < 0.7, -40.0, plain)
    weight = trust(made_rest(fitted(plain), holed), X, Y, np.ones(X.size))
    assert weight[away < 0.6] == pytest.approx(0.0)
    assert weight[np.abs(away / 2 - 1) < 0.25] == pytest.approx(1.0)
    assert weight[away > 3].mean() > 0.9
    ragged = np.where((np.abs(away - 2) < 0.4) & (X > 0), 30.0, plain)
    assert (trust(made_rest(fitted(plain), ragged), X, Y, np.ones(X.size)) == 1).all()


def made_rest(spot: Spot, z) -> Spot:
    """That fit with what it leaves of other values."""
    return replace(spot, rest=z - spot.height * spot.profile(X, Y) - spot.plane[0])


def test_the_card_s_own_doubt_is_that_of_its_eight_parameters():
    assert card_sigma(VIEW, np.array([3.0, 4.0])) == pytest.approx((0.0, 0.0))
    size = np.zeros((8, 8))
    size[2, 2], size[5, 5] = 4e-6, 9e-6  # of a shift, in shares of 50 mm
    view = replace(VIEW, covariance=size)
    assert card_sigma(view, np.array([3.0, 4.0])) == pytest.approx((0.002 * 50, 0.003 * 50))
    size = np.zeros((8, 8))
    size[0, 0], size[4, 4] = 4e-6, 1e-6  # of a scale along u and v
    view = replace(VIEW, covariance=size)
    assert card_sigma(view, np.array([10.0, -20.0])) == pytest.approx((0.02, 0.02))
    barely = replace(VIEW, covariance=-1e-12 * np.eye(8))
    assert card_sigma(barely, np.array([3.0, 4.0])) == pytest.approx((0.0, 0.0))


@pytest.mark.parametrize(("waves", "noise"), [(0.1, 1e-6), (0.03, 0.1), (0.3, 0.01)])
def test_the_first_harmonic_is_what_the_others_make_likely(waves, noise):
    """The same posterior mean by finer sums, written independently with scipy's Bessel functions: each power
    is exponential about its variance.
    """
    order = np.arange(2, 16)
    power, radius = np.exp(-waves * order**2) + noise, 60.0
    w, a, b = np.meshgrid(
        np.linspace(0.002, 1, 130),
        np.geomspace(0.05, 1000, 40) * power[1:6].mean(),
        np.array([0, 1, 3, 10, 30, 100, 300, 1000]) / 1000 * power[1:6].mean(),
    )
    c = 1 / (2 * w)
    first = a * np.exp(-w) + b + noise
    of = [a * np.exp(-w) * ive(k, c) / ive(1, c) + b + noise for k in order]
    likely = np.prod([np.exp(-p / v) / v for p, v in zip(power[1:], of[1:], strict=True)], axis=0)
    ovals = [of[0] + (share * radius) ** 2 / 2 for share in np.geomspace(0.003, 0.3, 4)]
    likely = likely * np.sum([np.exp(-power[0] / v) / v for v in ovals], axis=0)
    likely = likely * np.exp(-first / (0.12 * radius) ** 2)
    wanted = (likely * first).sum() / likely.sum()
    assert first_harmonic(power, noise, radius) == pytest.approx(wanted, rel=0.2)
    twice = first_harmonic(4 * power, 4 * noise, 2 * radius)
    assert twice == pytest.approx(4 * first_harmonic(power, noise, radius))


def test_an_edge_without_any_roughness_adds_nothing():
    assert first_harmonic(np.zeros(14), 0.0, 2.0) < 1e-9


def pulled(angle, rest, along=(1.0, 2.0)) -> Spot:
    influence = np.outer(along, np.ones(angle.size))
    return replace(made(), rest=rest, influence=influence)


def test_eighths_of_a_mark_err_on_their_own():
    angle = -np.pi + (np.arange(16) + 0.5) * np.pi / 8
    rest = np.repeat([1.0, -1.0, 2.0, 0.0, 0.0, 0.0, 0.0, 3.0], 2)
    wanted = (2**2 + 2**2 + 4**2 + 6**2) * 8 / 3  # of eight, a round mark takes five for itself
    assert _by_eighths(pulled(angle, rest), angle) == pytest.approx((wanted, 4 * wanted))


def test_sectors_count_only_where_a_part_of_the_edge_is_seen():
    count = 21  # of 0.3 rad
    angle = -np.pi + (np.arange(count) + 0.5) * 2 * np.pi / count
    assert _by_sectors(pulled(angle, np.ones(count)), angle) == pytest.approx((0.0, 0.0))
    half = angle[:10]
    wanted = 10 * 10 / (10 - 5) * 2.6
    assert _by_sectors(pulled(half, np.ones(10)), half) == pytest.approx((wanted, 4 * wanted))
    three = angle[:3]
    assert _by_sectors(pulled(three, np.ones(3)), three) == pytest.approx((3 * 3 * 2.6, 12 * 3 * 2.6))


def test_a_mark_s_sigma_adds_up_and_is_in_the_card_s_units():
    spot = fitted(rough_disc())
    large = np.array([0.3, 0.4])
    view = replace(VIEW, unit_mm=2.0)
    mark = mark_of(view, spot, Figure("round"), X, Y, True, large**2)
    assert mark.sigma_mm == pytest.approx((0.6, 0.8), rel=0.01)
    assert mark.width_mm == pytest.approx((2 * spot.widths()[0], 2 * spot.widths()[1]))
    assert mark.offset_mm == pytest.approx(tuple(2 * spot.centre))
    assert mark.new is True
    none = np.zeros(2)
    least = 0.002 + 0.02 / (6.0 * 1.0)  # what sloping light and a pixel's edge may do
    assert min(mark_of(VIEW, spot, Figure("round"), X, Y, None, none).sigma_mm) > least
    finer = replace(VIEW, px_per_mm=600.0)
    coarse, fine = (mark_of(v, spot, Figure("round"), X, Y, None, none).sigma_mm[0] for v in (VIEW, finer))
    assert coarse**2 - fine**2 == pytest.approx(least**2 - (0.002 + 0.02 / 600) ** 2, rel=1e-3)


def test_a_mark_off_the_card_is_round_and_two_lobes_are_told():
    oval = made(oval=1.5)
    oval = replace(oval, rest=np.zeros(X.size), influence=np.ones((2, X.size)))
    mark = mark_of(VIEW, oval, Figure("off-card"), X, Y, True, np.zeros(2))
    long_mm, short_mm, _ = oval.widths()
    assert mark.width_mm == pytest.approx((np.sqrt(long_mm * short_mm),) * 2)
    assert long_mm / short_mm == pytest.approx(1.5)
    lobes = (np.array([1.0, 2.0]), np.array([-1.0, 0.5]))
    double = mark_of(replace(VIEW, unit_mm=2.0), oval, Figure("double", lobes=lobes), X, Y, True, np.zeros(2))
    assert double.lobes_mm == ((2.0, 4.0), (-2.0, 1.0))


@pytest.mark.parametrize(
    ("height", "levels", "tape", "faint"),
    [
        (60.0, -60.0, 200.0, False),
        (40.0, -40.0, 200.0, True),  # less than a quarter
        (60.0, -40.0, 200.0, False),  # less in brightness alone
        (40.0, -60.0, 200.0, False),  # less in its own colour alone
        (20.0, -20.0, 60.0, False),
        (20.0, 20.0, 60.0, True),  # what is brighter must change a quarter of half white
        (40.0, 40.0, 60.0, False),
    ],
)
def test_a_faint_mark_changes_less_than_a_quarter_of_the_light(height, levels, tape, faint):
    before = np.full((9, 9, 3), tape, np.float32)
    after = (before + levels).astype(np.float32)
    inner = np.zeros((9, 9), bool)
    spot = made(height=height)
    assert _is_faint(spot, GREY, after, before, inner)  # nothing is seen of it
    inner[3:6, 3:6] = True
    assert _is_faint(spot, GREY, after, before, inner) == faint


def test_a_disc_explains_its_rim_and_a_line_does_not():
    weight, one = np.ones((81, 81)), candidate()
    round_mark = rough_disc().reshape(81, 81)
    assert _rim_explained(CROP, round_mark, weight, fitted(round_mark.ravel()), one) > 0.98
    line = 60.0 * (np.abs(Y) < 1.0).reshape(81, 81)
    assert _rim_explained(CROP, line, weight, fitted(line.ravel()), one) < 0.75
    holed = np.where(np.hypot(X, Y) < 0.8, 0.0, rough_disc()).reshape(81, 81)
    assert _rim_explained(CROP, holed, weight, fitted(round_mark.ravel()), one) > 0.98


def test_a_figure_is_named_by_its_outline_and_not_by_what_lies_far_off():
    z = rough_disc()
    assert figure_of(WINDOW, candidate(), fitted(z), CROP, z.reshape(81, 81)).name == "round"
    cut = np.where(Y > 1.2, 0.0, z)
    assert figure_of(WINDOW, candidate(), fitted(cut), CROP, cut.reshape(81, 81)).name == "cut-off"


def one_mark(at, levels=100.0, brightness=1.0):
    return plane(lambda u, v: brightness * (200 - levels * disc(u, v, at, 2.5)))


def test_a_mark_is_read_and_followed_as_far_as_a_still_card_moves():
    (seen,) = marks_on(one_mark((4.0, -6.0)), VIEW, new=False)
    assert seen.mark.offset_mm == pytest.approx((4.0, -6.0), abs=0.01)
    assert seen.mark.new is False
    assert seen.mark.shape == "round"
    assert seen.brighter == pytest.approx(-0.5, abs=0.02)
    # ISO 11146-1: four times the root of the second moment; disc() is a Fermi function, wider than its step
    r = np.linspace(0, 8, 4001)
    level = disc(r, 0.0, (0.0, 0.0), 2.5)
    width = 4 * np.sqrt((level * r**3).sum() / (level * r).sum() / 2)
    assert seen.mark.width_mm == pytest.approx((width, width), rel=0.02)
    for at in ((4.2, -6.1), (3.7, -5.8)):
        again = follow(seen, one_mark(at, brightness=0.8), VIEW)
        assert again is not None
        assert again.offset_mm == pytest.approx(at, abs=0.02)
        assert again.width_mm == seen.mark.width_mm
    assert follow(seen, one_mark((4.6, -6.0)), VIEW) is None  # a jump
    assert follow(seen, one_mark((4.0, -6.0), 20.0), VIEW) is None  # it fades
    assert follow(seen, one_mark((4.0, -6.0), 40.0), VIEW) is not None


@pytest.mark.parametrize(
    ("levels", "seen"),
    [
        (lambda u, v: 200 - 30 * disc(u, v, (4.0, -6.0), 2.5), True),  # faint, with a clean edge
        (lambda u, v: 200 - 110 * np.exp(-((u - 4) ** 2 + (v + 6) ** 2) / 2.0**2), True),  # strong, without
        (lambda u, v: 200 - 20 * np.exp(-((u - 4) ** 2 + (v + 6) ** 2) / 2.0**2), False),  # neither: a smudge
    ],
)
def test_a_mark_is_strong_or_has_an_edge(levels, seen):
    marks = marks_on(plane(levels), VIEW, new=None)
    assert len(marks) == seen
    if seen:
        assert marks[0].mark.offset_mm == pytest.approx((4.0, -6.0), abs=0.03)

"""The fit of a card's edges, part by part: the robust solution, its covariance, the light, the lens."""

from __future__ import annotations

import numpy as np
import pytest
from test_edges import PER_MM, SQUARES, TRUE, printed

from vision.edges import (
    EdgeFit,
    _by_lens,
    _design,
    _edge_offsets,
    _edge_points,
    _hidden_px,
    _light_slope,
    _middle,
    _moved,
    _normals,
    _radial,
    _smooth_along,
    _solve,
    _Solved,
    fit_edges,
    point_terms,
)
from vision.homography import project

EDGE, MARKER = 24, 96  # points of one edge, of one marker
POINTS, OUTWARD = _edge_points(SQUARES)
REACH, NORMAL = _normals(TRUE, POINTS, OUTWARD)
DESIGN = np.column_stack([_design(POINTS, OUTWARD, TRUE, NORMAL), np.zeros(len(POINTS))])
ALL = np.ones(len(POINTS), bool)


def solved(weight, rest) -> _Solved:
    return _Solved(np.zeros(10), np.asarray(weight, float), np.asarray(rest, float), np.eye(10))


def test_points_lie_on_the_edges_away_from_corners_and_look_outwards():
    assert len(POINTS) == 16 * EDGE
    for marker, points, outward in zip(SQUARES, *(np.split(a, 4) for a in (POINTS, OUTWARD)), strict=True):
        middle, half = marker.mean(axis=0), np.ptp(marker[:, 0]) / 2
        away = points - middle
        assert (away * outward).sum(axis=1) == pytest.approx(half)
        along = np.abs(away - half * outward).max(axis=1).reshape(4, EDGE)
        assert along.max(axis=1) == pytest.approx(0.8 * half)  # a tenth of the edge from each corner
        assert np.linalg.norm(outward, axis=1) == pytest.approx(1.0)


def test_normals_look_out_of_the_marker_and_reach_less_than_half_a_module():
    moved = project(TRUE, POINTS + 0.01 * OUTWARD) - project(TRUE, POINTS)
    assert (moved * NORMAL).sum(axis=1) == pytest.approx(0.01 * PER_MM)
    assert np.linalg.norm(NORMAL, axis=1) == pytest.approx(1.0)
    module = np.ptp(SQUARES[0][:, 0]) / 6
    assert pytest.approx(0.45 * module * PER_MM) == REACH
    larger = np.diag([20.0, 20.0, 1.0]) @ TRUE
    assert _normals(larger, POINTS, OUTWARD)[0] == pytest.approx(6.0)  # px, at most


@pytest.mark.parametrize("away_px", [-0.8, 0.4])
def test_the_distance_to_an_edge_is_seen_to_a_few_hundredths_of_a_pixel(away_px):
    at = project(TRUE, POINTS)
    here = _edge_offsets(printed(), at, NORMAL, REACH)[0]
    offset, good, hidden = _edge_offsets(printed(), at - away_px * NORMAL, NORMAL, REACH)
    assert good.all()
    assert here == pytest.approx(0.0, abs=0.12)
    assert (offset - here).mean() == pytest.approx(away_px, abs=0.01)
    assert hidden < 0.02


def test_edges_outside_the_picture_or_without_contrast_are_not_trusted():
    at = project(TRUE, POINTS)
    cut = printed()[:, : int(at[:, 0].mean())]
    good = _edge_offsets(cut, at, NORMAL, REACH)[1]
    assert (at[good, 0] < cut.shape[1]).all()
    assert good.any()
    grey = np.full((520, 460), 128, np.uint8)
    _, good, hidden = _edge_offsets(grey, at, NORMAL, REACH)
    assert not good.any()
    assert hidden == 0.0


@pytest.mark.parametrize(
    ("steep", "hidden"),
    [
        (0.0, 0.0),
        (0.25, 0.05 * 0.25 * 3 / 14 * 2),
        (0.5, 0.05 * 0.5 * 3 / 14 * 2),
        (1.0, 0.05 * 8 * 3 / 14 * 2),
    ],
)
def test_what_blur_hides_is_told_by_how_much_a_profile_still_rises(steep, hidden):
    """`steep`: the rise at the ends as a share of a straight line's."""
    step = np.zeros((2, 17))
    step[:, :4] = steep * np.arange(4) / 14
    step[:, -4:] = 1 - steep * np.arange(4)[::-1] / 14
    assert _hidden_px(step, np.full(2, 2.0)) == pytest.approx(hidden)


def lit(slope, noise=0.0):
    place = project(TRUE, POINTS)
    log = np.log(200.0) + (place - place.mean(axis=0)) @ slope
    log += noise * np.where(np.arange(len(place)) % 2, 1, -1)
    white = np.exp(log)[:, None]
    return np.hstack([0.1 * white] * 8 + [white] * 9), place


def test_the_light_s_slope_is_that_of_the_paper_around_each_marker():
    profile, place = lit((0.003, -0.002))
    assert _light_slope(profile, place, ALL) == pytest.approx(
        np.tile((0.003, -0.002), (len(place), 1)), abs=3e-5
    )
    none = _light_slope(profile, place, ~ALL)
    assert none == pytest.approx(0.0)


def test_a_shadow_s_edge_is_no_slope():
    profile, place = lit((0.003, -0.002), noise=0.06)
    assert _light_slope(profile, place, ALL) == pytest.approx(0.0)
    profile, place = lit((0.003, 0.0), noise=0.025)
    half = _light_slope(profile, place, ALL)[:, 0] / 0.003
    assert half == pytest.approx(0.75, abs=0.1)  # 1 - (0.025 / 0.05)^2


def test_levels_along_an_edge_become_a_straight_line():
    t = np.linspace(-1, 1, EDGE)
    bent = np.concatenate([3 + 2 * t + 5 * (t**2 - (t**2).mean()), 7 - t])
    assert _smooth_along(bent) == pytest.approx(np.concatenate([3 + 2 * t, 7 - t]))


def test_the_middle_is_the_upper_median():
    assert _middle(np.array([5.0, 1.0, 3.0])) == 3.0
    assert _middle(np.array([5.0, 1.0, 3.0, 4.0])) == 4.0


def test_a_lens_of_one_moves_the_picture_s_corner_by_its_distance():
    middle = np.array([320.0, 240.0])
    at = np.array([(640.0, 480.0), (320.0, 240.0), (320.0, 440.0)])
    wanted = [(320.0, 240.0), (0.0, 0.0), (0.0, 200 * 200**2 / 400**2)]
    assert _radial(at, middle) == pytest.approx(np.array(wanted))


def test_of_the_lens_no_homography_explains_what_is_left_about_the_window():
    u, v = np.meshgrid(*[np.linspace(-18, 18, 5)] * 2)
    window = np.column_stack([u.ravel(), v.ravel()])
    left, step = _by_lens(TRUE, window, (520, 460)), 1e-5
    for i in range(8):
        moved = project(_moved(TRUE, step * np.eye(8)[i]), window) - project(TRUE, window)
        assert (moved / step * left).sum() == pytest.approx(0.0, abs=0.5)  # of about 10^4
    whole = _radial(project(TRUE, window), np.array([459, 519]) / 2)
    assert 0 < np.square(left).sum() < 0.5 * np.square(whole).sum()


def test_a_homography_moves_by_its_eight_parameters():
    at = np.array([[20.0, -30.0]])
    for i in range(8):
        eight = np.zeros(8)
        eight[i] = 1e-5
        by = np.linalg.solve(
            (project(TRUE, at + np.array([(1e-4, 0.0)])) - project(TRUE, at)).T / 1e-4 @ [[1.0, 0.0]]
            + (project(TRUE, at + np.array([(0.0, 1e-4)])) - project(TRUE, at)).T / 1e-4 @ [[0.0, 1.0]],
            (project(_moved(TRUE, eight), at) - project(TRUE, at))[0],
        )
        assert by / 1e-5 / 50.0 == pytest.approx(point_terms(at)[0][:, i], abs=1e-3)
    assert _moved(TRUE, np.full(8, 0.01))[2, 2] == pytest.approx(1.0)


def test_a_known_move_is_solved_for_and_outliers_are_left_out():
    true = np.array([1e-3, -2e-3, 1e-3, 5e-4, 1e-3, -1e-3, 1e-4, 2e-4, 0.02, 0.0])
    offset = DESIGN @ true + np.random.default_rng(2).normal(0, 0.02, len(DESIGN))
    wrong = np.zeros(len(DESIGN), bool)
    wrong[:EDGE] = True
    offset[wrong] += 1.5
    answer = _solve(DESIGN, offset, ALL)
    assert DESIGN @ answer.solution == pytest.approx(DESIGN @ true, abs=0.02)
    assert answer.weight[wrong].max() == 0.0
    assert answer.weight[~wrong].mean() > 0.85
    assert answer.left_out(ALL) == pytest.approx(EDGE / len(DESIGN), abs=0.01)
    assert answer.rms_px() == pytest.approx(0.02, rel=0.15)
    nothing = _solve(DESIGN, offset, ~ALL)
    assert nothing.solution == pytest.approx(0.0)
    assert nothing.rms_px() == np.inf
    assert nothing.left_out(~ALL) == 1.0


def test_spread_ink_is_held_by_what_is_usual():
    """A ridge of the spread's variance: one distance common to all, beside a move of nothing."""
    answer = _solve(DESIGN, DESIGN[:, 8] * 0.1, ALL)
    assert answer.solution[8] == pytest.approx(0.1, rel=0.02)


def test_the_rms_is_of_what_kept_weight_and_a_misfit_counts_the_rest_as_a_pixel():
    some = solved([1, 0.5, 0, 0], [0.3, -0.4, 9.0, 9.0])
    assert some.rms_px() == pytest.approx(np.sqrt((0.09 + 0.16) / 2))
    assert some.misfit_px() == pytest.approx(np.sqrt((0.09 + 0.16 + 2) / 4))
    assert some.left_out(np.array([True, True, True, False])) == pytest.approx(1 / 3)


def test_unevenness_is_what_goes_beyond_the_pixels_noise():
    ones, sign = np.ones(2 * EDGE), np.where(np.arange(2 * EDGE) % 2, 1.0, -1.0)
    assert solved(ones, 0.3 * ones).uneven_px() == pytest.approx(0.3)  # neighbours agree
    apart = 0.1 * sign  # neighbours differ by 0.2: a variance of 0.02, of which pixels make 0.045 squared
    assert solved(ones, apart).uneven_px() == pytest.approx(np.sqrt(0.02 - 0.045**2))
    assert solved(ones, 0.02 * sign).uneven_px() == 0.0
    assert solved(0 * ones, 0.3 * ones).uneven_px() == 0.0
    half = np.where(np.arange(2 * EDGE) % 6 < 3, 1.0, 0.0)
    assert solved(half, 0.3 * ones).uneven_px() == 0.0  # of six neighbours more than half must be seen
    most = np.where(np.arange(2 * EDGE) % 6 < 4, 1.0, 0.0)
    assert solved(most, 0.3 * ones).uneven_px() == pytest.approx(0.3)


def test_each_edge_errs_as_a_whole():
    """The sandwich of clusters (White 1980): their number n scales it by 2 n / (n - 8)."""
    weight, rest = np.ones(16 * EDGE), np.repeat(np.tile([0.1, -0.1], 8), EDGE)
    design = np.zeros((16 * EDGE, 10))
    design[:, 2] = 1.0
    one = solved(weight, rest)
    assert one.covariance(design, own_px=0.0)[2, 2] == pytest.approx(16 * (EDGE * 0.1) ** 2 * 2 * 16 / 8)
    own = one.covariance(design, own_px=0.5)[2, 2] - one.covariance(design, own_px=0.0)[2, 2]
    assert own == pytest.approx(16 * (EDGE * 0.5) ** 2)
    few = solved(np.r_[np.ones(8 * EDGE), np.zeros(8 * EDGE)], rest)
    assert few.covariance(design, own_px=0.0)[2, 2] == pytest.approx(8 * (EDGE * 0.1) ** 2 * 2 * 8 / 2)


def test_a_fit_s_doubt_at_a_point_is_in_square_millimetres():
    size = np.zeros((8, 8))
    size[2, 2], size[4, 4] = 4e-6, 1e-6
    fit = EdgeFit(TRUE, size, 0.05, 16)
    wanted = np.diag([4e-6, 1e-6 * (20 / 50) ** 2]) * 50**2
    assert fit.sigma_mm(np.array([10.0, -20.0])) == pytest.approx(wanted)


def test_one_round_may_not_be_enough_and_the_last_moves_nothing():
    away = np.eye(3)
    away[:2, 2] = 2.0
    shift = [
        np.hypot(
            *(
                project(fit_edges(printed(), SQUARES, away @ TRUE, rounds=n).homography, np.zeros((1, 2)))
                - project(TRUE, np.zeros((1, 2)))
            )[0]
        )
        for n in (1, 10)
    ]
    assert shift[1] < 0.01
    assert shift[0] < 1.0

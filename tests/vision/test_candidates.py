"""The search for candidates, part by part: known discs, known noise, and where each limit lies."""

from __future__ import annotations

import numpy as np
import pytest

from vision.candidates import (
    Candidate,
    _candidate,
    _filled,
    _floor,
    _inverse_covariance,
    _part_level,
    _parts,
    _rim_evened,
    _same_place,
    _scale_of,
    _score,
    _split,
    core_of,
    dilated,
    find_candidates,
    without_lines,
)
from vision.window import Grid, window_grid

GRID = window_grid(0.2)
U, V = np.meshgrid(*GRID.axes_mm())
INSIDE = GRID.radius_mm() < 22.5
GREY = np.ones(3) / np.sqrt(3)


def box(rows: slice, cols: slice, side: int = 40) -> np.ndarray:
    mask = np.zeros((side, side), bool)
    mask[rows, cols] = True
    return mask


def tape(*discs, noise=0.5):
    """Differences (side, side, 3) of white noise with discs of (centre, radius, levels of each colour)."""
    rest = np.random.default_rng(3).normal(0, noise, (*U.shape, 3))
    for at, radius, levels in discs:
        rest += (np.hypot(U - at[0], V - at[1]) < radius)[..., None] * np.asarray(levels, float)
    return rest.astype(np.float32)


def found(rest) -> list[Candidate]:
    return find_candidates(rest, INSIDE, GRID).listed


@pytest.mark.parametrize("levels", [(60, 60, 60), (-60, -60, -60), (0, 0, 40)])
def test_a_disc_is_one_candidate_of_its_place_size_and_colour(levels):
    (one,) = found(tape(((5.0, -7.0), 2.0, levels)))
    assert one.centre_mm == pytest.approx((5.0, -7.0), abs=0.05)
    assert one.radius_mm == pytest.approx(2.0, abs=0.15)
    assert one.region.sum() * 0.04 == pytest.approx(np.pi * one.radius_mm**2)
    assert np.abs(one.colour).sum() == pytest.approx(1.0)
    assert one.colour @ levels > 0.4 * np.abs(levels).max()  # it counts up, whichever way the tape went
    assert np.abs(one.colour).argmax() in np.flatnonzero(levels)


def test_bare_tape_and_what_lies_outside_the_window_are_none():
    assert found(tape()) == []
    assert found(tape(((23.4, 16.0), 2.0, (90, 90, 90)))) == []


def test_the_strongest_comes_first_and_a_faint_echo_not_at_all():
    far, near = ((-8.0, 0.0), 2.0, (40,) * 3), ((8.0, 0.0), 2.0, (90,) * 3)
    assert [round(one.centre_mm[0]) for one in found(tape(far, near))] == [8, -8]
    echo = ((-8.0, 0.0), 2.0, (5,) * 3)
    assert [round(one.centre_mm[0]) for one in found(tape(echo))] == [-8]
    assert [round(one.centre_mm[0]) for one in found(tape(echo, ((8.0, 0.0), 2.0, (240,) * 3)))] == [8]


def test_a_hole_is_filled_but_a_pen_s_wide_ring_is_not_a_disc():
    hole = tape(((0.0, 0.0), 3.0, (60,) * 3), ((0.0, 0.0), 1.5, (-60,) * 3))
    (one,) = found(hole)
    assert one.radius_mm == pytest.approx(3.0, abs=0.2)
    drawn = tape(((0.0, 0.0), 9.0, (60,) * 3), ((0.0, 0.0), 8.4, (-60,) * 3))
    assert all(one.radius_mm < 4.0 for one in found(drawn))


def test_a_part_no_wider_than_a_lamp_s_image_stays_whole_and_a_wider_one_comes_apart():
    def stepped(radius):
        return found(tape(((0.0, 0.0), radius, (30,) * 3), ((2.0, 0.0), 1.5, (150,) * 3)))

    assert any(one.radius_mm == pytest.approx(12.0, abs=0.3) for one in stepped(12.0))
    wide = stepped(15.0)
    assert all(one.radius_mm < 13.0 for one in wide)
    assert any(one.centre_mm == pytest.approx((2.0, 0.0), abs=0.1) for one in wide)


def test_what_differs_is_the_disc_and_nothing_else():
    differs = find_candidates(tape(((4.0, 4.0), 2.0, (60,) * 3)), INSIDE, GRID).differs
    assert differs.sum() * 0.04 == pytest.approx(np.pi * 4.0, rel=0.6)
    away = np.hypot(U - 4.0, V - 4.0)
    assert differs[away < 1.9].all()
    assert not differs[away > 4.0].any()


@pytest.mark.parametrize("levels", [0.4, 0.3, 0.25])
def test_tape_is_never_taken_for_smoother_than_so_many_levels(levels):
    floor = _floor(levels)
    hue = np.array([1.0, -1.0, 0.0]) / np.sqrt(2)
    assert GREY @ floor @ GREY == pytest.approx(levels**2)
    assert hue @ floor @ hue == pytest.approx(1.0)
    assert hue @ floor @ GREY == pytest.approx(0.0)


def test_the_tape_s_own_roughness_is_measured_without_outliers():
    true = np.array([(4.0, 2.0, 0.0), (2.0, 9.0, 1.0), (0.0, 1.0, 2.0)])
    rng = np.random.default_rng(5)
    values = rng.multivariate_normal(np.zeros(3), true, 3000)
    values[::20] += 60.0
    seen = np.linalg.inv(_inverse_covariance(values.astype(np.float32), np.zeros((3, 3))))
    assert seen == pytest.approx(true, abs=0.8)
    more = np.linalg.inv(_inverse_covariance(values.astype(np.float32), 5.0 * np.eye(3)))
    assert np.diag(more - seen) == pytest.approx([5.0] * 3, abs=0.8)


def test_a_score_is_the_distance_in_standard_deviations():
    inverse = np.linalg.inv(np.array([(4.0, 2.0, 0.0), (2.0, 9.0, 1.0), (0.0, 1.0, 2.0)]))
    values = np.random.default_rng(1).normal(0, 5, (3, 4, 3)).astype(np.float32)
    wanted = np.sqrt(np.einsum("rci,ij,rcj->rc", values, inverse, values))  # Mahalanobis 1936
    assert _score(values, inverse) == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize(("rougher", "left"), [(4.0, 1.0), (1.5, 1.0), (0.5, 0.5)])
def test_a_rough_rim_sets_its_own_scale_and_a_smooth_one_does_not(rougher, left):
    scores = np.ones((3, *U.shape))
    rim = INSIDE & (GRID.radius_mm() > 21.0)
    scores[:, INSIDE & (GRID.radius_mm() > 20.0)] = rougher
    evened = _rim_evened(scores, INSIDE, GRID)
    assert evened[:, rim] == pytest.approx(left)
    assert evened[:, GRID.radius_mm() < 20.0] == pytest.approx(1.0)


def test_a_mask_grows_on_every_side():
    assert (dilated(box(slice(10, 11), slice(20, 21)), 2) == box(slice(8, 13), slice(18, 23))).all()


def test_holes_are_filled_and_open_sides_are_not():
    ring = box(slice(5, 15), slice(5, 15)) & ~box(slice(8, 12), slice(8, 12))
    assert (_filled(ring) == box(slice(5, 15), slice(5, 15))).all()
    opened = ring & ~box(slice(5, 8), slice(8, 12))
    assert (_filled(opened) == opened).all()


@pytest.mark.parametrize(("columns", "count"), [(9, 1), (10, 2)])
def test_a_part_of_less_than_a_tenth_of_the_largest_is_dropped(columns, count):
    mask = box(slice(0, 10), slice(0, 10)) | box(slice(20, 21), slice(20, 20 + columns))
    parts = _parts(mask)
    assert [int(part.sum()) for part in parts] == [100, columns][:count]


def test_a_candidate_is_the_middle_the_area_and_the_peak_of_its_region():
    grid = Grid((1.0, 2.0), 0.5, 41)
    region = box(slice(10, 15), slice(24, 33), 41)
    best = np.full((41, 41), 3.0)
    best[12, 26], best[0, 0] = 11.0, 99.0
    one = _candidate(region, best, GREY, grid)
    assert one.centre_mm == pytest.approx((1.0 + 0.5 * (28 - 20), 2.0 - 0.5 * (12 - 20)))
    assert one.radius_mm == pytest.approx(0.5 * np.sqrt(45 / np.pi))
    assert one.strength == 11.0


@pytest.mark.parametrize(("shared", "same"), [(5, False), (6, True), (10, True)])
def test_two_candidates_are_one_if_most_of_the_smaller_is_in_both(shared, same):
    def over(cols: slice) -> Candidate:
        return Candidate((0.0, 0.0), 1.0, box(slice(0, 1), cols), GREY, 1.0)

    large, small = over(slice(0, 20)), over(slice(20 - shared, 30 - shared))
    assert _same_place(large, small) == same
    assert _same_place(small, large) == same


def test_only_a_part_wider_than_any_mark_comes_apart():
    part = box(slice(0, 10), slice(0, 30))
    score = np.full(part.shape, 6.0)
    score[2:8, 2:8] = score[2:8, 20:28] = 13.0
    assert [int(piece.sum()) for piece in _split(part, score, 300.0)] == [300]
    assert [int(piece.sum()) for piece in _split(part, score, 299.0)] == [36, 48]
    score[:] = 11.9  # nothing stands out within it
    score[0, 0] = 6.0
    assert [int(piece.sum()) for piece in _split(part, score, 299.0)] == [300]


def test_the_finest_scale_is_used_where_a_part_stands_out_in_it():
    blob = box(slice(0, 10), slice(0, 10))
    scores = np.stack([np.full(blob.shape, level) for level in (11.1, 20.0, 30.0)])
    assert _scale_of(blob, scores) == 0
    scores[0] = 10.9
    assert _scale_of(blob, scores) == 2
    scores[1, 3, 3], scores[1, 30, 30] = 31.0, 99.0
    assert _scale_of(blob, scores) == 1


@pytest.mark.parametrize(("score", "level"), [(8.0, 5.5), (22.0, 5.5), (40.0, 10.0)])
def test_a_part_s_outline_is_a_quarter_of_its_height(score, level):
    blob = box(slice(0, 10), slice(0, 10))
    assert _part_level(blob, np.where(blob, score, 99.0)) == pytest.approx(level)


def lamp_s_image(strength: float) -> Candidate:
    region = np.hypot(U, V) < 7.0
    return Candidate((0.0, 0.0), 7.0, region, GREY / GREY.sum(), strength)


def test_the_core_of_a_lamp_s_image_is_the_burn_in_it():
    """Brighter both; the burn lies off the image's middle, where the lamp alone has the most light."""
    lamp = 40 * np.exp(-((U / 8) ** 2) - (V / 8) ** 2)
    rest = np.repeat((lamp + 60 * (np.hypot(U - 3, V + 1) < 1.8))[..., None], 3, axis=2).astype(np.float32)
    core = core_of(lamp_s_image(30.0), rest, GRID)
    assert core is not None
    assert core.centre_mm == pytest.approx((3.0, -1.0), abs=0.15)
    assert core.radius_mm == pytest.approx(1.8, abs=0.2)
    assert core.strength == pytest.approx(30.0)


def test_a_lamp_s_image_alone_and_a_plain_burn_have_no_core():
    lamp = 40 * np.exp(-((U / 8) ** 2) - (V / 8) ** 2)
    for levels in (lamp, 40.0 * (np.hypot(U, V) < 6.5), np.zeros(U.shape)):
        rest = np.repeat(levels[..., None], 3, axis=2).astype(np.float32)
        assert core_of(lamp_s_image(30.0), rest, GRID) is None


@pytest.mark.parametrize(("wide", "parted"), [(0.8, True), (2.4, False), (0.0, False)])
def test_a_pen_s_line_is_parted_from_the_burn_that_it_runs_into(wide, parted):
    disc = np.hypot(U - 4, V) < 2.5
    region = disc | ((np.abs(V - 1) < wide / 2) & (np.abs(U + 3) < 9))
    parts = without_lines(Candidate((0.0, 0.0), 4.0, region, GREY, 30.0), GRID)
    assert (parts is not None) == parted
    if parts is not None:
        burn, line = parts
        assert burn.centre_mm == pytest.approx((4.0, 0.0), abs=0.15)
        assert burn.radius_mm == pytest.approx(2.5, abs=0.15)
        assert line.region.sum() == pytest.approx(13.5 * wide / 0.2**2, rel=0.25)
        assert not (burn.region & line.region).any()


def test_a_line_alone_has_no_burn_in_it():
    line = (np.abs(V - 1) < 0.5) & (np.abs(U) < 12)
    assert without_lines(Candidate((0.0, 0.0), 2.0, line, GREY, 30.0), GRID) is None

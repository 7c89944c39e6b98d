"""Looks for markers, the tape's light, tone curves, bent sheets and camera models, by closed cases."""

from __future__ import annotations

from importlib import import_module

import cv2
import numpy as np
import pytest

from vision import bare_tape, markers, tone_curve
from vision.bend import _FOCAL, _STEEPEST, Bend, apparent, bend_of_tensor
from vision.calibrate import CalibrationFailed, CameraModel, _solve
from vision.card import card_of, card_sheet
from vision.light import light_change, with_edge
from vision.markers import Marker
from vision.window import RADIUS_MM, Grid, window_grid

calibrate = import_module("vision.calibrate")  # the package has a function of this name

# a shadow's edge


def beside_a_shadow(turn, step, rng, mark=0.3):
    """A window of 150 levels with a shadow's edge in some direction and a mark 5 mm wide upon it."""
    grid = window_grid(0.2)
    u, v = np.meshgrid(*grid.axes_mm())
    across = u * np.cos(turn) + v * np.sin(turn) - 4.0
    expected = np.full((grid.side, grid.side, 3), 150.0, np.float32)
    burnt = np.hypot(u - 4 * np.cos(turn), v - 4 * np.sin(turn)) < 2.5
    share = 1 - step / (1 + np.exp(-across / 0.4)) - mark * burnt
    return grid, burnt, expected * share[..., None] + rng.normal(0, 1.0, expected.shape), expected


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.3, 2.9])
def test_a_shadow_s_edge_is_light_and_a_mark_on_it_is_not(turn):
    grid, burnt, seen, expected = beside_a_shadow(turn, 0.3, np.random.default_rng(4))
    smooth = light_change(seen, expected, grid)
    light = with_edge(smooth, seen, expected * (1 + smooth), grid)
    left = [np.abs(seen - expected * (1 + one)).mean(axis=2) for one in (smooth, light)]
    clear = (grid.radius_mm() < 17) & ~burnt
    assert np.percentile(left[1][clear], 99) < 0.65 * np.percentile(left[0][clear], 99)
    gone = (expected * (1 + light) - seen).mean(axis=2)[burnt]
    assert np.median(gone) > 0.6 * 0.3 * 150


def test_without_a_shadow_s_edge_the_light_stays():
    grid, _, seen, expected = beside_a_shadow(0.7, 0.0, np.random.default_rng(4))
    smooth = light_change(seen, expected, grid)
    assert with_edge(smooth, seen, expected * (1 + smooth), grid) is smooth


# markers


def marker(i, at=(0.0, 0.0), side=10.0):
    return Marker(i, np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * side / 2 + at)


def test_a_marker_s_side_is_the_root_of_its_area():
    assert marker(3, (50.0, 20.0), 12.0).side_px == pytest.approx(12.0)
    assert Marker(3, marker(3).corners_px[::-1] * (4.0, 1.0)).side_px == pytest.approx(20.0)
    assert marker(3).card == card_of(3)
    assert marker(47).card is None


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (marker(3, (4.9, 0.0)), True),
        (marker(3, (5.1, 0.0)), False),
        (marker(3, (0.0, -5.1)), False),
        (marker(4), False),
        (marker(3, (5.1, 0.0), 20.0), True),  # half of the known one's side
    ],
)
def test_a_marker_of_the_same_id_at_the_same_place_is_the_same(other, same):
    assert markers._same(marker(3), other) == same
    merged = markers._merge([other], [marker(3), marker(9, (99.0, 0.0))])
    assert [one.id for one in merged] == ([other.id, 9] if same else [other.id, 3, 9])


def looks(monkeypatch, shape, found_by):
    """Names and scales of the looks at a picture; each finds as many new markers as given."""
    seen, many = [], iter(range(100))

    def search(grey, scale, *, windows=markers._ALL_WINDOWS, of=None):
        name = "one" if windows == markers._ONE_WINDOW else "sharp" if of else "all"
        if grey.max() == 200:
            name = "evened"
        ratio = (grey.shape[1] if of else grey.shape[1] * scale) / shape[1]
        assert of is None or of == shape
        seen.append((name, round(ratio, 2)))
        new = found_by[len(seen) - 1] if len(seen) <= len(found_by) else 0
        return [marker(next(many), (100.0 * len(seen), 0.0)) for _ in range(new)]

    monkeypatch.setattr(markers, "_search", search)
    monkeypatch.setattr(markers, "_evened", lambda grey: np.full_like(grey, 200))
    found = markers.find_markers(np.zeros(shape, np.uint8))
    return seen, [round(float(one.corners_px.mean(0)[0] / 100)) for one in found]


LARGE = [("one", 0.5), ("sharp", 0.25), ("sharp", 0.16), ("all", 0.5), ("evened", 0.5), ("all", 1.0)]


@pytest.mark.parametrize(
    ("found_by", "count", "kept"),
    [
        ((4,), 1, [1, 1, 1, 1]),
        ((3,), 1, [1, 1, 1]),
        ((2, 1), 2, [2, 1, 1]),  # what was found larger comes last: later looks take precedence
        ((2, 0, 1), 3, [3, 1, 1]),
        ((2,), 3, [1, 1]),
        ((1, 0, 0, 1), 4, [4, 1]),
        ((1, 0, 0, 0, 1), 5, [1, 5]),
        ((1, 0, 0, 0, 0, 1), 6, [1, 6]),
        ((), 6, []),
    ],
)
def test_a_card_that_is_hard_to_find_gets_further_looks(monkeypatch, found_by, count, kept):
    seen, found = looks(monkeypatch, (1000, 3200), found_by)
    assert [name for name, _ in seen] == [name for name, _ in LARGE[:count]]
    assert [scale for _, scale in seen] == pytest.approx([scale for _, scale in LARGE[:count]], abs=0.011)
    assert found == kept


@pytest.mark.parametrize(
    ("shape", "scales"),
    [
        ((1000, 1600), [1.0, 0.5, 0.33, 1.0, 1.0, 2.0]),
        ((1600, 1000), [1.0, 0.5, 0.33, 1.0, 1.0, 2.0]),
        ((1000, 2000), [0.8, 0.4, 0.26, 0.8, 0.8, 1.0]),
        ((1000, 4800), [0.33, 0.17, 0.11, 0.33, 0.33, 0.67]),
        ((80, 100), [1.0, 1.0, 1.0, 2.0]),
        ((82, 100), [1.0, 0.5, 1.0, 1.0, 2.0]),
        ((124, 200), [1.0, 0.5, 0.33, 1.0, 1.0, 2.0]),
        ((160, 3200), [0.5, 0.5, 0.5, 1.0]),
    ],
)
def test_looks_are_as_large_as_suits_the_picture(monkeypatch, shape, scales):
    seen, _ = looks(monkeypatch, shape, ())
    assert [scale for _, scale in seen] == pytest.approx(scales, abs=0.011)


@pytest.mark.parametrize("scale", [1, 0.5, 2.0])
def test_corners_are_told_in_the_whole_picture_s_pixels(scale):
    """OpenCV's own drawing of a marker; pixel centres at integers, so its corners lie at halves."""
    picture = np.full((300, 400), 255, np.uint8)
    picture[100:220, 180:300] = cv2.aruco.generateImageMarker(markers.dictionary(), 5, 120)
    (found,) = markers._search(picture, scale)
    assert found.id == 5
    assert (
        np.abs(found.corners_px - [(179.5, 99.5), (299.5, 99.5), (299.5, 219.5), (179.5, 219.5)]).max() < 1.1
    )
    half = markers._resized(picture, 0.5)
    assert half.shape == (150, 200)
    (again,) = markers._search(half, 1, of=picture.shape)
    assert again.corners_px == pytest.approx(found.corners_px, abs=2.1)
    assert markers._search(np.full_like(picture, 255), scale) == []


@pytest.mark.parametrize("edge", [3.0, 6.0])
def test_sharpening_adds_three_times_what_a_blur_of_four_pixels_takes(edge):
    """A sine of period p keeps exp(-2 (pi s / p)²) of itself in a Gaussian blur of s."""
    period = 4 * edge
    wave = 10 * np.sin(2 * np.pi * np.arange(240) / period)
    sharp = markers._sharpened(np.rint(120 + np.tile(wave, (60, 1))).astype(np.uint8))[30, 60:180].astype(
        float
    )
    kept = np.exp(-2 * (np.pi * 4.0 / period) ** 2)
    phase = np.arange(60, 180)
    amplitude = 2 * np.mean((sharp - 120) * np.sin(2 * np.pi * phase / period))
    assert amplitude == pytest.approx(10 * (1 + 3 * (1 - kept)), rel=0.03)


CODE = card_sheet("mirror-1").markers[0]


def coded(low=40, high=200, turn=0, shift=0.0):
    """A marker of 60 px at (20, 30) and the map of its card to it."""
    picture = np.full((120, 100), high, np.uint8)
    bits = np.rot90(cv2.aruco.generateImageMarker(markers.dictionary(), 0, 60), turn)
    picture[30:90, 20:80] = np.where(bits > 127, high, low)
    per_mm = 60 / 18
    (u, v) = CODE[0]
    place = np.array([(per_mm, 0, 19.5 - per_mm * u + shift), (0, -per_mm, 29.5 + per_mm * v), (0, 0, 1.0)])
    return picture, place


@pytest.mark.parametrize(
    ("how", "shown"),
    [
        ({}, True),
        ({"low": 100, "high": 113}, True),
        ({"low": 100, "high": 111}, False),
        ({"low": 200, "high": 40}, False),
        ({"turn": 1}, False),
        ({"turn": 2}, False),
        ({"shift": 3.0}, True),
        ({"shift": 12.0}, False),
        ({"shift": 60.0}, False),  # beyond the picture
        ({"shift": -26.0}, False),
    ],
)
def test_a_code_is_seen_where_the_card_has_it(how, shown):
    picture, place = coded(**how)
    assert markers.shows_code(picture, 0, CODE, place) == shown
    assert not markers.shows_code(picture, 1, CODE, place)


def test_a_code_that_reaches_over_the_picture_s_edge_is_not_seen():
    picture, place = coded()
    for cut, shown in (((25, 35), True), ((26, 35), False), ((25, 36), False)):
        part, moved = picture[cut[1] : 85, cut[0] : 75], place.copy()
        moved[:2, 2] -= cut
        shows = markers.shows_code(part, 0, CODE, moved)
        assert shows == (cut[0] <= 24 and cut[1] <= 34) or shown


# the tape's light


SMALL = Grid((3.0, -2.0), 0.5, 61)
LIGHT_U, LIGHT_V = np.meshgrid(*SMALL.axes_mm())


def test_a_surface_is_quadratic_over_the_window_s_radius():
    u, v = LIGHT_U / RADIUS_MM, LIGHT_V / RADIUS_MM
    wanted = np.array([np.ones_like(u), u, v, u**2, u * v, v**2])
    assert np.allclose(bare_tape.surface_basis(SMALL), wanted)


def light(*terms):
    return np.tensordot(np.array(terms), bare_tape.surface_basis(window_grid(0.5)), axes=(0, 0))


def spoilt(picture, where=(5.0, 3.0), radius=4.0, to=20.0):
    u, v = window_grid(0.5).axes_mm()
    hole = np.hypot(u[None, :] - where[0], v[:, None] - where[1]) < radius
    return np.where(hole[..., None], to, picture)


def test_the_tape_s_light_is_found_under_a_mark():
    bare = np.stack(
        [light(150, 10, -5, 3, 2, -4), light(120, 0, 8, 0, 0, 6), light(90, 0, 0, 0, 0, 0)], axis=-1
    )
    grid = window_grid(0.5)
    tape = bare_tape.fit_tape(spoilt(bare), None, grid)
    wanted = np.array([(150, 10, -5, 3, 2, -4), (120, 0, 8, 0, 0, 6), (90, 0, 0, 0, 0, 0)]).T
    assert tape.coefficients == pytest.approx(wanted, abs=0.02)
    assert not tape.with_before
    assert np.abs(tape.expected(grid, None) - bare).max() < 0.05


def test_with_a_picture_before_the_light_is_a_gain():
    """Where both are true, a gain is believed and an offset of the same size is not."""
    rng, grid = np.random.default_rng(5), window_grid(0.5)
    before = rng.uniform(60, 200, (grid.side, grid.side, 3))
    gain = light(0.8, 0.1, 0.0, 0.0, -0.05, 0.0)[..., None]
    tape = bare_tape.fit_tape(spoilt(before * gain), before, grid)
    assert tape.with_before and tape.coefficients.shape == (12, 3)
    wanted = np.array([0.8, 0.1, 0, 0, -0.05, 0])
    assert tape.coefficients[:6] == pytest.approx(0.0, abs=0.05)
    assert tape.coefficients[6:] == pytest.approx(np.tile(wanted[:, None], 3), abs=0.003)
    assert np.abs(tape.expected(grid, before) - before * gain).max() < 0.3
    flat = np.full((grid.side, grid.side, 3), 100.0)
    even = bare_tape.fit_tape(1.3 * flat, flat, grid)
    assert even.coefficients[6] == pytest.approx(1.3, abs=0.01)
    assert even.coefficients[0] == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("side", [45, 89, 91, 181])
def test_the_light_is_fitted_inside_the_window_only(side):
    grid = Grid((0.0, 0.0), 46 / side, side)
    picture = np.where((grid.radius_mm() < 22.4)[..., None], 100.0, 140.0) * np.ones(3)
    tape = bare_tape.fit_tape(picture, None, grid)
    assert tape.coefficients[0] == pytest.approx(100.0, abs=0.01)
    assert tape.coefficients[1:] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("side", "step"), [(31, 1), (45, 1), (89, 1), (90, 2), (134, 2), (135, 3)])
@pytest.mark.parametrize("with_before", [False, True])
def test_the_light_is_fitted_to_about_forty_five_points_each_way(monkeypatch, side, step, with_before):
    grid, given = Grid((0.0, 0.0), 50 / side, side), []
    monkeypatch.setattr(bare_tape, "_robust_fit", lambda *args: given.append(args) or np.zeros(6))
    picture = np.arange(side * side * 3.0).reshape(side, side, 3)
    bare_tape.fit_tape(picture, picture + 7 if with_before else None, grid)
    counts = (grid.radius_mm() < bare_tape.INSIDE_MM)[::step, ::step]
    assert [gain for _, _, gain in given] == [with_before] * 3
    for channel, (basis, target, _) in enumerate(given):
        assert np.array_equal(target, picture[::step, ::step, channel][counts])
        assert len(basis) == (12 if with_before else 6)
        assert np.allclose(basis[-6:], basis[:6] * (target + 7 if with_before else 1.0))


@pytest.mark.parametrize(
    ("half", "off", "least", "most"),
    [
        (2.0, 5.0, 3e-4, 1e-3),
        (2.0, 6.3, 0.0, 2e-4),
        (0.2, 1.0, 4e-5, 1e-4),  # the floor of 0.3
        (0.2, 1.3, 0.0, 1e-5),
    ],
)
def test_a_fit_is_a_mean_of_what_is_no_outlier(half, off, least, most):
    """Tukey's weights (any text on robust statistics) end at 4 times 1.4826 times the median deviation."""
    line = 10.0 + np.linspace(-half, half, 2001)
    assert bare_tape._robust_fit(np.ones((1, 2001)), line, False) == pytest.approx([10.0])
    (level,) = bare_tape._robust_fit(np.ones((1, 2002)), np.r_[line, 10.0 + off], False)
    assert least < level - 10.0 < most


def test_bands_are_a_picture_s_differences_from_ever_softer_ones():
    rng = np.random.default_rng(2)
    picture = rng.normal(0, 1, (64, 64, 3)).astype(np.float32)
    mask = np.zeros((64, 64), np.float32)
    mask[8:56, 8:56] = 1
    bands = bare_tape._bands(picture, mask)
    assert len(bands) == 3
    softest = cv2.GaussianBlur(picture * mask[..., None], (0, 0), 8.0)
    cover = cv2.GaussianBlur(mask, (0, 0), 8.0)
    assert (picture - sum(bands))[32, 32] == pytest.approx(softest[32, 32] / cover[32, 32], abs=1e-4)
    flat = bare_tape._bands(np.full((64, 64, 3), 7.0, np.float32), mask)
    assert max(np.abs(band[mask > 0]).max() for band in flat) < 1e-4


@pytest.mark.parametrize("share", [-0.5, 0.0, 0.5, 1.0, 1.5])
def test_detail_is_kept_as_far_as_both_pictures_share_it(share):
    """Wiener's filter keeps the regression of one on the other, here `share`, from 0 to 1."""
    rng = np.random.default_rng(8)
    fine = (rng.integers(0, 2, (80, 80, 3)) * 2 - 1).astype(np.float32)
    inside = np.ones((80, 80), bool)
    inside[:10] = False
    kept = bare_tape.shared_detail(100 + share * fine, 100 + fine, inside, inside)
    part = kept[30:60, 20:60] - 100
    slope = (part * fine[30:60, 20:60]).sum() / (fine[30:60, 20:60] ** 2).sum()
    assert slope == pytest.approx(np.clip(share, 0, 1), abs=0.06)
    assert np.array_equal(kept[:10], 100 + fine[:10])


@pytest.mark.parametrize(("count", "changed"), [(199, False), (200, True)])
def test_too_little_bare_tape_tells_no_shares(count, changed):
    fine = np.random.default_rng(8).normal(0, 1, (40, 40, 3)).astype(np.float32)
    bare = np.zeros((40, 40), bool)
    bare.flat[:count] = True
    kept = bare_tape.shared_detail(np.zeros_like(fine), fine, np.ones((40, 40), bool), bare)
    assert np.array_equal(kept, fine) != changed


def test_what_stands_out_of_the_noise_is_kept():
    """Three standard deviations, by the median deviation times 1.4826, are taken away at most."""
    fine = np.random.default_rng(8).normal(0, 1, (80, 80, 3)).astype(np.float32)
    tape = fine.copy()
    tape[40, 40] = 60.0
    bare = np.ones((80, 80), bool)
    bare[35:46, 35:46] = False
    kept = bare_tape.shared_detail(np.zeros_like(tape), tape, np.ones((80, 80), bool), bare)
    finest = 3 * 1.4826 * np.median(np.abs(bare_tape._bands(tape, np.ones((80, 80), np.float32))[0]))
    assert (kept[40, 40] > 60 - 2.2 * finest).all() and (kept[40, 40] < 60 - 0.9 * finest).all()


# tone curves


@pytest.mark.parametrize("power", [0.7, 1.0, 1.4])
def test_a_tone_curve_is_a_power_of_the_ratio_to_the_tape(power):
    rng = np.random.default_rng(3)
    tape = np.full((20000, 3), 180.0)
    before = tape * np.exp(rng.uniform(-2.0, 0.3, (20000, 3)))
    curve = tone_curve.tone_between(tape * (before / tape) ** power, before, tape)
    assert curve.at == pytest.approx(np.linspace(-2.5, 2.5, 51))
    inside = (curve.at > -1.9) & (curve.at < 0.25)
    wanted = (power - 1) * np.tile(curve.at[inside], (3, 1))
    assert curve.added[:, inside] == pytest.approx(wanted, abs=0.02)
    picture = np.full((2, 2, 3), 60.0)
    assert curve.of(picture, np.full((2, 2, 3), 180.0)) == pytest.approx(180 * (1 / 3) ** power, rel=0.01)
    assert tone_curve.SAME.of(picture, picture + 50) == pytest.approx(60.0)


@pytest.mark.parametrize(("count", "counts"), [(29, False), (30, True)])
def test_steps_of_few_points_are_filled_in(count, counts):
    steps = np.arange(-2.5, 2.55, 0.1)
    ratio = np.r_[np.full(count, -1.0), np.full(50, -2.0), np.zeros(90)]
    now = np.r_[np.full(count, -0.4), np.full(50, -2.2), np.full(90, 0.3)]
    added = tone_curve._by_steps(ratio, now, steps)
    at = {round(step, 1): value for step, value in zip(steps, added, strict=True)}
    assert (at[-2.0], at[-2.5]) == pytest.approx((-0.2, -0.2))
    assert at[-1.0] == pytest.approx(0.6 if counts else -0.1)
    assert at[-0.5] == pytest.approx(0.3 if counts else -0.05)
    assert at[0.0] == at[1.0] == 0.0  # the tape is the tape, whatever its own points became


def test_a_tone_curve_never_falls():
    steps = np.arange(-2.5, 2.55, 0.1)
    ratio, now = np.repeat([-2.0, -1.5, -1.0], 40), np.repeat([-1.0, -1.8, -0.5], 40)
    became = steps + tone_curve._by_steps(ratio, now, steps)
    assert (np.diff(became[steps > -2.0]) > -1e-9).all()
    assert np.interp([-2.0, -1.5, -1.0], steps, became) == pytest.approx([-1.0, -1.0, -0.5])


@pytest.mark.parametrize(
    ("level", "ratio"), [(100.0, 0.0), (50.0, np.log(0.5)), (4.0, np.log(0.04)), (0.0, np.log(0.04))]
)
def test_what_is_darker_than_four_levels_counts_as_four(level, ratio):
    assert tone_curve._log_ratio(np.array([level]), np.array([100.0])) == pytest.approx(ratio)
    assert tone_curve._log_ratio(np.array([100.0]), np.array([level])) == pytest.approx(-ratio)


def test_beyond_the_steps_the_outermost_one_counts():
    steps = np.arange(-2.5, 2.55, 0.1)
    far = tone_curve._by_steps(np.full(40, -3.4), np.full(40, -3.0), steps)
    assert far[0] == pytest.approx(0.4 * 2.5 / 3.4)
    far = tone_curve._by_steps(np.full(40, 3.4), np.full(40, 3.0), steps)
    assert far[-1] == pytest.approx(-0.4 * 2.5 / 3.4)


# bent sheets


@pytest.mark.parametrize(
    ("tensor", "curvature", "way"),
    [
        ((0.01, 0.0, 0.0), 0.01, 0.0),
        ((0.0, 0.0, 0.01), 0.01, 90.0),
        ((0.005, 0.01, 0.005), 0.01, 45.0),
        ((0.005, -0.01, 0.005), 0.01, 135.0),
        ((-0.01, 0.0, 0.002), -0.01, 0.0),
        ((0.002, 0.0, -0.01), -0.01, 90.0),
        ((0.0075, 0.0025 * np.sqrt(3) * 2, 0.0025), 0.01, 30.0),
    ],
)
def test_the_cylinder_nearest_to_a_surface_is_its_greater_principal_curvature(tensor, curvature, way):
    """Of k (u cos a + v sin a)²: k cos² a, 2 k cos a sin a, k sin² a."""
    bend = bend_of_tensor(np.array(tensor), np.array([1.0, 2.0, 300.0]))
    assert bend.curvature == pytest.approx(curvature)
    assert np.degrees(bend.direction) % 180 == pytest.approx(way)
    assert bend.eye == (1.0, 2.0, 300.0)
    assert bend.radius_mm == pytest.approx(100.0)


@pytest.mark.parametrize("curvature", [1 / 80, -1 / 80, 1e-12])
def test_a_bent_sheet_seen_from_afar_is_its_arc_s_shadow(curvature):
    """Seen along the normal from far away: r sin(s / r); nearer, the depth r (1 - cos(s / r)) counts."""
    radius, points = 1 / curvature, np.array([(-40.0, 3.0), (0.0, 5.0), (30.0, -7.0)])
    shadow = np.column_stack([radius * np.sin(points[:, 0] / radius), points[:, 1]])
    assert Bend(curvature, 0.0, (0.0, 0.0, 1e9)).apparent(points) == pytest.approx(shadow, abs=1e-4)
    under = 2 * radius * np.sin(points[:, 0] / radius / 2) ** 2
    eye = np.array([10.0, -20.0])
    seen = eye + (shadow - eye) * (200 / (200 + under))[:, None]
    assert Bend(curvature, 0.0, (10.0, -20.0, 200.0)).apparent(points) == pytest.approx(seen, abs=1e-3)
    assert apparent(points, Bend(curvature, 0.0, (10.0, -20.0, 200.0))) == pytest.approx(seen, abs=1e-3)
    assert apparent(points, None) is points


def test_a_sheet_is_not_followed_beyond_its_steepest():
    steep = Bend(1 / 20, 0.0, (0.0, 0.0, 1e9)).apparent(np.array([(30.0, 0.0), (60.0, 0.0)]))
    assert steep[:, 0] == pytest.approx(
        [30 * np.sin(_STEEPEST) / _STEEPEST, 60 * np.sin(_STEEPEST) / _STEEPEST]
    )
    assert Bend(0.0, 0.0, (0.0, 0.0, 1.0)).radius_mm == pytest.approx(1e9)


def test_a_bend_changed_keeps_its_other_parts():
    bend = Bend(0.01, 0.5, (1.0, 2.0, 3.0))
    assert bend.turned(0.002, -0.1) == Bend(0.012, 0.4, (1.0, 2.0, 3.0))
    assert bend.seen_from(np.array([4.0, 5.0, 6.0])) == Bend(0.01, 0.5, (4.0, 5.0, 6.0))
    assert _FOCAL == 0.8


# camera models


GOOD = CameraModel(np.eye(3), np.zeros(5), (40, 30), 0.25).as_json()


def test_a_camera_model_is_told_and_read_back():
    assert GOOD == {
        "matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
        "distortion": [0, 0, 0, 0, 0],
        "size_px": [40, 30],
        "rms_px": 0.25,
    }
    again = CameraModel.from_json(GOOD)
    assert (again.size_px, again.rms_px) == ((40, 30), 0.25)
    picture = np.random.default_rng(1).integers(0, 255, (30, 40, 3)).astype(np.uint8)
    assert np.array_equal(again.straighten(picture), picture)  # no distortion
    for shape in ((40, 30, 3), (30, 41, 3), (31, 40, 3)):
        with pytest.raises(
            CalibrationFailed, match=f"{shape[1]} × {shape[0]} px does not suit .* 40 × 30 px"
        ):
            again.straighten(np.zeros(shape, np.uint8))


@pytest.mark.parametrize("name", GOOD)
def test_a_camera_model_needs_each_of_its_values(name):
    for data in ({k: v for k, v in GOOD.items() if k != name}, GOOD | {name: "x"}, GOOD | {name: None}):
        with pytest.raises(CalibrationFailed, match="calibration"):
            CameraModel.from_json(data)


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"matrix": np.eye(2).tolist()}, "number of values"),
        ({"matrix": np.eye(4).tolist()}, "number of values"),
        ({"distortion": [0.0] * 4}, "number of values"),
        ({"distortion": [0.0] * 6}, "number of values"),
        ({"distortion": [0.0, 0.0, float("nan"), 0.0, 0.0]}, "no lens"),
        ({"matrix": [[1, 0, 0], [0, float("inf"), 0], [0, 0, 1]]}, "no lens"),
        ({"matrix": [[1, 0, 0], [0, float("nan"), 0], [0, 0, 1]]}, "no lens"),
        ({"matrix": [[1, 0, 0], [0, -1e9, 0], [0, 0, 1]]}, "no lens"),
        ({"matrix": [[1, 0, 0], [0, 0.99e9, 0], [0, 0, 1]]}, None),
        ({"size_px": [1e400, 5]}, "calibration"),
        ({"size_px": [5]}, "calibration"),
    ],
)
def test_values_that_no_camera_has_are_refused(changed, why):
    if why is None:
        assert CameraModel.from_json(GOOD | changed).size_px == (40, 30)
        return
    with pytest.raises(CalibrationFailed, match=why):
        CameraModel.from_json(GOOD | changed)


def views(noise=0.0):
    """A pinhole of 800 px, a little barrel-shaped, as OpenCV projects a grid of points."""
    rng, found = np.random.default_rng(6), []
    mm = np.stack(np.meshgrid(np.arange(-60, 61, 30.0), np.arange(-60, 61, 30.0)), axis=-1).reshape(-1, 2)
    inner = np.array([(800.0, 0, 330.0), (0, 800.0, 235.0), (0, 0, 1.0)])
    for turn in ((0.4, 0.0, 0.0), (-0.4, 0.1, 0.0), (0.0, 0.4, 0.2), (0.1, -0.4, 0.0), (0.3, 0.3, 0.5)):
        solid = np.column_stack([mm, np.zeros(len(mm))])
        px = cv2.projectPoints(
            solid, np.array(turn), np.array([0, 0, 300.0]), inner, np.array([-0.1, 0, 0, 0, 0])
        )
        found.append((mm, px[0].reshape(-1, 2) + rng.normal(0, noise, mm.shape)))
    return found, inner


def test_a_camera_is_solved_from_points():
    found, inner = views()
    camera = _solve(found, (640, 480))
    assert camera.matrix == pytest.approx(inner, abs=1.0)
    assert camera.distortion.shape == (5,)
    assert camera.distortion[0] == pytest.approx(-0.1, abs=0.02)
    assert camera.size_px == (640, 480) and camera.rms_px < 0.01


@pytest.mark.parametrize(("noise", "agree"), [(0.55, True), (0.9, False)])
def test_pictures_that_disagree_by_a_pixel_are_refused(noise, agree):
    """The root mean square is of distances: about noise times the root of 2."""
    if agree:
        assert _solve(views(noise)[0], (640, 480)).rms_px == pytest.approx(noise * np.sqrt(2), rel=0.15)
    else:
        with pytest.raises(CalibrationFailed, match=r"disagree by 1\.\d px"):
            _solve(views(noise)[0], (640, 480))


@pytest.mark.parametrize("seen", [0, 3, 4, 5])
def test_four_pictures_of_the_grid_are_enough(monkeypatch, seen):
    grids = iter([("grid",)] * seen + [None] * 9)
    monkeypatch.setattr(calibrate, "_grid_corners", lambda picture: next(grids))
    monkeypatch.setattr(calibrate, "_solve", lambda views, size: (len(views), size))
    calls = []
    pictures = [np.zeros((30, 40, 3), np.uint8)] * 6
    if seen >= 4:
        assert calibrate.calibrate(pictures, told=lambda: calls.append(1)) == (seen, (40, 30))
    else:
        with pytest.raises(CalibrationFailed, match=f"in {seen} of 6 pictures: .* at least 4,"):
            calibrate.calibrate(pictures, told=lambda: calls.append(1))
    assert len(calls) == 6


# light


def test_what_lies_outside_the_window_says_nothing_of_the_light():
    """The same window on a grid twice as wide: most of it is outside. Squares of four points are averaged."""
    few = np.random.default_rng(4).uniform(0, 1, (30, 30)) < 0.4
    changed = {120: np.kron(few, np.ones((4, 4)))}
    changed[240] = np.pad(changed[120], 60)
    fields = []
    for side, more in changed.items():
        expected = np.full((side, side, 3), 150.0, np.float32)
        seen = (expected * (1 + 0.1 * more[..., None])).astype(np.float32)
        field = light_change(seen, expected, Grid((0.0, 0.0), 0.4, side))
        fields.append(field[side // 2 - 25 : side // 2 + 25, side // 2 - 25 : side // 2 + 25])
    assert fields[1] == pytest.approx(fields[0], abs=0.004)
    assert 0.02 < fields[0].mean() < 0.06

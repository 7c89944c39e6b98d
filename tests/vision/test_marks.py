"""Marks of every kind on every target, with known truth."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scenes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import vision
from vision.find import find_card
from vision.fit import fit_crop, fit_spot, locate_spot
from vision.homography import project
from vision.measure import _centre_variance, _is_vague
from vision.roughness import first_harmonic
from vision.shape import name_shape

VIEW = scenes.View(size=(800, 640), focal_px=950.0, tilt_deg=30, roll_deg=20)
MARK = scenes.Spot((4.0, 3.0), diameter=5.0)


def picture(seed=1, **changes):
    scene = scenes.Scene(**{"view": VIEW, "marks": (MARK,), **changes})
    return scenes.render(scene, np.random.default_rng(seed), fine=1)


@pytest.mark.parametrize("hole", [0.0, 2.5])
@pytest.mark.parametrize("tape", sorted(scenes.TAPES))
def test_any_tape_either_contrast_burnt_through_or_not(tape, hole):
    reading = vision.read(picture(tape=tape, marks=(replace(MARK, hole=hole),)))
    (mark,) = reading.marks
    assert mark.offset_mm == pytest.approx(MARK.centre, abs=0.03)
    assert mark.shape == "round"


def test_a_mark_beside_an_older_one_is_one_round_mark_although_the_exposure_changed():
    """A gain that noise had eaten made the older mark part of the change, and a double of the two."""
    for i, tape in enumerate(("masking", "film", "green")):
        old = scenes.Spot((-1.5, 0.5), diameter=4.5, strength=0.6, seed=7)
        new = replace(MARK, strength=0.4, ragged=0.03)
        common = {"tape": tape, "texture": 3.0, "noise": 2.5, "light_ratio": 2.0}
        after = picture(i, marks=(old, new), exposure=0.9, **common)
        reading = vision.read(after, picture(i + 20, marks=(old,), exposure=0.95, **common))
        (mark,) = [m for m in reading.marks if m.new]
        assert mark.shape == "round"
        assert mark.offset_mm == pytest.approx(MARK.centre, abs=0.12)


@pytest.mark.parametrize("share", [0.25, 0.8])
def test_the_sigma_of_a_mark_on_an_older_one_is_true(share):
    """A part of an edge tells less; mostly buried, the radius's own doubt is added."""
    rng = np.random.default_rng(33)
    ratios = []
    for i in range(5):
        way = rng.uniform(0, 2 * np.pi)
        at = np.add(MARK.centre, share * 5.0 * np.array([np.cos(way), np.sin(way)]))
        old = scenes.Spot((float(at[0]), float(at[1])), diameter=5.0, strength=0.8, ragged=0.03, seed=i)
        new = replace(MARK, ragged=0.03, strength=0.6, seed=50 + i)
        reading = vision.read(picture(i, marks=(old, new)), picture(20 + i, marks=(old,)))
        (mark,) = [m for m in reading.marks if m.new]
        assert mark.shape == "round"
        ratios.append(np.subtract(mark.offset_mm, MARK.centre) / mark.sigma_mm)
    assert 0.3 < np.sqrt(np.mean(np.square(ratios))) < 1.6  # ten numbers; the bench counts many more


@pytest.mark.parametrize("hole_colour", [(225, 225, 225), (12, 12, 12)])
def test_burnt_through_to_a_bright_or_a_dark_hole(hole_colour):
    spot = replace(MARK, hole=2.5, hole_colour=hole_colour)
    (mark,) = vision.read(picture(marks=(spot,))).marks
    assert mark.offset_mm == pytest.approx(MARK.centre, abs=0.03)
    assert mark.shape == "round"


def test_a_faint_mark_of_twelve_levels_is_found_in_a_poor_picture():
    """Twelve levels as recorded, JPEG 60, noise and woven tape."""
    spot = replace(MARK, colour=(138, 193, 213), soft_mm=0.4)
    poor = {"texture": 2.5, "noise": 2.5, "jpeg": 60, "defocus_px": 1.5, "motion_px": 2.0}
    for i in range(4):
        reading = vision.read(picture(i, marks=(spot,), paint_seed=i, **poor))
        assert isinstance(reading, vision.Reading), i
        assert len(reading.marks) == 1
        assert reading.marks[0].offset_mm == pytest.approx(MARK.centre, abs=0.4)


def places(clean):
    """Card mm of each pixel of a picture of a card."""
    y, x = np.indices(clean.shape[:2], dtype=float)
    back = np.linalg.inv(find_card(clean)[1].homography)
    return np.moveaxis(project(back, np.stack([x, y], axis=-1)), 2, 0)


def recorded(levels, seed):
    noise = np.random.default_rng(seed).normal(0, 1.2, levels.shape)
    return np.clip(levels + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("seed", range(3))
def test_a_smudge_with_a_blunt_top_is_no_mark(seed):
    clean = picture(seed, marks=(), noise=0, jpeg=None)
    u, v = places(clean)
    smudge = 0.11 * np.exp(-((np.hypot(u - 3, v + 4) / 3.2) ** 2.4))
    assert vision.read(recorded(clean * (1 - smudge[..., None]), seed)).kind == "no-mark"


@pytest.mark.parametrize(
    ("tape", "lamp_at"), [("film", (-8.0, 7.0)), ("clear", (-3.0, 8.0)), ("masking", (-4.0, 6.0))]
)
def test_a_mark_in_the_image_of_a_lamp_is_found(tape, lamp_at):
    spot = scenes.Spot((-6.0, 11.0), diameter=4.2)
    clean = picture(3, tape=tape, marks=(spot,), noise=0, jpeg=None)
    u, v = places(clean)
    away = (u - lamp_at[0]) ** 2 + 1.7 * (v - lamp_at[1]) ** 2
    lamp = 45 * np.exp(-away / 90) * (np.hypot(u, v) < 23)
    (mark,) = vision.read(recorded(clean + lamp[..., None], 1)).marks
    assert mark.offset_mm == pytest.approx(spot.centre, abs=0.06)


def test_a_soft_burn_on_dark_tape_is_no_smudge():
    clean = picture(2, marks=(), noise=0, jpeg=None) * 0.4
    u, v = places(clean.astype(np.uint8))
    burn = 0.4 * np.exp(-((np.hypot(u - 3, v + 4) / 2.6) ** 2))
    (mark,) = vision.read(recorded(clean * (1 - burn[..., None]), 2)).marks
    assert mark.offset_mm == pytest.approx((3, -4), abs=0.1)


def test_a_soft_mark_in_light_that_is_no_plane_knows_that_it_was_drawn():
    x, y = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-4.5, 4.5, 72)] * 2))
    rng, near = np.random.default_rng(4), []
    for _ in range(60):
        light = cv2.GaussianBlur(rng.standard_normal((144, 144)), (0, 0), 11)[36:108, 36:108].ravel()
        bell = 50 * np.exp(-(x**2 + y**2) / 3) + 1.5 * light / light.std() + rng.normal(0, 1, x.size)
        spot = fit_spot(x, y, bell, centre=(0.0, 0.0), radius=1.5, oval=True)
        near.append(np.abs(spot.centre) < 2 * np.sqrt(_centre_variance(spot, x, y)))
    assert np.mean(near) > 0.75  # 0.72 by the waves around its edge alone


@pytest.mark.parametrize("old_at", [(2.0, 2.0), (3.3, 2.6)])
def test_a_new_mark_over_an_old_one_keeps_its_own_centre(old_at):
    old = scenes.Spot(old_at, diameter=5.0, seed=7)
    reading = vision.read(picture(marks=(old, MARK)), picture(2, marks=(old,)))
    new = [m for m in reading.marks if m.new]
    assert len(new) == 1
    assert new[0].offset_mm == pytest.approx(MARK.centre, abs=0.08)


def test_a_pen_circle_that_the_mark_touches_does_not_pull_it():
    reading = vision.read(picture(pen_circle=7.0), picture(2, pen_circle=7.0, marks=()))
    assert [m.new for m in reading.marks][:1] == [True]
    assert reading.marks[0].offset_mm == pytest.approx(MARK.centre, abs=0.03)


@pytest.mark.parametrize("cut_deg", [0, 75, 200, 290])
def test_a_cut_off_mark_tells_its_missing_side_and_the_centroid_of_the_rest(cut_deg):
    spot = replace(MARK, cut_deg=float(cut_deg), cut_depth=0.8)
    mark = vision.read(picture(marks=(spot,))).marks[0]
    assert mark.shape == "cut-off"
    assert abs((mark.flat_side_deg - cut_deg + 180) % 360 - 180) < 8
    assert mark.offset_mm == pytest.approx(scenes.true_centroid(spot), abs=0.05)


def test_a_stretched_mark_and_its_widths():
    spot = replace(MARK, stretch=1.7, axis_deg=35.0)
    mark = vision.read(picture(marks=(spot,))).marks[0]
    assert mark.shape == "stretched"
    assert mark.width_mm == pytest.approx((5 * 1.7**0.5, 5 / 1.7**0.5), rel=0.05)


@pytest.mark.parametrize("apart", [3.2, 4.5, 6.5])
def test_two_lobes_of_one_pulse_are_one_double_mark(apart):
    spot = replace(MARK, second=(4.0 - apart, 3.0))
    reading = vision.read(picture(marks=(spot,)), picture(2, marks=()))
    (mark,) = [m for m in reading.marks if m.new]
    assert mark.shape == "double"
    lobes = sorted(mark.lobes_mm)
    assert lobes[0] == pytest.approx((4.0 - apart, 3.0), abs=0.15)
    assert lobes[1] == pytest.approx((4.0, 3.0), abs=0.15)
    assert mark.offset_mm == pytest.approx((4.0 - apart / 2, 3.0), abs=0.06)
    assert "lobes_mm" in mark.as_json()


def test_marks_a_beam_s_width_apart_are_two():
    far = picture(marks=(replace(MARK, second=(4.0 - 1.9 * 5, 3.0)),))
    for reading in (vision.read(far), vision.read(far, picture(2, marks=()))):
        assert [mark.shape for mark in reading.marks] == ["round", "round"]


def test_a_large_hole_with_a_thin_burnt_rim_is_one_mark():
    spot = scenes.Spot((1.0, 1.0), diameter=11.0, hole=9.5)
    (mark,) = vision.read(picture(marks=(spot,))).marks
    assert mark.shape == "round"
    assert mark.offset_mm == pytest.approx(spot.centre, abs=0.03)


def test_a_mark_that_runs_off_the_card_gives_the_whole_one_s_centre():
    spot = replace(MARK, centre=(15.5, 16.0))
    after = picture(marks=(spot,))
    for reading in (vision.read(after), vision.read(after, picture(2, marks=()))):
        mark = reading.marks[0]
        assert mark.shape == "off-card"
        assert mark.offset_mm == pytest.approx((15.5, 16.0), abs=0.2)


def test_an_unknown_card_is_said():
    from vision.grid import grid_shapes
    from vision.raster import draw_shapes

    page = draw_shapes(grid_shapes(), (200.0, 250.0), (100.0, 115.0), dpi=70)
    answer = vision.read(np.repeat(page[..., None], 3, axis=2))
    assert isinstance(answer, vision.NoReading)
    assert "none of our cards" in answer.reason


def test_two_cards_of_one_station_are_said():
    both = np.hstack([picture(), picture(2)])
    answer = vision.read(both)
    assert isinstance(answer, vision.NoReading)
    assert answer.kind == "no-card"
    assert "two cards" in answer.reason


def test_before_of_another_station_is_said():
    answer = vision.read(picture(), picture(station="nozzle"))
    assert isinstance(answer, vision.NoReading)
    assert "nozzle" in answer.reason


def test_sigma_is_true_on_ragged_marks():
    """|error| < 2 sigma for about 95 % per axis: the error of the nominal centre under a ragged edge."""
    rng = np.random.default_rng(21)
    ratios = []
    for i in range(6):
        places = rng.uniform(-1.5, 1.5, (6, 2)) + [(x, y) for x in (-10, 0, 10) for y in (-6, 6)]
        spots = [scenes.Spot((u, v), ragged=0.03, seed=10 * i + k) for k, (u, v) in enumerate(places)]
        marks = vision.read(picture(seed=i, marks=tuple(spots), paint_seed=i)).marks
        for u, v in places:
            nearest = min(marks, key=lambda m: np.hypot(m.offset_mm[0] - u, m.offset_mm[1] - v))
            ratios.append(np.subtract(nearest.offset_mm, (u, v)) / nearest.sigma_mm)
    assert 0.85 <= np.mean(np.abs(ratios) < 2) <= 0.999
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.4


def crop(kind, at, size, *, height, slope, noise, rng):
    y, x = np.indices((64, 64)).astype(float)
    r = np.hypot(x - at[0], y - at[1])
    form = np.exp(-2 * (r / size) ** 2) if kind == "bell" else 1 / (1 + np.exp((r - size) / 0.8))
    return height * form + 40 + slope * x / 64 + rng.normal(0, noise, r.shape)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(["bell", "disc"]),
    at=st.tuples(st.floats(27, 36), st.floats(27, 36)),
    size=st.floats(8, 16),
    height=st.one_of(st.floats(40, 150), st.floats(-150, -40)),
    slope=st.floats(-12, 12),
)
def test_the_fit_finds_any_spot_bright_or_dark_on_any_slope(kind, at, size, height, slope):
    z = crop(kind, at, size, height=height, slope=slope, noise=1.0, rng=np.random.default_rng(3))
    assert locate_spot(z) == pytest.approx(at, abs=0.15)


def test_the_fit_agrees_with_general_libraries_on_a_clean_spot():
    """Centroids of photutils and scikit-image on a spot without slope, where theirs are at their best."""
    photutils = pytest.importorskip("photutils.centroids")
    measure = pytest.importorskip("skimage.measure")
    z = crop("bell", (30.4, 33.1), 11.0, height=100, slope=0, noise=0.0, rng=np.random.default_rng(0)) - 40
    assert locate_spot(z) == pytest.approx(photutils.centroid_2dg(z), abs=1e-3)
    region = measure.regionprops((z > 5).astype(int), intensity_image=z)[0]
    assert locate_spot(z) == pytest.approx(region.centroid_weighted[::-1], abs=0.02)


def test_widths_are_those_of_iso_11146():
    """Four sigma: a Gaussian's is its 1/e² diameter, a uniform disc's its diameter (ISO 11146-1)."""
    rng = np.random.default_rng(0)
    bell = fit_crop(crop("bell", (31.0, 32.0), 10.0, height=100, slope=0, noise=0.01, rng=rng))
    assert bell.widths()[:2] == pytest.approx((20, 20), rel=0.02)
    y, x = np.indices((64, 64)).astype(float)
    disc = np.clip(12.5 - np.hypot(x - 31, y - 32), 0, 1) * 100
    spot = fit_spot(x.ravel(), y.ravel(), disc.ravel(), centre=(31.0, 32.0), radius=12.0, oval=True)
    assert spot.widths()[:2] == pytest.approx((24, 24), rel=0.02)


@settings(max_examples=40, deadline=None)
@given(turn=st.floats(0, 360), depth=st.floats(0.25, 0.95), size=st.floats(0.5, 6))
def test_a_cut_circle_is_named_at_any_turn_and_size(turn, depth, size):
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    way = np.radians(turn)
    ahead = np.cos(angle - way)
    r = np.minimum(1.0, np.where(ahead > 1e-9, (1 - depth) / np.maximum(ahead, 1e-9), np.inf))
    points = size * r[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    figure = name_shape(points[::3], 1.3)
    assert figure.name == "cut-off"
    assert abs((figure.flat_side_deg - turn + 180) % 360 - 180) < 3


def edge_waves(lengths_mm, radius, rng, count=250):
    """Cosine and sine of harmonics 0 … 15 of rough edges around discs, (count, 16, 2), sd 0.05 mm each: where
    a sum of fields, one of each length, crosses a level.
    """
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    apart = 2 * radius * np.sin(turn / 2)
    alike = np.mean([np.exp(-((apart / length) ** 2) / 4) for length in lengths_mm], axis=0)
    strength = np.clip(np.fft.rfft(alike).real / 360, 0, None)[:16]
    return 0.05 * rng.normal(size=(count, 16, 2)) * np.sqrt(2 * strength)[:, None]


@pytest.mark.parametrize("lengths_mm", [(0.3,), (0.6,), (1.0,), (1.3,), (0.3, 1.0), (0.2, 1.0, 2.5)])
def test_what_an_edge_does_to_the_centre_is_foretold_from_its_finer_waves(lengths_mm):
    rng, noise = np.random.default_rng(8), 0.002  # mm
    inside, larger = [], []
    for radius in (1.5, 2.5, 3.5):
        waves = edge_waves(lengths_mm, radius, rng, count=150)
        waves += noise * rng.normal(size=waves.shape)
        power = (waves[:, 2:] ** 2).sum(axis=2) / 2
        sigma = np.sqrt([first_harmonic(p, noise**2, radius) for p in power])
        inside.append(np.abs(waves[:, 1]) < 2 * sigma[:, None])
        larger.append(sigma / waves[:, 1].std())
    assert 0.87 < np.mean(inside) < 0.997
    assert np.median(larger) < 2.0


def test_fine_teeth_do_not_hide_a_coarse_edge():
    """The oval is large, the third harmonic is not, and all from the fifth on are alike: teeth of their own.
    Were they the same roughness, the first harmonic would be no larger than they are.
    """
    power = np.array([0.03, 0.012, 0.006, *[0.003] * 11]) ** 2
    assert np.sqrt(first_harmonic(power, 1e-6, 2.0)) > 0.03
    assert np.sqrt(first_harmonic(np.full(14, 0.006**2), 1e-6, 2.0)) < 0.02


def test_an_oval_that_no_other_harmonic_shows_is_the_beam_s():
    """A large second harmonic alone is no rough edge; without one the edge is hardly a coarse one."""
    fine = np.r_[0.004**2, np.full(13, 0.004**2)]
    oval = np.r_[0.2**2, fine[1:]]
    assert first_harmonic(oval, 1e-6, 2.0) < 25 * first_harmonic(fine, 1e-6, 2.0)
    coarse = np.array([0.03, 0.015, 0.006, 0.003, *[0.001] * 10]) ** 2
    round_one = np.r_[0.002**2, coarse[1:]]
    assert first_harmonic(round_one, 1e-6, 2.0) < 0.6 * first_harmonic(coarse, 1e-6, 2.0)


def test_a_faint_mark_of_few_pixels_is_vaguer_than_its_edge_looks():
    rng = np.random.default_rng(4)
    x, y = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-3, 3, 61)] * 2))
    edge = 1.2 + 0.033 * np.sin(3 * np.arctan2(y, x)) + 0.022 * np.sin(4 * np.arctan2(y, x) + 1)
    z = 10 / (1 + np.exp((np.hypot(x, y) - edge) / 0.1)) + rng.normal(0, 0.3, x.shape)
    spot = fit_spot(x, y, z, centre=(0.0, 0.0), radius=1.2)
    assert not _is_vague(spot, x, y, 2.4, 0.05)
    assert _is_vague(spot, x, y, 2.4, 0.5)

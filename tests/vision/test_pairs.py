"""Two pictures of one card, part by part: sharpness, place, light, height, and the new mark on an old one."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import handheld
import numpy as np
import pytest
import scenes

import vision
from vision import compare
from vision.bare_tape import INSIDE_MM
from vision.card import card_sheet
from vision.compare import _doubted, covers
from vision.core import _sure, marks_on
from vision.homography import project
from vision.joint import Mismatch, Patch, explained, fit_joint, rival_rest
from vision.light import light_change
from vision.on_top import on_top
from vision.parallax import sight_slope, stand_off
from vision.reading import CardView, Mark
from vision.register import register, sharpness
from vision.tone_curve import tone_between
from vision.window import Grid, window_grid

PX_PER_MM = 6.0
# a camera that looks straight at the card from far away
FLAT = np.array([(PX_PER_MM, 0, 330.0), (0, -PX_PER_MM, 390.0), (0, 0, 1.0)])
VIEW = CardView(4, 0.05, PX_PER_MM, 0.0, FLAT)


def disc(u, v, at, radius, soft=0.15):
    return 1 / (1 + np.exp(np.clip((np.hypot(u - at[0], v - at[1]) - radius) / soft, -40, 40)))


def plane(paint, homography=FLAT):
    """A picture (780, 660, 3) of `paint(u, v)`, levels."""
    y, x = np.indices((780, 660), dtype=float)
    u, v = np.moveaxis(project(np.linalg.inv(homography), np.stack([x, y], axis=-1)), 2, 0)
    grey = paint(u, v)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def camera(tilt, place, shape=(960, 1280)):
    """Homography of the card's plane and the whole projection (3, 4) of a camera of 900 px."""
    rows, cols = shape
    inner = np.array([(900.0, 0, (cols - 1) / 2), (0, 900.0, (rows - 1) / 2), (0, 0, 1.0)])
    turn = cv2.Rodrigues(np.array(tilt))[0] @ np.diag([1.0, -1.0, -1.0])
    full = inner @ np.column_stack([turn, place])
    return full[:, [0, 1, 3]] / full[2, 3], full


def marks(u, v):
    """Tape with three old marks."""
    levels = np.full(u.shape, 190.0)
    for at in ((-9.0, 4.0), (7.0, 8.0), (3.0, -10.0)):
        levels -= 120 * disc(u, v, at, 2.5)
    return levels


def test_the_blur_of_a_picture_is_measured_at_its_markers():
    squares = list(card_sheet("mirror-1").markers.values())

    def printed(u, v):
        ink = [(abs(u - s.mean(0)[0]) < 9) & (abs(v - s.mean(0)[1]) < 9) for s in squares]
        return np.where(np.any(ink, axis=0), 30.0, 220.0)

    blurred = cv2.GaussianBlur(plane(printed), (0, 0), sigmaX=1.8, sigmaY=2.7)
    seen = sharpness(blurred, VIEW)
    assert np.sqrt([seen.along_u, seen.along_v]) == pytest.approx((0.3, 0.45), abs=0.03)
    sharper = sharpness(plane(printed), VIEW)
    assert sharper.less(seen) == pytest.approx((0.09, 0.2), abs=0.03)
    assert seen.less(sharper) == (0.0, 0.0)


def test_old_marks_tell_how_the_picture_before_is_shifted():
    """Tape off the plane seems to move along the difference of two lines of sight, by more at one end."""
    turned = camera((0.3, -0.2, 0.05), (1.0, 0.0, 200.0), shape=(780, 660))[0]
    view = CardView(4, 0.05, 4.5, 20.0, turned)
    between = sight_slope(view, (780, 660, 3), np.zeros(2)) - sight_slope(VIEW, (780, 660, 3), np.zeros(2))

    def height(u):
        return 0.3 + 0.01 * u

    before = plane(marks)
    after = plane(lambda u, v: 0.8 * marks(u + height(u) * between[0], v + height(u) * between[1]), turned)
    _, earlier = register(after, view, before, VIEW)
    assert np.hypot(*between) > 0.3
    for at in ((-9.0, 4.0), (7.0, 8.0), (3.0, -10.0)):
        moved, doubt = earlier.apart(np.array(at))
        assert moved == pytest.approx(height(at[0]) * between, abs=0.03)  # no landmark is trusted wholly
        assert np.sqrt(np.diag(doubt)).max() < 0.05
    blank = plane(lambda u, v: np.full(u.shape, 190.0))
    _, earlier = register(plane(lambda u, v: np.full(u.shape, 190.0), turned), view, blank, VIEW)
    moved, doubt = earlier.apart(np.zeros(2))
    assert np.abs(moved).max() < 0.01
    along = between / np.hypot(*between)
    assert np.sqrt(along @ doubt @ along) > 0.08  # nothing tells, and it says so


@pytest.mark.parametrize("offset", [(0.25, 0.0), (-0.1, 0.3)])
def test_a_crescent_on_an_old_mark_is_no_shift_of_a_camera_on_its_stand(offset):
    """One line of sight sees tape at any height in one place: what moved there is a mark, not the tape."""

    def burnt(u, v, pulses):
        return 40 + 150 * np.exp(-3 * sum(disc(u, v, at, 2.5) for at in pulses))

    before = plane(lambda u, v: burnt(u, v, [(2.0, 1.0)]))
    after = plane(lambda u, v: burnt(u, v, [(2.0, 1.0), (2.0 + offset[0], 1.0 + offset[1])]))
    _, earlier = register(after, VIEW, before, VIEW)
    moved, _ = earlier.apart(np.array([2.0, 1.0]))
    assert np.hypot(*moved) < 0.02


def test_a_shadow_is_light_and_a_mark_is_none():
    grid = window_grid(0.2)
    u, v = (
        np.broadcast_to(axis, (grid.side,) * 2)
        for axis in (grid.axes_mm()[0][None], grid.axes_mm()[1][:, None])
    )
    expected = np.repeat(np.full(u.shape, 180.0, np.float32)[..., None], 3, axis=2)
    shadow = -0.3 / (1 + np.exp(-(u + 0.4 * v) / 4))
    burnt = 1 - 0.6 * disc(u, v, (5.0, 5.0), 2.0)
    seen = (expected * ((1 + shadow) * burnt)[..., None]).astype(np.float32)
    field = light_change(seen, expected, grid)
    inner = grid.radius_mm() < INSIDE_MM - 3
    assert np.abs(field[..., 1] - shadow)[inner].max() < 0.06
    at_mark = np.hypot(u - 5, v - 5) < 1.5
    assert (field[..., 1] - shadow)[at_mark].min() > -0.05  # it was 0.6 darker there


def test_outside_two_views_tell_how_far_the_tape_stands_off():
    """Against the projection of a point in space, 0.3 mm before the card's plane."""
    at, height = np.array([4.0, -6.0]), 0.3
    views, seen = [], []
    for tilt, place in (((0.3, 0.2, 0.0), (2.0, 1.0, 230.0)), ((-0.25, -0.3, 0.1), (-4.0, 2.0, 250.0))):
        homography, full = camera(tilt, place)
        px = full @ (*at, height, 1.0)
        views.append(CardView(4, 0.05, 4.0, 15.0, homography))
        seen.append(project(np.linalg.inv(homography), (px[:2] / px[2])[None])[0])
    slopes = [sight_slope(view, (960, 1280, 3), at) for view in views]
    apart = seen[1] - seen[0]
    assert apart == pytest.approx(height * (slopes[0] - slopes[1]), abs=0.02)
    moved, doubt = stand_off(apart, 0.01**2 * np.eye(2), *slopes)
    assert np.hypot(*(seen[0] - at)) > 0.08
    assert seen[0] + moved == pytest.approx(at, abs=0.02)
    assert np.sqrt(np.diag(doubt)).max() < 0.03
    # no landmark: all the doubt there is of a height, 0.15 mm
    unmoved, unknown = stand_off(np.zeros(2), 25 * np.eye(2), *slopes)
    assert not unmoved.any()
    assert np.sqrt(np.trace(unknown)) == pytest.approx(0.15 * np.hypot(*slopes[0]), rel=0.01)
    still, sure = stand_off(np.zeros(2), np.eye(2), slopes[0], slopes[0] + 0.01)  # a camera on a stand
    assert not still.any()
    assert not sure.any()


def on_old(offset, moved=0.0):
    """A crop around an old mark of 5 mm with a new one at an offset, or the old one a little moved."""
    grid = Grid((0.0, 0.0), 0.15, 73)
    u, v = np.meshgrid(*grid.axes_mm())
    old, shifted = 3 * disc(u, v, (0, 0), 2.5), 3 * disc(u, v, (moved, 0), 2.5)
    new = 3 * disc(u, v, offset, 2.5) if offset is not None else 0.0
    known, seen = (190 - 130 * (1 - np.exp(-dose)) for dose in (old, shifted + new))
    noise = np.random.default_rng(3).normal(0, 0.7, u.shape)
    gone = 130 * (1 - np.exp(-old))
    return Patch(grid, known - seen + noise, known, gone, np.ones(u.shape), Mismatch(0.015, 0.008, 0.03))


@pytest.mark.parametrize("offset", [(0.4, -0.2), (0.9, 0.3)])
def test_a_new_mark_on_an_old_one_is_found_by_its_crescent(offset):
    patch = on_old(offset)
    ground = patch.rows()
    found = fit_joint(patch, [((0.0, 0.0), 2.5)], oval=False, ground=ground)
    assert found is not None
    assert found[0].centre == pytest.approx(offset, abs=0.06)
    share = explained(patch, found[0], rival_rest(patch, *ground), 2.5)
    assert share > patch.mismatch.least_share()


@pytest.mark.parametrize(("offset", "blur_mm"), [((0.7, 0.2), 0.2), ((0.7, 0.2), 0.35), ((0.9, 0.3), 0.5)])
def test_blur_does_not_drive_a_new_mark_off_the_old_one(offset, blur_mm):
    """What is blurred is the burnt tape, not the new mark and the old one each for itself."""
    fine = Grid((0.0, 0.0), 0.05, 219)
    u, v = np.meshgrid(*fine.axes_mm())
    old, new = 2.5 * disc(u, v, (0, 0), 2.5, 0.2), 2.5 * disc(u, v, offset, 2.4, 0.2)
    known, seen = (
        cv2.resize(
            cv2.GaussianBlur(190 - 130 * (1 - np.exp(-dose)), (0, 0), blur_mm / 0.05),
            (73, 73),
            interpolation=cv2.INTER_AREA,
        )
        for dose in (old, old + new)
    )
    change = known - seen + np.random.default_rng(3).normal(0, 0.4, known.shape)
    still, flat = Mismatch(0.015, 0.008, 0.03), np.ones(known.shape)
    blur = (blur_mm**2, blur_mm**2)
    patch = Patch(Grid((0.0, 0.0), 0.15, 73), change, known, 190 - known, flat, still, blur)
    found = fit_joint(patch, [((0.0, 0.0), 2.5), ((0.3, 0.0), 2.5)], oval=False, ground=patch.rows())
    assert found is not None
    assert found[0].centre == pytest.approx(offset, abs=0.08)
    unaware = replace(patch, blur_mm2=(0.0, 0.0))
    driven = fit_joint(unaware, [((0.0, 0.0), 2.5), ((0.3, 0.0), 2.5)], oval=False, ground=patch.rows())
    assert driven is not None
    assert np.hypot(*(driven[0].centre - offset)) > 2 * np.hypot(*(found[0].centre - offset))


def test_an_old_mark_that_moved_a_little_is_no_new_one():
    patch = on_old(None, moved=0.03)
    ground = patch.rows()
    found = fit_joint(patch, [((0.0, 0.0), 2.5)], oval=False, ground=ground)
    assert found is not None
    share = explained(patch, found[0], rival_rest(patch, *ground), 2.5)
    assert found[0].height < 0 or share < patch.mismatch.least_share()


def test_where_an_unseen_pulse_lies_is_as_sure_as_the_old_mark_shows_it():
    old = Mark((1.0, 2.0), (0.02, 0.02), (4.0, 4.0), "round", new=False)
    strong, faint = on_top((old,), 120.0), on_top((old,), 12.0)
    assert strong.offset_mm == old.offset_mm
    assert strong.new
    assert 0.2 < strong.sigma_mm[0] < 0.25  # a tenth of the radius: pulses differ
    assert faint.sigma_mm[0] == pytest.approx(0.27, abs=0.03)
    assert on_top((old,), 12.0, 5.0).sigma_mm[0] > 0.5
    assert on_top((), 100.0) is None
    elsewhere = Mark((6.0, 2.0), (0.02, 0.02), (4.0, 4.0), "round", new=False)
    assert on_top((old, elsewhere), 100.0) is None


def test_what_seems_to_stand_off_far_more_than_tape_does_is_doubted():
    now, then = np.array([0.3, 0.0]), np.array([-0.1, 0.1])
    far, doubt = stand_off(0.7 * (now - then), 0.02**2 * np.eye(2), now, then)
    near, _ = stand_off(0.2 * (now - then), 0.02**2 * np.eye(2), now, then)
    assert near == pytest.approx(0.2 * now, abs=0.015)
    assert np.hypot(*far) < 0.05
    assert 2 * np.sqrt(doubt[0, 0]) > 0.07


@pytest.mark.parametrize(
    ("at", "size", "lamps"),
    [
        ((-12.3, 3.9), 3.0, ((45.0, (-15.3, 6.9), 6.0), (0.0, (0.0, 0.0), 6.0))),
        ((11.0, 2.7), 2.0, ((38.0, (8.4, 8.9), 10.9), (35.0, (-3.7, 11.2), 10.3))),
    ],
)
def test_a_mark_at_a_lamps_image_is_found_and_is_no_part_of_it(at, size, lamps):
    sheet = handheld.Sheet(tape="green", texture=2.0, seed=4)
    shots = [
        handheld.Shot(
            view=scenes.View(tilt_deg=tilt, roll_deg=5), glare=glare, glare_at=place, glare_mm=width
        )
        for tilt, (glare, place, width) in zip((8, 15), lamps, strict=True)
    ]
    rng = np.random.default_rng(2)
    before = handheld.take(sheet, shots[0], rng)
    burn = handheld.Burn(at, diameter=size, dose=2.2, form="bell")
    after = handheld.take(handheld.replace(sheet, burns=(burn,)), shots[1], rng)
    (mark,) = vision.read(after, before).marks
    assert mark.offset_mm == pytest.approx(at, abs=0.15)
    assert mark.shape == "round"
    assert max(mark.width_mm) < 2 * size


def test_a_photo_by_hand_tells_no_new_mark_by_an_old_ones_rim():
    old = Mark((1.0, 2.0), (0.02, 0.02), (5.0, 4.9), "round", new=False)
    rim = replace(old, offset_mm=(1.02, 2.03), sigma_mm=(0.05, 0.05), width_mm=(5.1, 5.1), new=True)
    assert covers(old, rim)
    assert not covers(old, replace(rim, offset_mm=(1.3, 2.0)))
    assert covers(old, replace(rim, width_mm=(6.0, 5.9)))  # a soft rim looks wider
    assert not covers(old, replace(rim, width_mm=(8.0, 7.9)))
    assert Mismatch(0.07, gain=0.04).by_hand
    assert Mismatch(0.016, gain=0.2).by_hand  # from one place, but in other light
    assert not Mismatch(0.016, gain=0.04).by_hand


@pytest.mark.parametrize("burnt", [True, False])
def test_on_dark_tape_a_burn_in_a_lamp_s_image_is_found_and_the_image_is_none(burnt):
    rng = np.random.default_rng(6)

    def paint(u, v):
        lamp = 45 * np.exp(-(((u - 1) / 9) ** 2) - ((v - 5) / 7) ** 2)
        tape = 30 + lamp + 60 * burnt * disc(u, v, (4.3, 6.5), 1.8) + rng.normal(0, 1.0, u.shape)
        return np.where(np.hypot(u, v) < 23, tape, 220.0)

    found = marks_on(plane(paint), VIEW, new=None)
    assert len(found) == burnt
    if burnt:
        assert found[0].mark.offset_mm == pytest.approx((4.3, 6.5), abs=0.05)


def test_a_burn_on_a_pen_s_line_is_found_and_the_line_is_none():
    def paint(u, v, burnt=True):
        line = np.exp(-(((v - 0.4 * u - 1) / 0.35) ** 2)) * (np.abs(u + 1) < 9)
        tape = 190 - 130 * np.maximum(line, burnt * disc(u, v, (6.0, 2.5), 2.5))
        return np.where(np.hypot(u, v) < 23, tape, 220.0)

    (found,) = marks_on(plane(paint), VIEW, new=None)
    assert found.mark.offset_mm == pytest.approx((6.0, 2.5), abs=0.05)
    assert marks_on(plane(lambda u, v: paint(u, v, burnt=False)), VIEW, new=None) == []


def test_beside_a_mark_that_is_sure_one_that_is_vague_is_no_mark():
    def found(sigma_mm):
        mark = Mark((0.0, 0.0), (sigma_mm, 0.05), (5.0, 2.0), "round")
        return SimpleNamespace(mark=mark, spot=SimpleNamespace(centre=np.zeros(2)))

    sure, vague = found(0.05), found(0.3)
    assert _sure([sure, vague]) == [sure]
    assert _sure([vague]) == [vague]


@pytest.mark.parametrize(
    ("shape", "away", "kept"), [("off-card", 14.0, 1), ("off-card", 12.0, 2), ("round", 14.0, 2)]
)
def test_a_part_of_a_mark_at_the_rim_is_of_the_same_pulse_only_within_a_beams_width(shape, away, kept):
    def found(shape, u):
        mark = Mark((u, 0.0), (0.05, 0.05), (5.0, 5.0), shape)
        return SimpleNamespace(mark=mark, spot=SimpleNamespace(centre=np.array([u, 0.0])))

    whole, part = found("round", 4.0), found(shape, 4.0 + away)
    assert _sure([part, whole]) == [part, whole][2 - kept :]
    assert _sure([part]) == [part]


def test_another_tone_curve_is_no_new_mark():
    grid = Grid((0.0, 0.0), 0.15, 73)
    u, v = np.meshgrid(*grid.axes_mm())
    known = 230 - 200 * np.exp(-(u**2 + v**2) / 6)
    seen = 255 * (known / 255) ** 1.35 + np.random.default_rng(3).normal(0, 0.5, u.shape)
    patch = Patch(grid, known - seen, known, 230 - known, np.ones(u.shape), Mismatch(0.03, 0.01, 0.4))
    rest = rival_rest(patch, *patch.rows())
    assert np.std(rest) < 1.0


def test_outside_a_tone_curve_is_told_by_old_marks_whatever_the_light():
    """Curves that are powers, as that of sRGB nearly is (IEC 61966-2-1), and light that falls off."""
    u, v = np.meshgrid(np.linspace(-15, 15, 151), np.linspace(-15, 15, 151))
    share = np.exp(-1.2 * disc(u, v, (-6, 2), 2.5, 0.6) - 2 * disc(u, v, (6, -5), 2.0, 0.6))
    new = np.exp(-1.5 * disc(u, v, (4, 8), 2.5))
    light = 1 + 0.02 * u

    def shown(of, light, power):
        return np.repeat((235 * (0.7 * light * of) ** power).reshape(-1, 1), 3, axis=1)

    expected, unburnt = shown(share, 1.0, 0.8), shown(1.0 + 0 * u, 1.0, 0.8)
    tape = shown(1.0 + 0 * u, light, 1.1)
    seen = shown(share * new, light, 1.1) + np.random.default_rng(1).normal(0, 1, expected.shape)
    lit = expected * tape / unburnt  # what a smooth change of light alone foretells
    at_old = share.ravel() < 0.7
    assert np.abs(seen - lit)[at_old].mean() > 8
    foretold = tone_between(seen, lit, tape).of(lit[None], tape[None])[0]
    assert np.abs(seen - foretold)[at_old].mean() < 3
    burnt = new.ravel() < 0.3
    assert (foretold - seen)[burnt].mean() > 0.9 * (lit - seen)[burnt].mean()  # the new mark stays


def test_what_older_marks_hide_makes_a_mark_less_sure_by_its_short_edge_and_by_relief():
    mark = Mark((1.0, 2.0), (0.03, 0.04), (5.0, 4.9), "round", new=True)
    assert _doubted(mark, 0.0, 1.0) == mark.sigma_mm
    assert _doubted(mark, 1.0, 1.0) == pytest.approx(np.hypot((0.0405, 0.054), 0.05))
    assert _doubted(mark, 1.0, 0.6) == pytest.approx(np.hypot((0.0405, 0.054), 0.03))  # in units of a card


def test_bare_tape_and_old_marks_are_expected_in_the_light_of_now():
    """Also where old marks lie, bare tape is as bright as beside them."""

    def light(u, v):
        return 1 - 0.2 * np.exp(-((u - 5) ** 2 + v**2) / (2 * 10.0**2))  # a soft shadow

    before = plane(lambda u, v: np.where(np.hypot(u, v) < 24, marks(u, v), 120.0))
    after = plane(lambda u, v: np.where(np.hypot(u, v) < 24, marks(u, v) * light(u, v), 120.0))
    pair, grid = compare.compare(after, VIEW, before, VIEW), window_grid(0.5)
    u, v = np.meshgrid(*grid.axes_mm())
    inside = grid.radius_mm() < INSIDE_MM - 1
    wanted = {"unburnt": 190.0 * light(u, v), "expected": marks(u, v) * light(u, v)}
    for name, levels in wanted.items():
        found = getattr(pair, name)(grid).mean(axis=-1)
        assert np.percentile(np.abs(found - levels)[inside], 95) < 6, name

"""A frame against a quiet one in plain numbers: no picture is painted, each level is given."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

import cv2
import numpy as np
import pytest
from test_stream import VIEW

from vision.pulse import Change, Quiet, Steps, change_from, like

module = import_module("vision.pulse")
GRID = Quiet.grid_of()
SIDE = GRID.side
RADIUS = GRID.radius_mm()
INSIDE = RADIUS < 21.5  # one mm inside the window's rim
POINTS = np.argwhere(INSIDE)
FLAT = np.full((SIDE, SIDE, 3), 100.0, np.float32)


def quiet(flat=FLAT, slack=0.0) -> Quiet:
    none = np.zeros((3, SIDE, SIDE, 3), np.float32)
    return Quiet(
        flat.copy(), INSIDE.astype(np.float32), GRID, np.full((SIDE, SIDE), slack), none, np.zeros((3, 3))
    )


@pytest.fixture
def change_seen(monkeypatch):
    """Calls `change_from` with a frame's flat picture as given; nothing is smoothed."""
    monkeypatch.setattr(module, "_smooth", lambda flat: np.asarray(flat, np.float32))

    def ask(now, before=None) -> Change:
        monkeypatch.setattr(module, "flatten_view", lambda *_: now)
        return change_from(before or quiet(), np.zeros(0), VIEW)

    return ask


def spread(size):
    """Half of the window so much more, half so much less, a few points in between: typically that size."""
    levels = np.zeros((SIDE, SIDE, 3), np.float32)
    half = len(POINTS) // 2
    levels[tuple(POINTS[: half - 4].T)], levels[tuple(POINTS[half + 5 :].T)] = size, -size
    return levels


def with_peaks(now, *peaks):
    """That frame with levels added at as many points far from each other."""
    now = now.copy()
    for i, levels in enumerate(peaks):
        now[tuple(POINTS[len(POINTS) // 4 + 7 * i])] += np.asarray(levels, np.float32)
    return now


def test_the_quiet_frame_is_what_is_seen_within_a_millimetre_of_the_rim(monkeypatch):
    """Of x² - 2 y² + 3 x y in mm: slopes, and the sum of both second derivatives, 2 - 4."""
    u, v = np.meshgrid(*GRID.axes_mm())
    paint = np.repeat((u**2 - 2 * v**2 + 3 * u * v)[..., None], 3, axis=2).astype(np.float32)
    monkeypatch.setattr(module, "flatten_view", lambda *_: paint)
    monkeypatch.setattr(module, "_smooth", lambda flat: flat)
    one = Quiet.of(np.zeros(0), VIEW)
    assert np.array_equal(one.inside > 0, INSIDE)
    assert one.grid.pitch_mm == 0.5
    inner = RADIUS < 15
    for term, wanted in zip(one.terms, (2 * u + 3 * v, -4 * v + 3 * u, 0 * u - 2.0), strict=True):
        assert term[inner] == pytest.approx(np.repeat(wanted[inner][:, None], 3, axis=1), abs=1e-3)
    assert not one.terms[:, ~INSIDE].any()
    rows = one.terms.reshape(3, -1).astype(float)
    assert one.gram == pytest.approx(rows @ rows.T, rel=1e-4)
    # the steepest of three by three points, times what a camera that trembles moves
    at = (SIDE // 2 + 20, SIDE // 2 - 10)
    around = paint[at[0] - 1 : at[0] + 2, at[1] - 1 : at[1] + 2, 0]
    assert one.slack[at] == pytest.approx(0.15 * np.ptp(around), rel=1e-5)


@pytest.mark.parametrize("height", [0.3, 1.0])
@pytest.mark.parametrize("which", range(3))
def test_what_explains_a_change_is_held_by_what_is_likely_of_it(which, height):
    """A single term of norm 1: of a coefficient c, with noise s and a likely size d, c / (1 + s²/d²) goes."""
    terms = np.zeros((3, SIDE, SIDE, 3), np.float32)
    for i in range(3):
        terms[i, i, i, i] = 1.0
    one = replace(quiet(), terms=terms, gram=np.eye(3))
    likely = (0.05, 0.05, 0.02)[which]
    left = one.unmoved(height * terms[which], 0.03)
    wanted = height * (1 - 1 / (1 + (0.03 / likely) ** 2))
    assert left[which, which, which] == pytest.approx(wanted, rel=1e-4)
    assert np.count_nonzero(left) == 1


def test_exposure_and_lamp_are_evened_out_colour_by_colour(change_seen):
    before = with_peaks(FLAT, *[(40.0, 20.0, 10.0)] * 9)
    gain = np.array([0.8, 0.9, 0.75])
    seen = change_seen(before * gain.astype(np.float32) + np.float32(0.5), quiet(before))
    assert np.abs(seen.levels).max() < 0.3  # of the half level added, what the gain does not explain
    assert not seen.changed.any() and seen.share == 0.0
    assert not change_seen(before * 0.5, quiet(before)).changed.any()


def test_what_is_nearly_black_tells_no_gain(change_seen):
    """A level of 2 that becomes 4 may be noise: it counts as from 4 to 4."""
    dark = np.full_like(FLAT, 2.0)
    assert change_seen(np.full_like(FLAT, 4.0), quiet(dark)).levels == pytest.approx(0.0)
    one = change_seen(with_peaks(np.full_like(FLAT, 4.0), *[30.0] * 5), quiet(with_peaks(dark, *[3.0] * 5)))
    assert one.levels[tuple(POINTS[len(POINTS) // 4])] == pytest.approx(34.0 - 5.0 - 2.0)


@pytest.mark.parametrize(("height", "seen"), [(12.4, False), (12.8, True)])
def test_a_point_has_changed_by_seven_times_the_noise(change_seen, height, seen):
    """Of 1 level: 1.4826 by the median, and 0.3 more."""
    one = change_seen(FLAT + with_peaks(spread(1.0), *[height - 1.0] * 4))
    assert 12.4 < 7 * (1.4826 + 0.3) < 12.8
    assert one.changed.sum() == (4 if seen else 0)
    assert one.is_local == seen
    assert one.share == pytest.approx(one.changed.sum() / len(POINTS))


@pytest.mark.parametrize("slack", [0.0, 5.0])
def test_a_change_is_of_three_levels_and_more_at_old_edges(change_seen, slack):
    for height, seen in ((3.0, 0), (3.05, 1)):
        one = change_seen(with_peaks(FLAT, *[slack + height] * 4), quiet(slack=slack))
        assert one.changed.sum() == 4 * seen
        assert one.is_local == bool(seen)


def test_the_contrast_and_the_glow_are_those_of_the_fourth_point(change_seen):
    one = change_seen(with_peaks(FLAT, 50.0, 40.0, 30.0, 20.0, 10.0))
    assert (one.contrast, one.brighter) == pytest.approx((20.0, 20.0))
    darker = change_seen(with_peaks(FLAT, -50.0, -40.0, -30.0, -20.0, -10.0))
    assert (darker.contrast, darker.brighter) == pytest.approx((20.0, 0.0))
    hue = change_seen(with_peaks(FLAT, *[(50.0, 9.0, 30.0)] * 4))  # a glow is brighter in all colours
    assert (hue.contrast, hue.brighter) == pytest.approx((50.0, 9.0))
    assert (
        change_seen(FLAT + 1000 * (~INSIDE)[..., None]).contrast == 0.0
    )  # what is beyond the rim is no change


@pytest.mark.parametrize("lamp", [1.0, 0.5])
@pytest.mark.parametrize(("red", "wide"), [(1.3, False), (1.31, True)])
def test_one_colour_far_from_the_others_is_other_tape(change_seen, red, wide, lamp):
    one = change_seen(FLAT * np.float32([lamp, lamp, lamp * red]))
    assert (one.covers_much, one.share) == (wide, 1.0 if wide else 0.0)


@pytest.mark.parametrize(("share", "wide"), [(0.34, False), (0.36, True)])
def test_a_hand_covers_a_third_of_the_window(change_seen, share, wide):
    now = FLAT.copy()
    now[tuple(POINTS[: int(share * len(POINTS))].T)] -= 60.0
    one = change_seen(now)
    assert one.share == pytest.approx(share, abs=0.001)
    assert (one.covers_much, one.is_local) == (wide, not wide)


def test_a_quiet_frame_follows_what_is_no_pulse_by_a_twentieth():
    one = quiet()
    levels = spread(40.0)
    one.drift(changed(levels, INSIDE))
    assert one.flat - FLAT == pytest.approx(levels / 20, abs=1e-4)


# a step in time


def noisy(size, seed=0):
    return np.random.default_rng(seed).normal(0, size, (SIDE, SIDE, 3)).astype(np.float32)


def looked(levels, *, frames=30, cleared=0):
    """The frames (from 1) after which a step was looked for, by what was given for each."""
    steps, found = Steps(), []
    for _ in range(cleared):
        steps.take(levels(0), quiet())
    steps.clear()
    for number in range(1, frames + 1):
        where = steps.take(levels(number), quiet())
        if where is not None:
            found.append((number, where))
    return found


BLOCK = np.zeros((SIDE, SIDE), bool)
BLOCK[40:44, 50:54] = True


def test_frames_are_looked_at_every_third_time_once_there_are_eleven():
    """A step that grows from frame to frame is there whenever it is looked for."""

    def rising(number):
        return np.float32(4 * number) * BLOCK[..., None] + np.zeros(3, np.float32)

    assert [number for number, _ in looked(rising)] == [12, 15, 18, 21, 24, 27, 30]
    # the count goes on when frames are forgotten, and still eleven are needed
    assert [number for number, _ in looked(rising, cleared=2)][:2] == [13, 16]
    assert [number for number, _ in looked(rising, cleared=1)][:2] == [11, 14]


@pytest.mark.parametrize(
    ("flash", "seen"),
    [
        (1, []),
        (2, [12]),
        (6, [12, 15]),
        (7, [15]),
        (8, [12, 15, 18]),
        (9, [12, 15, 18]),
        (10, [12, 18]),
        (16, [18]),
    ],
)
def test_a_step_is_the_mean_of_the_last_five_of_eleven_against_the_first_five(flash, seen):
    """A flash of one frame is seen when it is among either: at 12 among frames 2 to 6 or 8 to 12."""
    found = looked(lambda n: 40.0 * (n == flash) * BLOCK[..., None].repeat(3, 2), frames=21)
    assert [number for number, _ in found] == seen


def test_what_was_there_all_the_time_is_no_step():
    assert looked(lambda n: 40.0 * BLOCK[..., None].repeat(3, 2)) == []
    assert [n for n, _ in looked(lambda n: -40.0 * (n < 7) * BLOCK[..., None].repeat(3, 2), frames=12)] == [
        12
    ]


def test_where_it_stepped_is_told_and_a_point_alone_is_no_step():
    (_, where), *_ = looked(lambda n: 20.0 * (n > 6) * BLOCK[..., None].repeat(3, 2))
    assert where[BLOCK].all()
    assert where.sum() <= 8 * 8
    assert where.dtype == bool


@pytest.mark.parametrize(("points", "seen"), [(5, False), (6, True)])
def test_a_step_has_six_points_together(monkeypatch, points, seen):
    monkeypatch.setattr(module, "_smooth_by", lambda flat, _: flat)
    line = np.zeros((SIDE, SIDE, 3), np.float32)
    line[40, 40 : 40 + points] = 9.0
    line[50, 50:53] = line[60, 60:64] = 9.0  # what lies elsewhere does not count
    assert bool(looked(lambda n: line * (n > 6))) == seen


@pytest.mark.parametrize(("levels", "seen"), [(0.6, False), (0.61, True)])
def test_a_step_is_of_six_tenths_of_a_level(monkeypatch, levels, seen):
    monkeypatch.setattr(module, "_smooth_by", lambda flat, _: flat)
    monkeypatch.setattr(Quiet, "unmoved", lambda self, step, spread: step)
    frames = looked(lambda n: levels * (n > 6) * BLOCK[..., None].repeat(3, 2), frames=12)
    assert bool(frames) == seen


@pytest.mark.parametrize(("times", "seen"), [(5.8, False), (6.2, True)])
def test_a_step_is_six_times_the_noise(monkeypatch, times, seen):
    """The noise of means of five frames, by the median over the window."""
    monkeypatch.setattr(module, "_smooth_by", lambda flat, _: flat)
    monkeypatch.setattr(Quiet, "unmoved", lambda self, step, spread: step)
    rough = spread(1.0)
    height = times * 1.4826 - 1.0
    step = rough + height * np.sign(rough) * BLOCK[..., None]
    assert bool(looked(lambda n: step * (n > 6), frames=12)) == seen


def test_the_spread_that_holds_a_shift_is_the_step_s_own(monkeypatch):
    held = []
    monkeypatch.setattr(Quiet, "unmoved", lambda self, step, spread: held.append(spread) or step)
    looked(lambda n: spread(2.0) * (n > 6), frames=12)
    assert held == pytest.approx([1.4826 * 2.0 + 0.1], rel=1e-5)


@pytest.mark.parametrize(("share", "seen"), [(0.33, True), (0.37, False)])
def test_a_step_of_a_third_of_the_window_is_a_lamp(monkeypatch, share, seen):
    monkeypatch.setattr(module, "_smooth_by", lambda flat, _: flat)
    wide = np.zeros((SIDE, SIDE, 3), np.float32)
    wide[tuple(POINTS[: int(share * len(POINTS))].T)] = 9.0
    assert bool(looked(lambda n: wide * (n > 6), frames=12)) == seen


# likeness


def changed(levels, where) -> Change:
    return Change(np.asarray(levels, np.float32), 0.1, 9.0, where)


def test_patterns_are_compared_where_either_changed_and_a_point_around():
    levels = noisy(3.0, 1)
    one = changed(np.where(BLOCK[..., None], 50.0, levels), BLOCK)
    other = changed(np.where(BLOCK[..., None], 50.0, -levels), np.zeros_like(BLOCK))
    around = cv2.dilate(BLOCK.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    a, b = one.levels[around].ravel(), other.levels[around].ravel()
    cosine = a @ b / (np.linalg.norm(a) * np.linalg.norm(b))
    assert like(one, other) == like(other, one) == pytest.approx(cosine)
    assert 0.9 < cosine < 1.0


def test_no_change_is_like_nothing():
    nothing = changed(np.zeros((SIDE, SIDE, 3)), np.zeros((SIDE, SIDE), bool))
    assert like(nothing, nothing) == 0.0
    assert like(nothing, changed(noisy(3.0), BLOCK)) == 0.0

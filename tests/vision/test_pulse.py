"""How a frame differs from a quiet one: known discs, lamps and shifts, and a step in time below the noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_pairs import disc
from test_stream import VIEW, change

from vision.pulse import Change, Quiet, Steps, change_from

GRID = Quiet.grid_of()
U, V = np.meshgrid(*GRID.axes_mm())
OLD = (-6.0, 5.0)


def frame(at=None, levels=-40.0, lamp=(1.0, 1.0, 1.0), shift=0.0, radius=2.5):
    """Tape with an old mark, and at `at` a new one; 5 px per mm."""
    y, x = np.indices((400, 400))
    u, v = (x - 200) / 5.0 - shift, (200 - y) / 5.0
    grey = 150.0 - 80 * disc(u, v, OLD, 2.5, soft=0.3)
    if at:
        grey = grey + levels * disc(u, v, at, radius, soft=0.05)
    return np.clip(np.rint(grey[..., None] * lamp), 0, 255).astype(np.uint8)


QUIET = Quiet.of(frame(), VIEW)


@pytest.mark.parametrize("lamp", [(1.0, 1.0, 1.0), (0.7, 0.7, 0.7), (1.2, 1.1, 1.0)])
@pytest.mark.parametrize("levels", [-40.0, 40.0])
def test_a_disc_is_one_local_change_in_any_light(lamp, levels):
    seen = change_from(QUIET, frame((5.0, 3.0), levels, lamp), VIEW)
    assert seen.is_local
    away = np.hypot(U - 5.0, V - 3.0)
    assert seen.changed[away < 2.2].all()
    assert not seen.changed[away > 3.7].any()
    assert (U[seen.changed].mean(), V[seen.changed].mean()) == pytest.approx((5.0, 3.0), abs=0.15)
    assert seen.contrast == pytest.approx(40 * max(lamp), rel=0.1)
    assert seen.share == pytest.approx(seen.changed.sum() / (QUIET.inside > 0).sum())
    assert seen.brighter == pytest.approx(40 * min(lamp) if levels > 0 else 0.0, abs=4.0)


def test_nothing_new_is_no_change_and_neither_is_a_knock_within_the_slack():
    for same in (frame(), frame(lamp=(0.6,) * 3), frame(shift=0.03)):
        seen = change_from(QUIET, same, VIEW)
        assert not seen.is_local
        assert not seen.covers_much
    assert change_from(QUIET, frame(shift=0.6), VIEW).is_local


@pytest.mark.parametrize(("red", "wide"), [(1.25, False), (1.35, True)])
def test_other_colour_is_other_tape(red, wide):
    assert change_from(QUIET, frame(lamp=(1.0, 1.0, red)), VIEW).covers_much == wide


@pytest.mark.parametrize(
    ("points", "share", "local", "wide"),
    [(3, 0.01, False, False), (4, 0.01, True, False), (99, 0.35, True, False), (99, 0.36, False, True)],
)
def test_a_change_is_local_between_noise_and_a_hand(points, share, local, wide):
    changed = np.zeros(GRID.side**2, bool)
    changed[:points] = True
    one = Change(np.zeros((1, 1, 3)), share, 9.0, changed)
    assert (one.is_local, one.covers_much) == (local, wide)


def test_what_a_shift_explains_is_taken_away_and_a_burn_is_not():
    moved = change_from(QUIET, frame(shift=0.05), VIEW).levels
    left = QUIET.unmoved(moved, 0.3)
    assert np.square(left).sum() < 0.1 * np.square(moved).sum()
    burn = change_from(QUIET, frame((5.0, 3.0)), VIEW).levels
    assert np.square(QUIET.unmoved(burn, 0.3)).sum() > 0.95 * np.square(burn).sum()


def test_the_terms_of_a_shift_are_the_slopes_of_the_frame():
    sloping = Quiet.of(plane_of(lambda u, v: 120 + 2 * u - 1.5 * v), VIEW)
    inside = GRID.radius_mm() < 15
    by_u, by_v, bend = (term[inside] for term in sloping.terms)
    assert by_u == pytest.approx(2.0, abs=0.3)
    assert by_v == pytest.approx(-1.5, abs=0.3)
    assert bend.mean() == pytest.approx(0.0, abs=0.05)
    assert (by_u.mean(), by_v.mean()) == pytest.approx((2.0, -1.5), abs=0.02)


def plane_of(paint):
    y, x = np.indices((400, 400))
    grey = paint((x - 200) / 5.0, (200 - y) / 5.0)
    return np.repeat(np.rint(grey)[..., None], 3, axis=2).astype(np.uint8)


def test_a_quiet_frame_takes_over_a_twentieth_of_what_is_no_pulse():
    quiet = replace(QUIET, flat=QUIET.flat.copy())
    quiet.drift(change((0.0, 0.0), 20.0))
    assert (quiet.flat - QUIET.flat).max() == pytest.approx(1.0, abs=1e-3)


def stepped(levels, frames=24, at=(5.0, 3.0), radius=2.0):
    """How many frames after a step in time it is reported, and where."""
    rng, steps = np.random.default_rng(7), Steps()
    where = np.hypot(U - at[0], V - at[1]) < radius
    for number in range(frames + 12):
        levels_now = rng.normal(0, 1.0, (*U.shape, 3)) + (levels * where * (number >= 12))[..., None]
        step = steps.take(levels_now.astype(np.float32), QUIET)
        if step is not None:
            return number - 12, step
    return None


def test_a_step_far_below_a_frame_s_noise_is_seen_within_ten_frames():
    after, where = stepped(-4.0)
    assert 0 <= after < 10
    assert (U[where].mean(), V[where].mean()) == pytest.approx((5.0, 3.0), abs=0.3)
    assert not where[np.hypot(U - 5.0, V - 3.0) > 3.0].any()
    assert stepped(0.0) is None
    assert stepped(-4.0, radius=0.3) is None  # less than a mark
    assert stepped(-4.0, radius=18.0) is None  # a lamp


def test_what_was_cleared_is_forgotten():
    steps = Steps()
    levels = np.zeros((*U.shape, 3), np.float32)
    for _ in range(11):
        steps.take(levels, QUIET)
    steps.clear()
    for _ in range(10):
        assert steps.take(levels - 20 * (np.hypot(U, V) < 2)[..., None], QUIET) is None

"""Parts of a stream without pictures: a knock, a mark undone, where a step lies, what a new card forgets."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from vision.fit import fit_spot
from vision.live import Stream, _lies_on, _with_newest
from vision.on_top import on_top
from vision.pulse import Change, Quiet, like
from vision.reading import CardView, Mark, Reading

VIEW = CardView(4, 0.05, 5.0, 0.0, np.array([(5.0, 0, 200.0), (0, -5.0, 200.0), (0, 0, 1.0)]))
MARK = Mark((3.0, 2.0), (0.02, 0.02), (5.0, 5.0), "round")
SIDE = Quiet.grid_of().side
U, V = np.meshgrid(*Quiet.grid_of().axes_mm())


def moved(px: float) -> CardView:
    homography = VIEW.homography.copy()
    homography[0, 2] += px
    return replace(VIEW, homography=homography)


def change(at: tuple[float, float], levels: float, radius: float = 2.0) -> Change:
    where = np.hypot(U - at[0], V - at[1]) < radius
    stack = np.repeat((levels * where)[..., None], 3, axis=2).astype(np.float32)
    return Change(stack, float(where.mean()), abs(levels), where)


def follower(at: tuple[float, float], radius: float = 2.5) -> SimpleNamespace:
    z = 100.0 / (1 + np.exp((np.hypot(U - at[0], V - at[1]) - radius) / 0.3))
    spot = fit_spot(U.ravel(), V.ravel(), z.ravel(), centre=at, radius=radius)
    return SimpleNamespace(spot=spot, mark=replace(MARK, offset_mm=at))


@pytest.mark.parametrize(("px", "knocked"), [(0.0, False), (2.9, False), (3.1, True), (-3.1, True)])
def test_a_jump_of_more_than_0_6_mm_is_a_knock(px, knocked):
    stream = Stream(_view=VIEW)
    stream._notice_knock()
    assert stream._anchor is VIEW
    stream._view = moved(px)
    stream._notice_knock()
    assert (stream._events == ["card moved"]) == knocked
    assert (stream._anchor is VIEW) == (not knocked)


def test_a_camera_that_creeps_is_knocked_once_it_has_gone_far_enough():
    stream = Stream(_view=VIEW)
    for px in np.arange(0.0, 7.0, 0.5):
        stream._view = moved(px)
        stream._notice_knock()
    assert stream._events == ["card moved"]  # at 3.5 px from where it was; the next at 7


def test_a_change_like_the_last_mark_the_other_way_is_its_fading():
    stream = Stream(_mark_change=change((3.0, 2.0), -40.0))
    assert stream._fades(change((3.0, 2.0), 10.0))
    assert not stream._fades(change((3.0, 2.0), -10.0))
    assert not stream._fades(change((-6.0, 2.0), 10.0))
    assert not Stream()._fades(change((3.0, 2.0), 10.0))


def test_patterns_are_alike_whatever_their_strength():
    one = change((3.0, 2.0), -40.0)
    assert like(one, change((3.0, 2.0), -4.0)) == pytest.approx(1.0)
    assert like(one, change((3.0, 2.0), 4.0)) == pytest.approx(-1.0)
    assert like(one, change((-9.0, 2.0), -40.0)) == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("at", "lies"), [((0.0, 0.0), True), ((2.4, 0.0), True), ((4.5, 0.0), False), ((9.0, 9.0), False)]
)
def test_a_step_lies_on_an_old_mark_or_beside_it(at, lies):
    stepped = np.hypot(U - at[0], V - at[1]) < 1.2
    assert _lies_on(stepped, [follower((0.0, 0.0))], VIEW) == lies
    assert _lies_on(stepped, [follower((-14.0, 0.0)), follower((0.0, 0.0))], VIEW) == lies


def test_a_new_card_forgets_the_tape_but_not_the_place():
    reading = Reading("mirror-1", (MARK,), VIEW)
    stream = Stream(_view=VIEW, _reading=reading, _pulse_s=1.0, _calm=3, _mark_change=change((0, 0), 1.0))
    stream.pulse_told(2.0)
    stream.fresh_card()
    assert stream._view is VIEW
    gone = (stream._reading, stream._pulse_s, stream._mark_change, stream._told_s, stream._quiet)
    assert gone == (None,) * 5
    assert stream._calm == 0


def test_a_mark_seen_again_takes_the_newest_one_s_place():
    old = replace(MARK, offset_mm=(-5.0, 0.0), new=False)
    reading = _with_newest(
        Reading("nozzle", (MARK, old), VIEW, ("far",)), replace(MARK, offset_mm=(3.1, 2.0)), VIEW
    )
    assert [mark.offset_mm for mark in reading.marks] == [(3.1, 2.0), (-5.0, 0.0)]
    assert reading.warnings == ("far",)


def test_an_unseen_pulse_lies_on_the_marks_of_one_place_only():
    """unseen = least · blur · sqrt(2 pi) / contrast; a tenth of the radius for pulses that differ."""
    answer = on_top((MARK,), 100.0, 1.5)
    assert answer is not None
    unseen = 1.5 * 0.6 * np.sqrt(2 * np.pi) / 100
    assert answer.sigma_mm[0] == pytest.approx(np.sqrt(0.02**2 + unseen**2 + 0.25**2))
    near = replace(MARK, offset_mm=(3.9, 2.0))
    assert on_top((MARK, near), 100.0) is not None
    assert on_top((MARK, replace(MARK, offset_mm=(4.1, 2.0))), 100.0) is None
    assert on_top((), 100.0) is None

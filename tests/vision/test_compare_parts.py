"""How two pictures of one card are compared: how unlike they are, what is searched, which mark is plain."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from test_pulse import frame
from test_stream import VIEW

from vision.candidates import Candidate
from vision.compare import Comparison, _away_from, _is_plain, _mismatch, _on_one_mark, changes
from vision.joint import Mismatch
from vision.light import darker
from vision.register import Sharpness, Shown, sharpness
from vision.tone_curve import SAME
from vision.window import Grid, window_grid

module = import_module("vision.compare")  # the package has a function of this name


def shown(blur_mm2=(0.0, 0.0)) -> Shown:
    return Shown(frame(), VIEW, Sharpness(0.0, 0.0), blur_mm2)


def test_a_stand_s_pictures_err_little_and_more_with_blur_and_light():
    grid = window_grid(0.4)
    dark = np.zeros((grid.side, grid.side, 3), np.float32)
    tape = SimpleNamespace(coefficients=np.ones((7, 3)))
    least = _mismatch(shown(), shown(), tape, dark, grid)
    assert (least.shift_mm, least.blur_mm2, least.gain) == pytest.approx((0.015, 0.008, 0.03))
    blurry = _mismatch(shown(), shown((0.01, 0.02)), tape, dark, grid)
    assert (blurry.shift_mm, blurry.blur_mm2, blurry.gain) == pytest.approx((0.015, 0.008 + 0.006, 0.03))
    lit = SimpleNamespace(coefficients=np.array([[1.0] * 3] * 6 + [[1.0, 1.0, 0.8]]))
    brighter = _mismatch(shown(), shown(), lit, dark + 0.1, grid)
    assert brighter.gain == pytest.approx(0.03 + 0.3 * np.log(1 / 0.8) + 0.1, rel=1e-3)


@pytest.mark.parametrize(
    ("away", "strength", "one"), [(3.9, 9.0, True), (4.1, 9.0, False), (3.9, 10.0, False)]
)
def test_a_weaker_candidate_near_by_may_be_of_the_same_mark(away, strength, one):
    def candidate(u, strength):
        return Candidate((u, 1.0), 1.0, np.zeros((1, 1), bool), np.ones(3), strength)

    assert _on_one_mark(candidate(0.0, 10.0), candidate(away, strength), None) == one


def test_tape_beside_a_candidate_is_one_and_a_half_radii_away():
    grid = Grid((3.0, -2.0), 0.1, 81)
    u, v = np.meshgrid(*grid.axes_mm())
    candidate = Candidate((3.5, -2.5), 1.2, np.zeros((1, 1), bool), np.ones(3), 9.0)
    away, beside = np.hypot(u - 3.5, v + 2.5), _away_from(candidate, grid)
    assert beside[away > 2.001].all()
    assert not beside[away < 1.999].any()


@pytest.mark.parametrize(
    ("brighter", "ground", "plain"),
    [(-0.26, None, True), (0.26, None, True), (-0.24, None, False), (-0.9, object(), False)],
)
def test_a_plain_mark_changes_a_quarter_of_bare_tape(brighter, ground, plain):
    assert _is_plain(SimpleNamespace(brighter=brighter, ground=ground)) == plain


def test_a_picture_without_a_card_is_taken_for_sharp():
    blank = sharpness(np.full((400, 400, 3), 200, np.uint8), VIEW)
    assert (blank.along_u, blank.along_v, blank.sd_mm) == (0.0, 0.0, 0.0)
    assert Sharpness(0.04, 0.09).sd_mm == pytest.approx(0.3)


PLAIN, FAINT = (SimpleNamespace(brighter=one, ground=None) for one in (-0.5, -0.1))
COARSE = window_grid(1.0)


def compared(tone=SAME) -> Comparison:
    """100 levels before, 120 in another light; 60 and 72 where nothing was ever burnt."""
    stack = np.ones((COARSE.side, COARSE.side, 3), np.float32)
    on = SimpleNamespace(on=lambda _: 100 * stack)
    tape = SimpleNamespace(expected=lambda _, known: known)
    bare = SimpleNamespace(expected=lambda *_: 60 * stack)
    return Comparison(VIEW, on, on, tape, bare, 0.2 * stack, COARSE, None, tone)


def test_the_picture_before_is_expected_in_the_new_light_and_tones():
    grid = Grid((2.0, 1.0), 0.5, 11)
    plain = Comparison.expected(
        replace(compared(), earlier=SimpleNamespace(on=lambda _: np.full((11, 11, 3), 100.0))), grid
    )
    assert plain == pytest.approx(120.0)
    assert compared().unburnt(COARSE) == pytest.approx(72.0)
    bent = compared(SimpleNamespace(of=lambda lit, unburnt: lit - 2 * unburnt))
    assert bent.expected(COARSE) == pytest.approx(120.0 - 2 * 72.0)


def test_other_light_and_tones_change_what_is_expected_of_old_marks_only():
    """Without the tone curve, and with the light as so many levels more on burnt tape as on bare tape."""
    bent = compared(SimpleNamespace(of=lambda lit, unburnt: lit - 2 * unburnt))
    by_hand = replace(bent, mismatch=Mismatch(gain=0.3))
    untoned, added = by_hand.otherwise(COARSE)
    assert untoned == pytest.approx(2 * 72.0)
    assert added == pytest.approx(0.2 * (60 - 100), rel=1e-5)
    assert len(replace(by_hand, tone=SAME).otherwise(COARSE)) == 1
    bare = replace(by_hand, earlier=SimpleNamespace(on=by_hand.bare.expected), tone=SAME)
    assert bare.otherwise(COARSE)[0] == pytest.approx(0.0, abs=1e-4)
    assert replace(bent, mismatch=Mismatch(0.016, gain=0.04)).otherwise(COARSE) == []


@pytest.mark.parametrize(
    ("found", "outstanding", "wanted", "searches"),
    [
        ([[FAINT]], True, [FAINT], [None]),  # whatever is found at once counts
        ([[], [PLAIN, FAINT]], True, [PLAIN], [None, None]),  # within lamps' images only what is plain
        ([[], [FAINT], [PLAIN]], True, [PLAIN], [None, None, darker]),
        ([[], [], []], True, [], [None, None, darker]),
        ([[]], False, [], [None]),
    ],
)
def test_lamps_images_are_searched_where_nothing_else_was_found(
    monkeypatch, found, outstanding, wanted, searches
):
    asked = []

    def new_marks(pair, older, only=None):
        assert older == ["old"]
        asked.append((only, float(pair.light.mean())))
        return found[len(asked) - 1]

    monkeypatch.setattr(module, "_new_marks", new_marks)
    monkeypatch.setattr(module, "stands_out", lambda *_: outstanding)
    monkeypatch.setattr(module, "lamps", lambda seen, *_: np.full_like(seen, 0.5))
    assert changes(compared(), ["old"]) == wanted
    assert [only for only, _ in asked] == searches
    assert [light for _, light in asked] == pytest.approx([0.2] + [1.2 * 1.5 - 1] * (len(asked) - 1))

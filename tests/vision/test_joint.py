"""One new mark on an old one: closed cases of the product, and what a shift or a gain explains."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.fit import fit_spot
from vision.joint import Mismatch, Patch, explained, fit_joint, rival_rest, was_there
from vision.window import Grid

GRID = Grid((0.0, 0.0), 0.15, 81)
U, V = np.meshgrid(*GRID.axes_mm())
STAND, BY_HAND = Mismatch(0.015, 0.008, 0.03), Mismatch(0.06, 0.03, 0.3)


def burnt(at: tuple[float, float], radius: float = 2.2) -> np.ndarray:
    """Share of the colour that a pulse takes."""
    return 0.97 / (1 + np.exp((np.hypot(U - at[0], V - at[1]) - radius) / 0.12))


def patch(change, gone, *, mismatch=STAND, noise=0.5, seed=1) -> Patch:
    rng = np.random.default_rng(seed)
    known = 200 - gone
    return Patch(GRID, change + rng.normal(0, noise, change.shape), known, gone, np.ones(U.shape), mismatch)


def piled(new_at, old_at, depth=120.0, **how) -> Patch:
    """A pulse takes its share of the colour that the older one left."""
    old = burnt(old_at)
    return patch(depth * burnt(new_at) * (1 - old), depth * old, **how)


@pytest.mark.parametrize("new_at", [(0.3, 0.0), (-0.2, 0.4), (0.9, -0.3)])
def test_a_crescent_tells_where_the_whole_mark_lies(new_at):
    made = piled(new_at, (0.0, 0.0))
    rows = made.rows()
    fitted = fit_joint(made, [((0.0, 0.0), 2.2), (new_at, 2.2)], oval=False, ground=rows)
    assert fitted is not None
    spot, on = fitted
    assert spot.centre == pytest.approx(new_at, abs=0.05)
    assert spot.radius() == pytest.approx(2.2, abs=0.15)
    assert on.visible is not None
    assert on.visible.min() < 0.1 < 0.9 < on.visible.max()
    assert explained(made, spot, rival_rest(made, *rows), 2.2) > STAND.least_share()


def test_on_bare_tape_nothing_is_hidden():
    made = patch(80 * burnt((0.5, 0.5)), np.zeros(U.shape))
    fitted = fit_joint(made, [((0.3, 0.7), 2.0)], oval=True, ground=made.rows())
    assert fitted is not None
    assert fitted[1].visible is None
    assert fitted[0].centre == pytest.approx((0.5, 0.5), abs=0.01)


def fitted_to(made: Patch):
    return fit_spot(U.ravel(), V.ravel(), made.change.ravel(), centre=(0.3, 0.2), radius=2.2)


def test_what_other_light_would_make_of_an_old_mark_is_no_new_one():
    """Light taken for a gain makes an old mark look burnt again, with a new outline where a blur differs."""
    old = burnt((0.0, 0.0))
    alone = patch(-30 * old, 120 * old, mismatch=BY_HAND)
    made = replace(alone, known=200 * np.ones(U.shape), otherwise=(15 * old,))
    rivals = [
        rival_rest(one, *one.rows(freely=True, otherwise=True)) for one in (made, replace(made, otherwise=()))
    ]
    with_it, without = (explained(made, fitted_to(made), rival, 2.2) for rival in rivals)
    assert with_it < BY_HAND.least_share() < without
    assert len(made.rows()[0]) == len(made.rows(otherwise=True)[0]) - 1


@pytest.mark.parametrize(("at", "there"), [((0.0, 0.0), True), ((0.15, 0.0), True), ((1.0, 0.0), False)])
def test_an_old_mark_is_known_by_the_new_one_s_outline(at, there):
    """Also where a lamp's image slopes over it, so that it was not found in the picture before."""
    made = patch(80 * burnt((0.0, 0.0)), 50 * burnt(at) + 4 * U, mismatch=BY_HAND)
    assert (was_there(made, fitted_to(made)) > 0.7) == there


def test_where_nothing_was_burnt_nothing_was_there():
    made = patch(80 * burnt((0.0, 0.0)), np.random.default_rng(3).normal(0, 0.5, U.shape))
    assert was_there(made, fitted_to(made)) == 0.0
    assert was_there(replace(made, weight=np.zeros(U.shape)), fitted_to(made)) == 0.0


def test_no_start_and_no_weight_give_no_mark():
    made = patch(np.zeros(U.shape), np.zeros(U.shape))
    assert fit_joint(made, [], oval=False, ground=made.rows()) is None
    empty = Patch(GRID, made.change, made.known, made.gone, np.zeros(U.shape), STAND)
    assert empty.noise() == 1.0


@pytest.mark.parametrize("mismatch", [STAND, BY_HAND])
def test_the_rival_explains_a_shift_and_a_gain_and_no_burn(mismatch):
    old = 120 * burnt((0.0, 0.0), 3.0)
    by_u = np.gradient(200 - old, GRID.pitch_mm, axis=1)
    slight = patch(
        mismatch.shift_mm * by_u + mismatch.gain / 4 * (200 - old), old, mismatch=mismatch, noise=0.1
    )
    left = rival_rest(slight, *slight.rows(freely=True))
    assert np.square(left).sum() < 0.1 * np.square(slight.change - np.median(slight.change)).sum()
    burn = patch(80 * burnt((2.0, 1.0), 1.0), np.zeros(U.shape), mismatch=mismatch)
    assert np.square(rival_rest(burn, *burn.rows(freely=True))).sum() > 0.5 * np.square(burn.change).sum()


def test_what_errs_together_counts_as_few():
    """A gain is held by hundreds of points where a stand foretells it, less where hands held the camera."""
    made = patch(np.zeros(U.shape), 100 * burnt((0.0, 0.0)))
    free, held = made.rows(freely=True)[1], made.rows()[1]
    assert held == pytest.approx(STAND.together() * free)
    assert STAND.together() > BY_HAND.together() > 1


@pytest.mark.parametrize(
    ("mismatch", "by_hand", "share"),
    [
        (Mismatch(0.015, gain=0.0), False, 0.25 + 0.55 / 4),
        (Mismatch(0.0, gain=0.06), False, 0.25 + 0.55 / 4),
        (Mismatch(0.03, gain=0.0), True, 0.8),
        (Mismatch(0.0, gain=0.12), True, 0.8),
        (Mismatch(9.0, gain=9.0), True, 0.8),
        (Mismatch(0.0, gain=0.0), False, 0.25),
    ],
)
def test_the_more_unlike_two_pictures_are_the_more_a_burn_must_explain(mismatch, by_hand, share):
    assert mismatch.by_hand == by_hand
    assert mismatch.least_share() == pytest.approx(share)

"""Two pictures compared: which change is new, how far a crop goes, what a lamp's image beside a mark does."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from test_pairs import VIEW, disc, plane

from vision.candidates import Candidate
from vision.compare import (
    _half_mm,
    _hidden,
    _narrowed,
    _old_under,
    _piece_of,
    _starts,
    candidates,
    changes,
    compare,
)
from vision.fit import Ground, fit_spot
from vision.joint import Mismatch, Patch
from vision.window import Grid, window_grid

WINDOW = window_grid(0.2)
U, V = np.meshgrid(*WINDOW.axes_mm())


def spot(at, radius):
    return fit_spot(U.ravel(), V.ravel(), 100 * disc(U, V, at, radius).ravel(), centre=at, radius=radius)


def candidate(at, radius, strength=50.0):
    region = np.hypot(U - at[0], V - at[1]) < radius
    return Candidate(at, radius, region, np.full(3, -1 / 3), strength)


def marked(at, *, lamp=None, old=None, radius=2.5):
    def paint(u, v):
        levels = np.full(u.shape, 150.0)
        for one in ([old] if old else []) + ([at] if at else []):
            levels = levels - 100 * disc(u, v, one, radius)
        if lamp:
            levels = levels + 60 * np.exp(-((u - lamp[0]) ** 2 + (v - lamp[1]) ** 2) / 6.0**2)
        return np.where(np.hypot(u, v) < 23, levels, 220.0)

    return plane(paint)


def new_marks(after, before):
    pair = compare(after, VIEW, before, VIEW)
    return [one.mark for one in changes(pair, [])]


def test_one_burn_is_one_new_mark_and_nothing_is_none():
    (mark,) = new_marks(marked((4.0, -6.0)), marked(None))
    assert mark.new is True
    assert mark.offset_mm == pytest.approx((4.0, -6.0), abs=0.02)
    assert new_marks(marked((4.0, -6.0)), marked((4.0, -6.0))) == []
    assert candidates(compare(marked(None), VIEW, marked(None), VIEW)) == []


def test_a_lamp_that_moved_is_no_mark_and_hides_none():
    assert new_marks(marked(None, lamp=(-8.0, 3.0)), marked(None, lamp=(9.0, -2.0))) == []
    (mark,) = new_marks(marked((-8.0, 7.0), lamp=(-8.0, 1.0)), marked(None, lamp=(9.0, -2.0)))
    assert mark.offset_mm == pytest.approx((-8.0, 7.0), abs=0.1)


def test_a_crop_holds_the_old_mark_beside_a_crescent():
    old = SimpleNamespace(spot=spot((0.0, 0.0), 2.5))
    crescent = candidate((2.4, 0.0), 0.6)
    assert _half_mm(crescent, []) == 1.8
    assert _half_mm(crescent, [old]) == pytest.approx(2.4 + 1.6 * 2.5, abs=0.1)
    assert _half_mm(candidate((3.2, 0.0), 0.6), [old]) == 1.8  # beyond touch
    wide = SimpleNamespace(spot=spot((0.0, 0.0), 9.0))
    assert _half_mm(crescent, [wide]) == 10.0


def test_a_weaker_candidate_within_a_mark_is_a_piece_of_it():
    mark = SimpleNamespace(spot=spot((0.0, 0.0), 3.0))
    assert _piece_of(candidate((1.0, 1.0), 1.0), mark, WINDOW)
    assert not _piece_of(candidate((4.5, 0.0), 1.0), mark, WINDOW)


def test_a_candidate_is_narrowed_to_the_mark_in_it():
    lamp = candidate((0.0, 0.0), 6.0)
    narrow = _narrowed(lamp, spot((2.0, 1.0), 1.5), WINDOW)
    assert narrow is not None
    assert narrow.centre_mm == pytest.approx((2.0, 1.0), abs=0.01)
    assert narrow.region.sum() * 0.04 == pytest.approx(np.pi * 1.5**2, rel=0.1)
    assert _narrowed(lamp, spot((12.0, 1.0), 1.5), WINDOW) is None


def test_starts_are_the_candidate_s_and_those_of_old_marks_that_it_touches():
    old = SimpleNamespace(spot=spot((0.0, 0.0), 2.5))
    far = SimpleNamespace(spot=spot((15.0, 0.0), 2.5))
    near = candidate((2.0, 0.0), 1.0)
    assert _starts(near, [old, far], under=False) == [((2.0, 0.0), 1.0)]
    starts = _starts(near, [old, far], under=True)
    assert np.array([at for at, _ in starts]) == pytest.approx(np.array([(2, 0), (0.3, 0), (1, 0)]), abs=0.02)


def test_an_old_mark_lies_under_only_what_it_reaches():
    grid = Grid((0.0, 0.0), 0.2, 61)
    u, v = np.meshgrid(*grid.axes_mm())

    def patch(old_at):
        change, gone = 60 * disc(u, v, (0.0, 0.0), 2.0), 100 * disc(u, v, old_at, 2.0)
        return Patch(grid, change, 200 - gone, gone, np.ones(u.shape), Mismatch())

    assert _old_under(patch((1.0, 0.0)), candidate((0.0, 0.0), 2.0), WINDOW)
    assert not _old_under(patch((5.2, 0.0)), candidate((0.0, 0.0), 2.0), WINDOW)


@pytest.mark.parametrize(("visible", "hidden"), [(1.0, 0.0), (0.8, 0.4), (0.5, 1.0), (0.1, 1.0)])
def test_a_mark_of_which_half_is_hidden_is_wholly_in_doubt(visible, hidden):
    one = spot((0.0, 0.0), 2.0)
    on = Ground(np.full(U.size, visible))
    assert _hidden(one, on, U.ravel(), V.ravel()) == pytest.approx(hidden)
    assert _hidden(one, Ground(), U.ravel(), V.ravel()) == 0.0

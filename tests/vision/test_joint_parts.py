"""How a new mark on older ones is found: which tries are made, which is kept, what it must explain."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vision import joint
from vision.fit import Ground
from vision.joint import Mismatch, Patch, explained, fit_joint, rival_rest
from vision.window import Grid

GRID = Grid((1.0, -2.0), 0.1, 41)
U, V = np.meshgrid(*GRID.axes_mm())
ONES, NONE = np.ones(U.shape), np.zeros(U.shape)
ROWS = np.arange(2 * U.size, dtype=float).reshape(2, -1), np.array([3.0, 4.0])


def patch(change=NONE, gone=NONE, weight=ONES, **how) -> Patch:
    return Patch(GRID, change, NONE, gone, weight, Mismatch(), **how)


@pytest.mark.parametrize("together", [1.0, 40.0])
def test_a_rival_s_parts_are_held_by_their_ridges(together):
    """The same by plain least squares with a row for each ridge; the plane is free."""
    rng = np.random.default_rng(6)
    change, weight = rng.normal(0, 5, U.shape) + 3 * U, rng.uniform(0, 2, U.shape)
    rows, ridge = rng.normal(0, 1, (3, U.size)), together * np.array([10.0, 100.0, 1000.0])
    basis = np.vstack([np.ones(U.size), U.ravel(), V.ravel(), rows])
    root = np.sqrt(weight.ravel())
    matrix = np.vstack([(basis * root).T, np.diag(np.sqrt(np.r_[0, 0, 0, ridge]))])
    sizes = np.linalg.lstsq(matrix, np.r_[root * change.ravel(), np.zeros(6)], rcond=None)[0]
    left = rival_rest(patch(change, weight=weight), rows, ridge)
    assert left == pytest.approx(change.ravel() - sizes @ basis, abs=1e-6)


@pytest.mark.parametrize(("radius", "sd_px"), [(1.2, 4.0), (0.9, 3.0), (0.1, 0.8)])
def test_what_is_left_counts_through_a_blur_of_a_third_of_the_radius(radius, sd_px):
    """A point of height a, blurred by s, has the energy a² / (4 pi s²)."""
    rest, height = NONE.copy(), 50.0
    rest[20, 20] = height
    share = explained(patch(), SimpleNamespace(rest=rest.ravel()), np.full(U.size, 2.0), radius)
    wanted = height**2 / (4 * np.pi * sd_px**2) / (4.0 * U.size)
    assert 1 - share == pytest.approx(wanted, rel=0.03)


def test_what_has_no_weight_is_not_left():
    """Neither by itself nor by what blur brings over from it."""
    half = np.where(U < 1.0, 0.0, 1.0)
    rival = np.full(U.size, 2.0)
    rest = np.where(half > 0, 1.0, 90.0).ravel()
    assert explained(patch(weight=half), SimpleNamespace(rest=rest), rival, 0.9) == pytest.approx(0.75)


def test_how_far_old_marks_have_gone_leaves_out_their_deepest_half_percent():
    assert joint._furthest(patch(gone=100 * (U - U.min()) / np.ptp(U))) == pytest.approx(99.0, abs=1.0)
    spark = NONE.copy()
    spark[20, 20] = 900.0
    assert joint._furthest(patch(gone=spark)) < 90.0  # a spark through a blur of a pixel is 143 high


class Fits:
    """Stands for `fit_spot`: keeps what it was asked, answers with the cost given for it."""

    def __init__(self, cost, fails=lambda ask: False):
        self.asked, self.cost, self.fails = [], cost, fails

    def __call__(self, x, y, z, **ask):
        ask = SimpleNamespace(x=x, y=y, z=z, **ask)
        self.asked.append(ask)
        if self.fails(ask):
            raise np.linalg.LinAlgError
        rest = np.zeros(x.size)
        rest[0] = np.sqrt(self.cost(ask))
        centre = np.add(ask.centre, (0.01, 0.0))
        return SimpleNamespace(centre=centre, rest=rest, height=1.0, profile=lambda u, v: 0 * u, ask=ask)


def deepest(gone, ground):
    """How far tape can go, from what shows of a mark where older ones have gone furthest."""
    return np.inf if ground.visible is None else gone.max() / (1 - ground.visible.min())


def joined(monkeypatch, fits, starts=(((0.5, -2.0), 0.9),), gone=80.0, top=100.0, **how):
    change = np.where(np.hypot(U - 1, V + 2) < 1.5, top, 0.0)
    made = patch(change, gone=np.full(U.shape, gone), **how)
    monkeypatch.setattr(joint, "fit_spot", fits)
    return fit_joint(made, list(starts), oval=True, ground=ROWS), made


def rooms(fits, made, rounds):
    tried = [ask for ask in fits.asked if getattr(ask, "rounds", None) == rounds]
    return [deepest(made.gone, ask.ground) for ask in tried]


def test_each_start_is_tried_on_every_second_point_at_several_depths_of_the_tape(monkeypatch):
    fits = Fits(lambda ask: 1.0)
    found, made = joined(monkeypatch, fits, [((0.5, -2.0), 0.9), ((1.5, -2.1), 1.1)])
    assert found is not None
    rough = [ask for ask in fits.asked if getattr(ask, "rounds", None) == 6]
    assert [(ask.centre, ask.radius) for ask in rough] == [((0.5, -2.0), 0.9)] * 5 + [((1.5, -2.1), 1.1)] * 5
    assert rooms(fits, made, 6) == pytest.approx([80 * share for share in (1.0, 1.1, 1.3, 1.7, 3.0)] * 2)
    even = (np.indices(U.shape).sum(axis=0) % 2 == 0).ravel()
    for ask in rough:
        assert np.array_equal(ask.x, U.ravel()[even]) and np.array_equal(ask.y, V.ravel()[even])
        assert np.array_equal(ask.z, made.change.ravel()[even])
        assert np.array_equal(ask.ground.rows, ROWS[0][:, even]) and ask.ground.ridge is ROWS[1]
        assert ask.ground.visible.shape == ask.weight.shape == ask.x.shape


@pytest.mark.parametrize(("gone", "hides"), [(7.9, False), (8.1, True)])
def test_older_marks_that_are_faint_beside_the_change_hide_nothing(monkeypatch, gone, hides):
    fits = Fits(lambda ask: 1.0)
    (_, on), made = joined(monkeypatch, fits, gone=gone)
    assert (on.visible is not None) == hides
    assert len(rooms(fits, made, 6)) == (5 if hides else 1)
    whole = [ask for ask in fits.asked if not hasattr(ask, "rounds")]
    assert len(whole) == (3 * (3 + 6) if hides else 1)  # three of the tries, and six finer ones of the best
    for ask in whole:
        assert (ask.x.size, ask.oval, ask.radius) == (U.size, True, 1.0)
        assert ask.centre == pytest.approx(tuple(ask.start.centre))
        assert ask.weight.size == U.size and ask.ground.rows is ROWS[0]


def test_the_strength_of_a_change_is_that_where_there_is_weight(monkeypatch):
    """A change of 100 that has no weight makes no older mark faint."""
    fits = Fits(lambda ask: 1.0)
    _, made = joined(monkeypatch, fits, gone=7.9, weight=np.where(np.hypot(U - 1, V + 2) < 1.5, 0.0, 1.0))
    assert len(rooms(fits, made, 6)) == 5
    assert joined(monkeypatch, fits, gone=7.9, weight=NONE)[0] is not None


@pytest.mark.parametrize("target", [80.0, 95.0, 110.0, 130.0, 200.0])
def test_how_far_tape_can_go_is_sought_to_a_few_hundredths(monkeypatch, target):
    def cost(ask):
        gone = 80.0 / (1 - ask.ground.visible.min())
        return np.log(gone / target) ** 2

    (spot, on), made = joined(monkeypatch, Fits(cost))
    depth = deepest(made.gone, on)
    best_coarse = 80 * np.array([1.0, 1.1, 1.3, 1.7, 3.0])
    assert abs(np.log(depth / target)) <= max(np.abs(np.log(best_coarse / target)).min() - 0.12, 0.03)
    assert depth >= 80.0 * (1 - 1e-9)  # tape has gone so far already
    assert spot.ask.ground is on


def test_the_finer_steps_are_of_12_6_and_3_percent(monkeypatch):
    seen = []

    def finished(made, spot, on, room, *, oval):
        seen.append(room)
        return 1.0, spot, on, room

    monkeypatch.setattr(joint, "_finished", finished)
    best = (0.5, None, Ground(), 100.0)
    assert joint._best_room(patch(), best, ROWS, 50.0, oval=False) is best
    assert seen == pytest.approx([100 / 1.12, 112, 100 / 1.06, 106, 100 / 1.03, 103])
    seen.clear()
    joint._best_room(patch(), best, ROWS, 95.0, oval=False)
    assert seen == pytest.approx([95, 112, 95, 106, 100 / 1.03, 103])
    flat = (0.5, None, Ground(), np.inf)
    assert joint._best_room(patch(), flat, ROWS, 50.0, oval=False) is flat


def test_the_three_best_tries_are_finished_and_the_best_of_them_kept(monkeypatch):
    finer = []

    def finished(made, spot, on, room, *, oval):
        finer.append(spot)
        cost = {0: 3.0, 1: 1.0, 2: 2.0}[len(finer) - 1]
        return None if len(finer) == 1 else (cost, spot, on, np.inf)

    costs = iter([5.0, 1.0, 4.0, 3.0, 2.0])
    monkeypatch.setattr(joint, "_finished", finished)
    found, _ = joined(monkeypatch, Fits(lambda ask: next(costs)))
    assert [float(spot.rest @ spot.rest) for spot in finer] == pytest.approx([1.0, 2.0, 3.0])
    assert found[0] is finer[1]


def test_a_try_that_fails_is_left_out_and_where_all_do_there_is_no_mark(monkeypatch):
    def failing(which):
        return Fits(lambda ask: 1.0, lambda ask: which(hasattr(ask, "rounds")))

    once = iter([True] + [False] * 99)
    assert joined(monkeypatch, Fits(lambda ask: 1.0, lambda ask: next(once)))[0] is not None
    assert joined(monkeypatch, failing(lambda rough: rough))[0] is None
    assert joined(monkeypatch, failing(lambda rough: not rough))[0] is None


def test_what_blur_does_to_two_edges_is_taken_off_before_each_round(monkeypatch):
    """Three rounds, each from the mark as the one before placed it."""
    fits, edges = Fits(lambda ask: 4.0), []

    def two_edges(made, spot, on):
        edges.append(spot)
        return np.full(U.size, float(len(edges)))

    monkeypatch.setattr(joint, "fit_spot", fits)
    monkeypatch.setattr(joint, "_two_edges", two_edges)
    first = SimpleNamespace(centre=np.array([1.0, -2.0]))
    cost, spot, _, room = joint._finished(patch(9 * ONES), first, Ground(np.ones(U.size)), 50.0, oval=False)
    assert (cost, room, len(fits.asked)) == (pytest.approx(4.0), 50.0, 3)
    assert [ask.z[0] for ask in fits.asked] == [8.0, 7.0, 6.0]
    assert [ask.start for ask in fits.asked] == edges
    assert edges[0] is first and spot.ask is fits.asked[2]
    weighted = joint._finished(patch(weight=3 * ONES), first, Ground(np.ones(U.size)), 50.0, oval=False)
    assert weighted[0] == pytest.approx(12.0)

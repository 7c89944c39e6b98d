"""Machines drawn from the belief, and their numbers for the verdict, compared with plain loops."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import parse_profile
from server.solver.decide.cost import kerf_lean
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.machine import model as m
from server.solver.machine.trace import Rays
from tests.machines import profile

Array = NDArray[Any]
LASER = parse_profile(profile("1600"))
FIVE = range(5)  # the five positions, in their order
BED = range(9)  # and the middles of the edges


def mixed() -> b.Mixture:
    """Two hypotheses, three to one, that differ in everything that a machine takes from its hypothesis."""
    two = b.take(b.prior(LASER), np.array([0, 12]), np.log([0.75, 0.25]))
    two.mean[1] += 1.0
    two.sign[1, :3] = -1
    return replace(two, noise=np.array([1, 4]), fault=np.array([0, 5]))


def drawn_rays(seed: int = 2) -> Rays:
    x = np.random.default_rng(seed).multivariate_normal(np.zeros(m.SIZE), b.prior(LASER).cov[0] * 0.05, 6)
    return o.everywhere(LASER, x)


def test_machines_are_drawn_as_often_as_their_hypothesis_weighs() -> None:
    samples = o.draw(mixed())
    first = samples.fault == 0
    assert len(samples.x) == 256 and first.sum() == 192
    assert set(samples.errs[first]) == {1} and set(samples.errs[~first]) == {4}
    assert (samples.sign[~first, :3] == -1).all() and not samples.sign[first].any()
    assert samples.noise.shape == (256, 21)
    assert (samples.x[~first].mean(0) - samples.x[first].mean(0))[m.SHIFT].mean() > 0.5


def test_what_is_drawn_has_the_mean_and_the_spread_of_its_hypothesis() -> None:
    one = b.take(b.prior(LASER), np.array([3]), np.zeros(1))
    one.mean[0] += np.linspace(-1, 1, m.SIZE)
    samples = o.draw(one, 16384)
    np.testing.assert_allclose(samples.x.mean(0), one.mean[0], atol=1e-9)  # in pairs of opposites
    spread = np.sqrt(np.diag(one.cov[0]))
    seen = np.cov(samples.x.T) / np.outer(spread, spread)
    np.testing.assert_allclose(seen, one.cov[0] / np.outer(spread, spread), atol=0.05)
    half = len(samples.x) // 2
    np.testing.assert_array_equal(samples.noise[:half], -samples.noise[half:])


def test_the_same_belief_gives_the_same_machines_and_each_step_others() -> None:
    here, again, next_step, later = (o.draw(mixed(), turn=turn).x for turn in (0, 0, 1, 32))
    np.testing.assert_array_equal(here, again)
    np.testing.assert_array_equal(here, later)
    assert np.abs(here - next_step).min() > 0


def test_a_covariance_that_rounding_has_spoilt_still_has_a_root() -> None:
    rng = np.random.default_rng(1)
    thin = rng.standard_normal((m.SIZE, 5))
    for cov in (b.prior(LASER).cov[0], thin @ thin.T, thin @ thin.T - 1e-7 * np.eye(m.SIZE)):
        root = o._root(cov)
        np.testing.assert_allclose(root @ root.T, cov, atol=1e-5 * np.abs(cov).max())


def test_some_of_the_machines_and_those_of_two_draws() -> None:
    samples = o.draw(mixed())
    rows = np.array([5, 3])
    both = samples.only(rows).joined(samples.moved(samples.x + 1.0))
    for name in ("fault", "sign", "noise", "errs"):
        whole = getattr(samples, name)
        np.testing.assert_array_equal(getattr(both, name), np.concatenate([whole[rows], whole]))
    np.testing.assert_array_equal(both.x, np.concatenate([samples.x[rows], samples.x + 1.0]))


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
def test_the_five_positions_come_first_then_the_edges_then_the_beginnings_of_the_legs(corner: str) -> None:
    given = parse_profile(profile("1600", corner))
    near, far = 0.0, 1600.0  # left and right in the machine's frame, wherever mirror 1 stands
    five = [(near, 1000.0), (near, 0.0), (800.0, 500.0), (far, 1000.0), (far, 0.0)]
    edges = [(near, 500.0), (far, 500.0), (800.0, 0.0), (800.0, 1000.0)]
    fifth = near + (far - near) / 5
    legs = [(near, 800.0), (fifth, 1000.0), (far - (far - near) / 5, 1000.0)]
    assert np.array(o.grid(given)) == pytest.approx(np.array(five + edges + legs))


def test_the_verdicts_numbers_are_the_widest_and_the_farthest() -> None:
    rays = drawn_rays()
    for marks, lens, found in zip(rays.offset_mm, rays.lens_mm, o.numbers(rays), strict=True):

        def apart(station: int, places: Any, marks: Array = marks) -> float:
            return max(
                float(np.hypot(*(marks[i, station] - marks[j, station]))) for i, j in combinations(places, 2)
            )

        def off(station: int, places: Any, marks: Array = marks) -> float:
            return float(np.hypot(*np.mean([marks[i, station] for i in places], axis=0)))

        gantry = (0, 1, 5)
        expected = {
            "centre-1": off(0, [0]),
            "overlap-2": apart(1, gantry),
            "centre-2": off(1, gantry),
            "overlap-3": apart(2, BED),
            "centre-3": off(2, BED),
            "nozzle": max(off(3, [i]) for i in BED),
            "lens": max(float(np.hypot(*lens[i])) for i in BED),
        }
        assert dict(zip(o.KEYS, found, strict=True)) == pytest.approx(expected)


def test_the_numbers_are_judged_by_their_tolerances_and_the_lens_by_the_lean_too() -> None:
    rays, allowed = drawn_rays(), LASER.tolerance
    limits = dict(zip(o.KEYS, o.limits(LASER), strict=True))
    for key, limit in limits.items():
        assert limit == getattr(allowed, f"{key.partition('-')[0]}_mm")
    ratios, numbers = o.ratios(LASER, rays), o.numbers(rays)
    np.testing.assert_allclose(ratios[:, :6], numbers[:, :6] / o.limits(LASER)[:6])
    lean = kerf_lean(LASER, rays.lens_mm, rays.slope[:, :, 3])[:, :9]
    worst = 6.0 * np.hypot(lean[..., 0], lean[..., 1]).max(1)
    np.testing.assert_allclose(o.leans(LASER, rays), worst)
    np.testing.assert_allclose(ratios[:, 6], np.maximum(numbers[:, 6] / allowed.lens_mm, worst / 0.2))


@pytest.mark.parametrize(("stage", "keys"), [(0, 1), (1, 3), (2, 5), (3, 7), (4, 7)])
def test_each_stage_adds_its_own_numbers(stage: int, keys: int) -> None:
    assert o.STAGE_KEYS[stage] == keys


@pytest.mark.parametrize("station", range(6))
def test_outside_a_beam_hits_a_card_if_it_passes_each_opening_before(station: int) -> None:
    rng = np.random.default_rng(4)
    rays = drawn_rays()
    wild = replace(
        rays,
        offset_mm=rng.normal(0, 8, rays.offset_mm.shape) * [[[[1], [1], [1], [0.2]]]],
        lens_mm=rng.normal(0, 6, rays.lens_mm.shape),
        slope=0 * rays.slope,
    )
    a = LASER.aperture
    holes = [(0, a.mirror_1_mm), (1, a.mirror_2_mm), (2, a.mirror_3_mm)]
    before = holes[: min(station, 3)]
    found = o.hits(LASER, wild, station)
    for i, j in np.ndindex(found.shape):
        passes = all(np.hypot(*wild.offset_mm[i, j, at]) <= wide / 2 for at, wide in before)
        if station in (3, 4):
            lens = np.hypot(*wild.lens_mm[i, j]) <= a.lens_mm / 2
            passes = passes and lens and np.hypot(*wild.offset_mm[i, j, 3]) <= a.nozzle_mm / 2
        place = m.spot(LASER, wild, station)[i, j]
        assert found[i, j] == (passes and max(abs(place)) <= 20.0)
    assert 0 < found.sum() < found.size


@pytest.mark.parametrize("stage", range(5))
def test_what_an_adjustment_brings_to_nil_is_made_of_offsets_over_their_tolerances(stage: int) -> None:
    rays, t = drawn_rays(), LASER.tolerance
    for i, found in enumerate(o.metric_vectors(LASER, rays, stage, lens=3.0)):
        marks, lens = rays.offset_mm[i], rays.lens_mm[i]
        parts = [marks[0, 0] / t.centre_mm]
        if stage >= 1:
            gantry = marks[[0, 1, 5], 1]
            parts += [(gantry[0] - gantry[1]) / t.overlap_mm, gantry.mean(0) / t.centre_mm]
        if stage >= 2:
            centre = marks[FIVE, 2].mean(0)
            parts += [(marks[j, 2] - centre) / t.overlap_mm for j in FIVE] + [centre / t.centre_mm]
            parts += [lens[j] / (3.0 * t.lens_mm) for j in FIVE]
        if stage >= 3:
            parts += [marks[j, 3] / (2.0 * t.nozzle_mm) for j in FIVE]
        np.testing.assert_allclose(found, np.concatenate(parts), atol=1e-12)
    if stage == 2:
        np.testing.assert_array_equal(o.metric_vectors(LASER, rays, 2), o.metric_vectors(LASER, rays, 2, 2.0))


@pytest.mark.parametrize("seed", [1, 2])
def test_outside_machines_pushed_a_little_are_where_the_trace_has_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mean = rng.normal(0, 1e-2, m.SIZE)
    here, jacobian = o.everywhere_bent(LASER, mean)
    traced = o.everywhere(LASER, mean[None])
    change = rng.normal(0, 1e-5, (1, m.SIZE))
    there, pushed = o.everywhere(LASER, mean + change), o.pushed(here, jacobian, change)
    for name in ("offset_mm", "lens_mm", "slope"):
        np.testing.assert_allclose(getattr(here, name), getattr(traced, name), atol=1e-12)
        moved = getattr(there, name) - getattr(traced, name)
        by = getattr(pushed, name) - getattr(here, name)
        np.testing.assert_allclose(by, moved, atol=2e-3 * np.abs(moved).max())
    assert o.pushed(here, jacobian, np.zeros((1, m.SIZE))) is here
    assert o.pushed(here, jacobian, np.eye(m.SIZE)[-1:]) is here  # how a card hangs does not move the beam


def test_what_an_error_may_be_is_what_a_number_just_within_its_tolerance_makes_it() -> None:
    """All marks are as far off their centres as allowed, or two are apart by as much as allowed."""
    t, count = LASER.tolerance, len(o.AT_MOST)
    marks, lens = np.zeros((6, 12, 4, 2)), np.zeros((6, 12, 2))
    marks[0, :, :3, 0], marks[0, :, 3, 1], lens[0, :, 0] = t.centre_mm, t.nozzle_mm, t.lens_mm
    for i in range(5):
        marks[i + 1, i, 1:3, 0], marks[i + 1, (i + 1) % 5, 1:3, 0] = 0.5 * t.overlap_mm, -0.5 * t.overlap_mm
    rays = Rays(marks, lens, np.zeros((6, 12, 4, 2)))
    assert o.numbers(rays)[0] == pytest.approx(np.array([1.5, 0.0, 1.5, 0.0, 1.5, 0.4, 2.0]))
    pairs = o.metric_vectors(LASER, rays, 3).reshape(6, count, 2)
    longest = np.hypot(pairs[..., 0], pairs[..., 1]).max(0)
    np.testing.assert_allclose(longest, o.AT_MOST)

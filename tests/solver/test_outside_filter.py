"""What one event does to one hypothesis, against the textbook's formulas written out plainly.

Särkkä, Bayesian Filtering and Smoothing (2013), ch. 5, for marks and motions; scipy for densities and for the
moments of a truncated normal. Sizes that are the solver's own guesses are taken from it, not repeated here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm, truncnorm

from server.solver import parse_profile
from server.solver.estimate import filter as f
from server.solver.estimate import hypotheses as b
from server.solver.estimate import screws
from server.solver.events import Difference, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.trace import contact_points
from tests.machines import profile

Array = NDArray[Any]
LASER = parse_profile(profile("1600"))
HEAD = (300.0, 200.0)
WEIGHT = -0.5  # its logarithm, as if others had gone before
NOISE, LOOSE_2 = 2, b.LOOSE + 1  # one that has a scatter of each kind but of modes; a loose mirror 2


def one(noise: int = NOISE, fault: int = 0, seed: int = 1) -> b.Mixture:
    """A single hypothesis that is off a little, knows something, and knows how its screws work."""
    rng = np.random.default_rng(seed)
    whole = b.prior(LASER)
    found = b.take(whole, np.array([0]), np.array([WEIGHT]))
    root = np.linalg.cholesky(found.cov[0]) * 0.15
    mixed = root @ (np.eye(m.SIZE) + 0.2 * rng.standard_normal((m.SIZE, m.SIZE)))
    return replace(
        found,
        mean=(root @ rng.standard_normal(m.SIZE))[None],
        cov=(mixed @ mixed.T)[None],
        noise=np.array([noise]),
        fault=np.array([fault]),
        pulse=np.array([[8.0, 12.0]]),
        sign=np.array([[1, -1, 2, -2, 1, 1, 1, screws.DEAD, 1, 1, 1, 1]], dtype=np.int8),
    )


def by_steps(function: Callable[[Array], Array], at: Array, step: float = 1e-5) -> Array:
    """The derivative by central differences, one column for each number of ``at``; the function takes many
    at once, along its first axis."""
    nudges = step * np.eye(len(at))
    return np.asarray((function(at + nudges) - function(at - nudges)).T / (2 * step))


def plane(covariance: Array, miss: Array) -> float:
    return float(multivariate_normal(np.zeros(2), covariance).pdf(miss))


def jitter(station: int, head: tuple[float, float], below_mm: float, mixture: b.Mixture) -> Array:
    """(2, 2) what a beam swings that leaves the tube at other angles: its far mount moves by the gap."""
    gap = LASER.tube.far_mount_mm - LASER.tube.exit_mount_mm
    beam = by_steps(lambda x: m.spot(LASER, m.rays(LASER, x, head), station, below_mm), mixture.mean[0])
    swung = beam[:, 2:4] * gap * b.NOISES[int(mixture.noise[0])].jitter
    return swung @ swung.T


def spot_at(station: int, below_mm: float, x: Array) -> Array:
    return m.spot(LASER, m.rays(LASER, x, HEAD), station, below_mm)


def shaken(station: int, head: tuple[float, float], below_mm: float, mixture: b.Mixture) -> Array:
    """(2, 2) what a mirror does that lies a little otherwise about both its axes at each pulse."""
    mount = int(mixture.fault[0]) - b.LOOSE + 1
    if mount < 1:
        return np.zeros((2, 2))

    def tilted(by: Array) -> Array:
        x = np.repeat(mixture.mean, len(by), axis=0)
        x[:, m.contact_at(mount)] += by @ contact_points(LASER, mount).T
        return m.spot(LASER, m.rays(LASER, x, head), station, below_mm)

    each = by_steps(tilted, np.zeros(2), 1e-7) * b.loose_sd(LASER, mount)
    return each @ each.T


def updated(
    mixture: b.Mixture, seen: Array, reads: Callable[[Array], Array], noise: Array, loose: Array
) -> tuple[Array, Array, Array, Array]:
    """Mean and covariance after a mark, its miss, and the covariance of that: an extended Kalman filter in
    Joseph's form, its mean iterated once."""
    x, P = mixture.mean[0], mixture.cov[0]
    H = by_steps(reads, x)
    R = noise + loose
    S = H @ P @ H.T + R
    K = P @ H.T @ np.linalg.inv(S)
    first = x + K @ (seen - reads(x))
    mean = x + K @ (seen - reads(first) - H @ (x - first))
    kept = np.eye(m.SIZE) - K @ H
    return mean, kept @ P @ kept.T + K @ R @ K.T, seen - reads(x), S


def check_taken(
    before: b.Mixture, after: b.Mixture, expected: tuple[Array, Array, Array, Array], passes: float = 1.0
) -> None:
    """The hypothesis with the mark is as the reference says, the one without is as it was, and both weigh
    what the mark makes of them."""
    mean, cov, miss, S = expected
    seen = [i for i, notes in enumerate(after.notes) if not notes]
    missed = [i for i, notes in enumerate(after.notes) if notes == (b.Note("reading"),)]
    assert (len(seen), len(missed)) == (1, 1)
    spread = np.sqrt(np.diag(before.cov[0]))
    np.testing.assert_allclose((after.mean[seen[0]] - mean) / spread, 0, atol=1e-4)
    np.testing.assert_allclose((after.cov[seen[0]] - cov) / np.outer(spread, spread), 0, atol=1e-4)
    np.testing.assert_array_equal(after.mean[missed[0]], before.mean[0])
    np.testing.assert_array_equal(after.cov[missed[0]], before.cov[0])
    np.testing.assert_array_equal(after.pulse[missed[0]], before.pulse[0])
    kind = b.NOISES[int(before.noise[0])]
    right = (1 - kind.slips - kind.astray) * plane(S, miss) * passes
    wrong = kind.astray * plane(S + b.ASTRAY_MM**2 * np.eye(2), miss) + kind.slips / b.CARD_AREA
    assert after.weight[seen[0]] == pytest.approx(right / (right + wrong), rel=1e-4)
    assert after.weight.sum() == pytest.approx(1.0)
    assert after.evidence - before.evidence == pytest.approx(WEIGHT + np.log(right + wrong), abs=1e-4)
    assert after.doubt == pytest.approx(min(1.0, kind.slips / b.CARD_AREA / (right + wrong)), rel=1e-3)


@pytest.mark.parametrize("fault", [0, LOOSE_2])
@pytest.mark.parametrize(
    ("station", "below_mm"),
    [
        ("mirror-1", 0.0),
        ("mirror-2", 0.0),
        ("mirror-3", 0.0),
        ("nozzle", 0.0),
        ("below", 145.0),
        ("below", 90.0),
    ],
)
@pytest.mark.parametrize("off_mm", [(0.2, -0.1), (1.2, 0.9)])
def test_a_mark_is_an_extended_kalman_update(
    station: str, below_mm: float, fault: int, off_mm: tuple[float, float]
) -> None:
    before, at = one(fault=fault), m.station_index(station)

    def reads(x: Array) -> Array:
        return m.on_card(m.spot(LASER, m.rays(LASER, x, HEAD), at, below_mm), x)

    seen, sigma = reads(before.mean[0]) + off_mm, np.array([0.05, 0.1])
    kind = b.NOISES[NOISE]
    tape = (kind.pulse_mm**2 + b.MODEL_SD**2) * np.eye(2)
    noise = 1.5 * (np.diag(sigma**2) + tape + jitter(at, HEAD, below_mm, before))  # 12 / 8 as it has learnt
    loose = shaken(at, HEAD, below_mm, before)
    expected = updated(before, seen, reads, noise, loose)
    event = MarkSeen(station, HEAD, (seen[0], seen[1]), (0.05, 0.1), 1, below_mm)
    after = f.mark(LASER, before, event)
    passes = 1.0
    if station == "nozzle":  # seen there, the beam has come through the bore
        mean, cov, *_ = expected
        beam = by_steps(lambda x: m.spot(LASER, m.rays(LASER, x, HEAD), at), before.mean[0])
        sd, bore = np.sqrt(np.trace(beam @ cov @ beam.T) / 2), LASER.aperture.nozzle_mm / 2
        place = m.spot(LASER, m.rays(LASER, mean, HEAD), at)
        passes = float(norm.cdf((bore - np.hypot(*place)) / (sd + f.EDGE * bore)))
    check_taken(before, after, expected, passes)
    _, _, miss, S = expected
    erred = noise @ np.linalg.inv(S) @ miss  # the part of the miss that is scatter
    known = np.trace(noise @ np.linalg.inv(S))
    learnt = before.pulse[0] + [known, 1.5 * erred @ np.linalg.inv(noise) @ erred]
    np.testing.assert_allclose(after.pulse[[not notes for notes in after.notes]], [learnt], rtol=1e-4)


@pytest.mark.parametrize("fault", [0, b.LOOSE, b.LOOSE + 2])
@pytest.mark.parametrize("station", ["mirror-2", "mirror-3", "nozzle"])
def test_a_difference_is_one_of_two_marks_on_one_card(station: str, fault: int) -> None:
    before, at, other = one(fault=fault), m.station_index(station), (1300.0, 800.0)

    def reads(x: Array) -> Array:
        there, here = (m.spot(LASER, m.rays(LASER, x, head), at) for head in (HEAD, other))
        return m.on_card(there, x) - m.on_card(here, x)

    seen, sigma = reads(before.mean[0]) + np.array([0.1, -0.2]), np.array([0.05, 0.1])
    tape = (b.NOISES[NOISE].pulse_mm ** 2 + b.MODEL_SD**2) * np.eye(2)
    scattered = 2 * tape + jitter(at, HEAD, 0.0, before) + jitter(at, other, 0.0, before)
    loose = shaken(at, HEAD, 0.0, before) + shaken(at, other, 0.0, before)
    expected = updated(before, seen, reads, 1.5 * (np.diag(sigma**2) + scattered), loose)
    event = Difference(station, other, HEAD, (seen[0], seen[1]), (0.05, 0.1))
    check_taken(before, f.difference(LASER, before, event), expected)


def test_the_lens_is_out_for_a_card_below_and_its_distance_counts() -> None:
    before = one()
    spots = [m.spot(LASER, m.rays(LASER, before.mean[0], HEAD), m.BELOW_AT, below) for below in (0.0, 100.0)]
    np.testing.assert_allclose(spots[1] - spots[0], 100 * m.rays(LASER, before.mean[0], HEAD).slope[3])


@pytest.mark.parametrize(("mount", "contact"), [(1, 0), (1, 1), (2, 0), (2, 1), (3, 0), (3, 1)])
@pytest.mark.parametrize("turns", [0.25, -0.5])
@pytest.mark.parametrize("last", [0.0, 1.0, -1.0])
def test_a_turn_is_a_motion_with_the_errors_of_the_hand(
    mount: int, contact: int, turns: float, last: float
) -> None:
    """How the screw works stands in ``one``: as noted, backwards, a quarter turn round, or not at all."""
    k = 3 * (mount - 1) + contact
    before = replace(one(), onward=tuple(last if i == k else 0.0 for i in range(9)))
    screw = LASER.mount[mount - 1].contact[contact]
    assert screw.screw_pitch_mm is not None
    own, cross = m.screw_vectors(LASER, mount, contact)
    z = {1: 1, -1: -1, 2: 1j, -2: -1j, screws.DEAD: 0}[int(before.sign[0, k])]
    own, cross = z.real * own + z.imag * cross, z.real * cross - z.imag * own
    gain = m.response_at(mount, contact)
    points = contact_points(LASER, mount)

    def moved(given: Array) -> Array:
        """given : the unknowns, how far the hand turned, how the mirror tilted as it was locked."""
        x, tilt = given[:, : m.SIZE].copy(), given[:, m.SIZE + 1 :]
        travel = given[:, [m.SIZE]] * screw.clockwise * screw.screw_pitch_mm
        first, second = x[:, gain].T[:, :, None]
        x[:, m.contact_at(mount)] += travel * ((1 + first) * own + second * cross) + tilt @ points.T
        return x

    mean_turns, var_turns = b.hand(turns, last, reversed_before=last != 0.0)
    at = np.concatenate([before.mean[0], [mean_turns, 0.0, 0.0]])
    F = by_steps(moved, at)
    Q = np.zeros((m.SIZE + 3, m.SIZE + 3))
    Q[: m.SIZE, : m.SIZE] = before.cov[0]
    Q[m.SIZE, m.SIZE] = var_turns
    Q[m.SIZE + 1 :, m.SIZE + 1 :] = b.NOISES[NOISE].lock ** 2 * np.eye(2)
    after = f.turn(LASER, before, Turn(mount, screw.name, turns))
    asked = next(i for i, n in enumerate(after.notes) if not n and after.sign[i, k] == before.sign[0, k])
    spread = np.sqrt(np.diag(before.cov[0]))
    np.testing.assert_allclose((after.mean[asked] - moved(at[None])[0]) / spread, 0, atol=1e-9)
    np.testing.assert_allclose((after.cov[asked] - F @ Q @ F.T) / np.outer(spread, spread), 0, atol=1e-6)
    assert after.weight[asked] == pytest.approx(1 - 3 * b.NOISES[NOISE].slips, rel=1e-3)
    onward = last + turns if last * turns > 0 else turns
    assert after.onward == tuple(onward if i == k else 0.0 for i in range(9))
    assert after.net_turns == tuple(turns if i == k else 0.0 for i in range(9))
    twice = f.turn(LASER, after, Turn(mount, screw.name, turns)).net_turns
    assert twice == tuple(2 * turns if i == k else 0.0 for i in range(9))


@pytest.mark.parametrize("noise", [0, 1])
def test_a_hand_may_have_turned_another_screw_the_other_way_or_none(noise: int) -> None:
    before, slips = one(noise), b.NOISES[noise].slips
    others = [c.name for c in LASER.mount[0].contact if c.screw_pitch_mm is not None and c.name != "top"]
    after = f.turn(LASER, before, Turn(1, "top", 0.5))
    weighs = {
        kind: sum(w for w, notes in zip(after.weight, after.notes, strict=True) if notes[-1:] == kind)
        for kind in {notes[-1:] for notes in after.notes}
    }
    expected: dict[Any, float] = {
        (): 1 - 3 * slips,
        (b.Note("way", 1, "top", "top"),): slips,
        (b.Note("none", 1, "top", "top"),): slips,
        **{(b.Note("screw", 1, name, "top"),): slips / len(others) for name in others},
    }
    assert weighs == {kind: pytest.approx(share, rel=1e-3) for kind, share in expected.items()}
    own, _ = m.screw_vectors(LASER, 1, 0)
    pitch = float(LASER.mount[0].contact[0].screw_pitch_mm or 0.0)
    gain, cross = before.mean[0][m.response_at(1, 0)]
    for notes, mean in zip(after.notes, after.mean, strict=True):
        change = mean - before.mean[0]
        if notes and notes[-1].kind == "none":
            assert not change.any()
        if notes and notes[-1].kind == "way":
            turned, _ = b.hand(-0.5, 0.0)
            along = change[m.contact_at(1)] @ own
            side = m.screw_vectors(LASER, 1, 0)[1] @ own
            assert along == pytest.approx(turned * pitch * (1 + gain + cross * side))
    assert after.evidence == pytest.approx(before.evidence + WEIGHT, abs=1e-3)


def test_how_a_screw_works_is_open_until_it_is_turned() -> None:
    before = one(0)
    before.sign[0, :3] = (0, 1, 0)
    after = f.turn(LASER, before, Turn(1, "top", 0.5))
    expected = screws.chances(LASER, 1, np.array([0, 1, 0]), 0)
    as_asked = [not notes for notes in after.notes]
    for code, chance in zip(screws.CODES, expected, strict=True):
        these = (after.sign[:, 0] == code) & as_asked
        assert after.weight[these].sum() == pytest.approx(chance * (1 - 3 * b.NOISES[0].slips), rel=1e-4)
    none = [notes[-1:] == (b.Note("none", 1, "top", "top"),) for notes in after.notes]
    assert (after.sign[none, 0] == screws.UNKNOWN).all()  # a screw that nobody turned has shown nothing


@pytest.mark.parametrize("part", m.PARTS)
def test_a_shift_is_a_motion_with_the_errors_of_each_hand(part: str) -> None:
    before, move = one(), (0.0, 1.0, -2.0)
    after = f.shift(before, Shift(part, move))
    spread = np.diag((b.SHIFT_RELATIVE * np.abs(move) + b.SHIFT_HAND * (np.array(move) != 0)) ** 2)
    expected = before.cov[0] + sum(one @ spread @ one.T for one in m.hand_matrices(part))
    np.testing.assert_allclose(after.mean[0], before.mean[0] + m.shift_matrix(part) @ move)
    np.testing.assert_allclose(after.cov[0], expected)
    assert not after.notes[0]


@pytest.mark.parametrize("part", m.PARTS)
def test_a_part_may_have_gone_another_way_or_nowhere(part: str) -> None:
    """Each way that a hand may have slipped has its odds and says what it was."""
    before, slips = one(), b.NOISES[0].slips
    after = f.shift(before, Shift(part, (0.0, 1.0, -2.0)))
    done = (after.mean - before.mean[0]) @ np.linalg.pinv(m.shift_matrix(part)).T
    kinds = {
        tuple(np.round(d[1:], 9) + 0.0): (notes[-1].kind if notes else "", w)
        for d, notes, w in zip(done, after.notes, after.weight, strict=True)
    }
    assert kinds == {
        (1.0, -2.0): ("", pytest.approx(1 - 2 * slips)),
        (-1.0, -2.0): ("moved", pytest.approx(slips / 3)),
        (1.0, 2.0): ("moved", pytest.approx(slips / 3)),
        (-1.0, 2.0): ("moved", pytest.approx(slips / 3)),
        (0.0, 0.0): ("left", pytest.approx(slips)),
    }
    left = [notes[-1:] == (b.Note("left", asked=part),) for notes in after.notes]
    np.testing.assert_allclose(after.cov[left], before.cov)  # a hand that did nothing does not err


@pytest.mark.parametrize(("mirror", "column"), [("mirror-1", 9), ("mirror-2", 10), ("mirror-3", 11)])
@pytest.mark.parametrize("another", [False, True])
def test_a_base_may_turn_out_not_to_move(mirror: str, column: int, another: bool) -> None:
    before, move = one(), (1.0, 0.0, 0.5)
    before.sign[0, 9:] = 0
    if another:
        before.sign[0, 9 + (column - 8) % 3] = screws.DEAD
    after = f.shift(before, Shift(mirror, move))
    after = b.take(
        after, as_asked := np.flatnonzero([not notes for notes in after.notes]), after.log_weight[as_asked]
    )
    stuck = screws.STUCK_TOO if another else screws.STUCK
    for i, code in enumerate(after.sign[:, column]):
        moves = code != screws.DEAD
        odds = 1 - stuck if moves else stuck
        assert after.weight[i] == pytest.approx(odds * (1 - 2 * b.NOISES[0].slips))
        change = m.shift_matrix(mirror) @ move if moves else np.zeros(m.SIZE)
        np.testing.assert_allclose(after.mean[i] - before.mean[0], change, atol=1e-12)
        assert (np.trace(after.cov[i]) > np.trace(before.cov[0])) == moves
    assert sorted(after.sign[:, column]) == [1, screws.DEAD]


@pytest.mark.parametrize("limit", [0.5, 1.0, -2.0, 4.0])
def test_beyond_a_limit_are_the_moments_of_a_truncated_normal(limit: float) -> None:
    before, rng = one(), np.random.default_rng(3)
    row, value, loose = rng.standard_normal(m.SIZE) / 10, 0.4, 0.09
    P = before.cov[0]
    var = row @ P @ row + b.MODEL_SD**2 + loose
    kept = truncnorm((limit - value) / np.sqrt(var), np.inf, loc=value, scale=np.sqrt(var))
    way = f._Blank.beyond(before, row[None], np.array([value]), limit, np.array([loose]))
    np.testing.assert_allclose(way.move[0], P @ row / var * (kept.mean() - value))
    taken = np.outer(P @ row, P @ row) / var * (1 - kept.var() / var)
    np.testing.assert_allclose(
        way.shrink[0] * np.outer(way.gain[0], way.gain[0]), taken, rtol=1e-7, atol=1e-12
    )
    likely = norm.logsf(limit, value, np.sqrt(var))
    assert way.log_weight[0] == pytest.approx(WEIGHT + likely, rel=1e-9)


@pytest.mark.parametrize("fault", [0, b.LOOSE])
@pytest.mark.parametrize(
    ("station", "below_mm"), [("mirror-1", 0.0), ("mirror-2", 0.0), ("mirror-3", 0.0), ("below", 145.0)]
)
def test_a_blank_is_a_bad_pulse_or_a_beam_beyond_one_of_its_edges(
    station: str, below_mm: float, fault: int
) -> None:
    before, at = one(fault=fault), m.station_index(station)
    before.mean[0][m.TUBE] += (19.0, 8.0, 19.5, 8.0) if station == "mirror-1" else (12.0, 9.0, 13.0, 8.0)
    chances = [b.NOISES[NOISE].slips]
    openings = LASER.aperture.mirror_1_mm, LASER.aperture.mirror_2_mm, LASER.aperture.mirror_3_mm
    edges = [(i, openings[i] / 2) for i in range(min(at, 3))] + [(at, b.CARD_HALF)]
    for place, limit in edges:
        spot = spot_at(place, below_mm, before.mean[0])
        H = by_steps(partial(spot_at, place, below_mm), before.mean[0])
        cov = H @ before.cov[0] @ H.T + b.MODEL_SD**2 * np.eye(2) + shaken(place, HEAD, below_mm, before)
        for axis in (0, 1):
            sd = np.sqrt(cov[axis, axis])
            chances += [norm.sf(limit, spot[axis], sd), norm.cdf(-limit, spot[axis], sd)]
    after = f.no_mark(LASER, before, NoMark(station, HEAD, 1, below_mm))
    assert sum(chances) > 2 * chances[0]  # some of the ways are probable
    assert after.evidence - before.evidence == pytest.approx(WEIGHT + np.log(sum(chances)), abs=1e-4)
    assert after.doubt == pytest.approx(chances[0] / sum(chances), rel=1e-4)
    likely = sorted((c for c in chances if c > 1e-3), reverse=True)
    assert after.weight[: len(likely)] == pytest.approx(np.array(likely) / sum(chances), rel=1e-3)

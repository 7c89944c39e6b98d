"""Machines drawn from the belief, their marks over the whole bed, and the verdict's numbers."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate import hypotheses as b
from server.solver.machine import model as m
from server.solver.machine.power import LEAN_MM, SHEET_MM
from server.solver.machine.profile import Point, Profile
from server.solver.machine.trace import Rays

Array = NDArray[Any]

SAMPLES, HANDS = 256, 21
TURNS = 32  # the random numbers repeat after this many draws
SLACK = 1e-10  # share of each variance added, so that rounding leaves no covariance indefinite
# Fractions of the bed's width and depth: the five positions in their order, the middles of the edges, and
# places near the start of a leg, where a beam that is far off can still be caught.
GRID = (
    *((0, 1), (0, 0), (0.5, 0.5), (1, 1), (1, 0)),
    *((0, 0.5), (1, 0.5), (0.5, 0), (0.5, 1)),
    *((0, 0.8), (0.2, 1), (0.8, 1)),
)
BED = 9  # the first this many positions of GRID represent the whole bed
FIVE = ("back left", "front left", "centre", "back right", "front right")
ALONG_Y = [0, 1, 5]  # positions of the grid that differ for the gantry
PAIRS = np.array(list(combinations(range(BED), 2))).T
Y_PAIRS = np.array(list(combinations(ALONG_Y, 2))).T
KEYS = ("centre-1", "overlap-2", "centre-2", "overlap-3", "centre-3", "nozzle", "lens")
STAGE_KEYS = (1, 3, 5, 7, 7)  # how many of KEYS, from the first, count at each stage


def grid(profile: Profile) -> list[Point]:
    """Head positions (mm) of GRID."""
    return [profile.head_mm(x, y) for x, y in GRID]


@lru_cache(maxsize=64)
def _normals(count: int, turn: int) -> Array:
    """(count, SIZE + HANDS) fixed standard normals, in pairs of opposite sign so that their mean is zero."""
    half = np.random.default_rng([20, turn]).standard_normal((count // 2, m.SIZE + HANDS))
    return np.concatenate([half, -half])


@dataclass(frozen=True)
class Samples:
    """Drawn machines: (M, SIZE) vectors, (M,) fault and noise, (M, 12) signs of their hypotheses."""

    x: Array
    fault: Array
    sign: Array
    # (M, HANDS) standard normals for what the hand will do: 9 screws, X, Y, Z of two mounts, locking
    noise: Array
    errs: Array  # (M,) index into NOISES

    def moved(self, x: Array) -> Samples:
        """The same machines after a step."""
        return replace(self, x=x)

    def only(self, rows: Array) -> Samples:
        """Some of the machines."""
        return Samples(*(getattr(self, field.name)[rows] for field in fields(self)))

    def joined(self, other: Samples) -> Samples:
        """These machines and others."""
        pairs = [[getattr(some, field.name) for some in (self, other)] for field in fields(self)]
        return Samples(*(np.concatenate(pair) for pair in pairs))


def draw(mixture: b.Mixture, count: int = SAMPLES, *, turn: int = 0) -> Samples:
    """Machines drawn from the mixture: always the same ones for the same mixture and turn.

    Each step uses another turn, so that a choice that suits some machines by chance is judged on others.
    """
    edges = (np.arange(count) + 0.5) / count
    which = np.searchsorted(np.cumsum(mixture.weight), edges * mixture.weight.sum())
    which = np.minimum(which, len(mixture.weight) - 1)
    normals = _normals(count, turn % TURNS)
    shuffled = which[np.random.default_rng(7).permutation(count)]
    x = np.empty((count, m.SIZE))
    for i in np.unique(shuffled):
        rows = shuffled == i
        x[rows] = mixture.mean[i] + normals[rows, : m.SIZE] @ _root(mixture.cov[i]).T
    return Samples(
        x, mixture.fault[shuffled], mixture.sign[shuffled], normals[:, m.SIZE :], mixture.noise[shuffled]
    )


def _root(cov: Array) -> Array:
    """A square root of a covariance that rounding may have made slightly indefinite.

    Cholesky's is used because it changes little when the covariance changes little. With eigenvectors of
    equal eigenvalues, the drawn machines, and so the step, would depend on the last bit.
    """
    spread = np.sqrt(np.diagonal(cov))
    scaled = cov / np.outer(spread, spread)
    scaled[np.diag_indices(m.SIZE)] = 1.0 + SLACK
    try:
        return np.asarray(spread[:, None] * np.linalg.cholesky(scaled))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(cov)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def everywhere(profile: Profile, x: Array) -> Rays:
    """Rays of machines x (M, SIZE) at every position of the grid: offsets (M, 12, 4, 2), lens (M, 12, 2)."""
    return m.rays(profile, x[:, None, :], np.array(grid(profile)))


def everywhere_bent(profile: Profile, mean: Array) -> tuple[Rays, Rays]:
    """The rays of a machine (SIZE,), with leading dimension 1, and their derivatives (by complex steps), with
    the state vector as leading dimension."""
    nudge = 1j * m.STEP * np.eye(m.OPTICS, m.SIZE)
    nudged = mean + nudge
    bent = everywhere(profile, nudged)
    here = Rays(bent.offset_mm.real[:1], bent.lens_mm.real[:1], bent.slope.real[:1])
    return here, Rays(bent.offset_mm.imag / m.STEP, bent.lens_mm.imag / m.STEP, bent.slope.imag / m.STEP)


def pushed(rays: Rays, jacobian: Rays, change: Array) -> Rays:
    """The rays after a small change (M, SIZE) of the machines, by linear extrapolation."""
    used = np.flatnonzero(change[:, : m.OPTICS].any(0))
    if not used.size:
        return rays
    step = change[:, used]
    marks, lens, slope = (
        step @ bent[used].reshape(len(used), -1)
        for bent in (jacobian.offset_mm, jacobian.lens_mm, jacobian.slope)
    )
    return Rays(
        rays.offset_mm + marks.reshape(rays.offset_mm.shape),
        rays.lens_mm + lens.reshape(rays.lens_mm.shape),
        rays.slope + slope.reshape(rays.slope.shape),
    )


def numbers(rays: Rays) -> Array:
    """(M, 7) the verdict's numbers, in the order of KEYS, mm."""
    at = rays.offset_mm[:, :BED]
    two, three = at[:, :, 1], at[:, :, 2]
    squares = [
        _square(at[:, 0, 0]),
        _widest(two, Y_PAIRS),
        _square(two[:, ALONG_Y].mean(1)),
        _widest(three, PAIRS),
        _square(three.mean(1)),
        _square(at[:, :, 3]).max(1),
        _square(rays.lens_mm[:, :BED]).max(1),
    ]
    return np.asarray(np.sqrt(np.stack(squares, axis=1)))


def ratios(profile: Profile, rays: Rays) -> Array:
    """(M, 7) the verdict's numbers, in the order of KEYS, in units of their tolerances.

    The lens's number is at least the lean of a cut in units of LEAN_MM; the lean results from the offset at
    the lens and the slope of the beam together.
    """
    found = numbers(rays) / limits(profile)
    found[:, KEYS.index("lens")] = np.maximum(found[:, KEYS.index("lens")], leans(profile, rays) / LEAN_MM)
    return np.asarray(found)


def leans(profile: Profile, rays: Rays) -> Array:
    """(M,) how far a cut leans in a sheet of SHEET_MM, mm, at the worst position (as ``cost.kerf_lean``)."""
    lean = rays.slope[:, :BED, 3] - rays.lens_mm[:, :BED] / profile.path.lens_focal_mm
    return np.asarray(SHEET_MM * np.sqrt(_square(lean)).max(1))


def _widest(marks: Array, pairs: Array) -> Array:
    """(M,) square of the largest distance between two marks of (M, positions, 2)."""
    u, v = marks[..., 0].T, marks[..., 1].T
    across, up = u[pairs[0]] - u[pairs[1]], v[pairs[0]] - v[pairs[1]]  # (pairs, M)
    return np.asarray((across * across + up * up).max(0))


def _square(vector: Array) -> Array:
    return np.asarray(vector[..., 0] * vector[..., 0] + vector[..., 1] * vector[..., 1])


@lru_cache(maxsize=16)
def limits(profile: Profile) -> Array:
    """(7,) tolerances of KEYS, mm."""
    t = profile.tolerance
    return np.array(
        [t.centre_mm, t.overlap_mm, t.centre_mm, t.overlap_mm, t.centre_mm, t.nozzle_mm, t.lens_mm]
    )


def hits(profile: Profile, rays: Rays, station: int) -> Array:
    """(M, 12) whether the beam's axis passes the apertures before a station and meets the card there."""
    reach = (np.abs(m.spot(profile, rays, station)) <= b.CARD_HALF).all(-1)
    for at, radius in m.stops(profile, station):
        reach &= _square(m.spot(profile, rays, at)) <= radius * radius
    return np.asarray(reach)


# Largest length of each (u, v) of metric_vectors: marks count from their mean; lens and nozzle are halved.
AT_MOST = np.repeat([1.0, 1.0, 1.0, 0.5, 1.0, 0.5, 0.5], [1, 1, 1, 5, 1, 5, 5])


HALVED = 2.0  # factor on the lens's tolerance that goes with its 0.5 in AT_MOST


def metric_vectors(profile: Profile, rays: Rays, stage: int, lens: float = HALVED) -> Array:
    """(M, L) what a stage's adjustment must bring to zero, in units of the tolerances; linear in the offsets.

    lens : factor on the tolerance of the lens.
    """
    t, at = profile.tolerance, rays.offset_mm
    count = len(at)
    parts = [at[:, 0, 0] / t.centre_mm]
    if stage >= 1:
        two = at[:, ALONG_Y, 1]
        parts += [(two[:, 0] - two[:, 1]) / t.overlap_mm, two.mean(1) / t.centre_mm]
    if stage >= 2:
        three = at[:, :5, 2]
        spread = (three - three.mean(1, keepdims=True)) / t.overlap_mm
        parts += [spread.reshape(count, -1), three.mean(1) / t.centre_mm]
        # When mirror 3 is moved to meet the beam, the beam must stay on the lens.
        parts += [rays.lens_mm[:, :5].reshape(count, -1) / (lens * t.lens_mm)]
    if stage >= 3:
        parts += [at[:, :5, 3].reshape(count, -1) / (2.0 * t.nozzle_mm)]
    return np.concatenate(parts, axis=1)

"""How a mount's screws may work differently from its profile, and with what probability.

A screw tilts its mirror. Here its effect is one complex number times the tilt in the profile: 1 as in the
profile, −1 the other way, ±i a quarter turn round, 0 nothing (dead: seized, stripped, or a pivot). In a mount
mirrored left to right, each screw works in one of these ways. The odds are our own guesses of how measuring
and building go wrong (common practice, no source).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]

UNKNOWN, DEAD = 0, 3
WORKS = {UNKNOWN: 1, 1: 1, -1: -1, 2: 1j, -2: -1j, DEAD: 0}  # code → factor on the tilt in the profile
_WAYS = np.array([WORKS[code] for code in (0, 1, 2, 3, -2, -1)])  # negative codes count from the end
CODES = np.array([1, -1, 2, -2, DEAD])
BASES = np.array([1, DEAD])
ALL_BACKWARDS, ONE_BACKWARDS, QUARTER, MIRRORED, ONE_DEAD = 0.12, 0.11, 0.03, 0.015, 0.03
STUCK, STUCK_TOO = 0.03, 0.8  # probability that a base does not move; the same if another one does not
ODD = 0.004  # probability of each way to work that does not fit the arrangement of the screw's mount


@lru_cache(maxsize=64)
def arrangements(profile: Profile, mount: int) -> tuple[Array, Array]:
    """(P,) odds and (P, 3) codes of how the three screws of a mount may work together."""
    alone = 1 - 2 * np.eye(3, dtype=int)
    dead = np.where(np.eye(3, dtype=bool), DEAD, 1)
    even = np.ones((1, 3), dtype=int)
    codes = np.concatenate([even, -even, alone, 2 * even, -2 * even, dead, [_mirrored(profile, mount)]])
    odds = [0.0, ALL_BACKWARDS, *[ONE_BACKWARDS / 3] * 3, *[QUARTER / 2] * 2, *[ONE_DEAD / 3] * 3, MIRRORED]
    odds[0] = 1.0 - sum(odds)
    return np.array(odds), codes


def _mirrored(profile: Profile, mount: int) -> list[int]:
    """The codes of a mount whose contacts are mirrored left to right."""
    at = contact_points(profile, mount)
    ways = [np.linalg.inv(np.column_stack([np.ones(3), p]))[1:] for p in (at, at * [-1, 1])]
    nominal, other = (way[0] + 1j * way[1] for way in ways)
    quarter = np.round(np.angle(other / nominal) / (np.pi / 2)).astype(int) % 4
    return [(1, 2, -1, -2)[k] for k in quarter]


def chances(profile: Profile, mount: int, tried: Array, contact: int) -> Array:
    """(..., 5) probability of each of CODES for a screw.

    tried : (..., 3) codes of the mount's screws, UNKNOWN where not known yet.
    """
    odds, codes = arrangements(profile, mount)
    tried = np.asarray(tried)[..., None, :]
    fits = np.where(codes == tried, 1 - 4 * ODD, ODD)
    fits = np.where(tried == UNKNOWN, 1.0, fits)
    likely = odds * fits.prod(-1)
    likely = likely / likely.sum(-1, keepdims=True)
    works = np.where(codes[:, contact, None] == CODES, 1 - 4 * ODD, ODD)
    return np.asarray(likely @ works)


def tilts(code: Array, own: Array, cross: Array) -> tuple[Array, Array]:
    """Two (..., 3): what a turn and its cross-talk do to the contacts, for a screw that works as code (...)
    says. own, cross : (3,), as in ``model.screw_vectors``."""
    z = _WAYS[code][..., None]
    return z.real * own + z.imag * cross, z.real * cross - z.imag * own


def base_chances(bases: Array) -> Array:
    """(..., 2) probability of each of BASES for a base; bases : (..., 3) codes of all the machine's bases."""
    stuck = np.where((bases == DEAD).any(-1), STUCK_TOO, STUCK)
    return np.stack([1 - stuck, stuck], axis=-1)

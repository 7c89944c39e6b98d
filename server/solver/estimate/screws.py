"""How a mount's screws may work differently from its profile, and with what probability.

A screw tilts its mirror. Its effect is written as a complex factor on the tilt in the profile: 1 as in the
profile, −1 the other way, ±i about an axis a quarter turn round, 0 not at all (dead: seized, stripped, or a
pivot). If the names of screws are mixed up, a screw has the effect of another one of its mount. If a mount is
mirrored left to right, each of its screws works in one of these ways. The odds are our own guesses of how
often a laser is measured or built wrongly (common practice, no source).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]

UNKNOWN, DEAD, NEXT, BEFORE = 0, 3, 4, -4
CODES = np.array([1, -1, 2, -2, DEAD, NEXT, BEFORE])
BASES = np.array([1, DEAD])
ALL_BACKWARDS, ONE_BACKWARDS, QUARTER, MIRRORED, ONE_DEAD, RENAMED = 0.12, 0.11, 0.03, 0.015, 0.03, 0.01
STUCK, STUCK_TOO = 0.03, 0.8  # probability that a base does not move; the same if another one does not
# Probability of each way to work, by code, where it is not that of the arrangement of the screw's mount.
ODD = np.full(9, 0.004)
ODD[[NEXT, BEFORE]] = 0.0005
NEAR = 0.1  # another screw's tilt that is this near one of the unit ways counts as that way


@lru_cache(maxsize=64)
def ways(profile: Profile, mount: int) -> Array:
    """(3, 9) complex: for each contact of a mount, the factor on the tilt in the profile; its second index is
    the code (negative codes count from the end). NEXT and BEFORE are the tilts of the mount's other contacts,
    in the profile's order."""
    tilt = _tilts(contact_points(profile, mount))
    found = np.zeros((3, 9), dtype=complex)
    found[:, [UNKNOWN, 1, -1, 2, -2]] = [1, 1, -1, 1j, -1j]
    found[:, NEXT], found[:, BEFORE] = np.roll(tilt, -1) / tilt, np.roll(tilt, 1) / tilt
    return found


def _tilts(at: Array) -> Array:
    """(3,) complex tilt of the plane through three contacts (3, 2), where each in turn rises by 1 mm."""
    slopes = np.linalg.inv(np.column_stack([np.ones(3), at]))[1:]
    return np.asarray(slopes[0] + 1j * slopes[1])


@lru_cache(maxsize=64)
def arrangements(profile: Profile, mount: int) -> tuple[Array, Array]:
    """(P,) odds and (P, 3) codes of how the three screws of a mount may work together."""
    alone = 1 - 2 * np.eye(3, dtype=int)
    dead = np.where(np.eye(3, dtype=bool), DEAD, 1)
    even = np.ones((1, 3), dtype=int)
    names = _renamed(profile, mount)
    mirrored = [_mirrored(profile, mount)]
    codes = np.concatenate([even, -even, alone, 2 * even, -2 * even, dead, mirrored, names])
    odds = [0.0, ALL_BACKWARDS, *[ONE_BACKWARDS / 3] * 3, *[QUARTER / 2] * 2, *[ONE_DEAD / 3] * 3, MIRRORED]
    odds += [RENAMED / len(names)] * len(names)
    odds[0] = 1.0 - sum(odds)
    return np.array(odds), codes


def _mirrored(profile: Profile, mount: int) -> list[int]:
    """The codes of a mount whose contacts are mirrored left to right."""
    at = contact_points(profile, mount)
    quarter = np.round(np.angle(_tilts(at * [-1, 1]) / _tilts(at)) / (np.pi / 2)).astype(int) % 4
    return [(1, 2, -1, -2)[k] for k in quarter]


def _renamed(profile: Profile, mount: int) -> list[list[int]]:
    """The codes of a mount for each way in which the names of its contacts may be mixed up."""
    tilt, unit = _tilts(contact_points(profile, mount)), ways(profile, mount)[0]

    def code(own: int, other: int) -> int:
        for one in (1, -1, 2, -2):
            if abs(tilt[other] / tilt[own] - unit[one]) < NEAR:
                return one
        return NEXT if other == (own + 1) % 3 else BEFORE

    mixed = [order for order in permutations(range(3)) if order != (0, 1, 2)]
    return [[code(own, other) for own, other in enumerate(order)] for order in mixed]


def chances(profile: Profile, mount: int, tried: Array, contact: int) -> Array:
    """(..., 7) probability of each of CODES for a screw.

    tried : (..., 3) codes of the mount's screws, UNKNOWN where not known yet.
    """
    odds, codes = arrangements(profile, mount)
    tried = np.asarray(tried)[..., None, :]
    likely = odds * np.where(tried == UNKNOWN, 1.0, _works(codes, tried)).prod(-1)
    likely = likely / likely.sum(-1, keepdims=True)
    return np.asarray(likely @ _works(codes[:, contact, None], CODES))


def _works(fits: Array, code: Array) -> Array:
    """Probability that a screw works as a code says, where its mount's arrangement has the code ``fits``."""
    return np.where(code == fits, 1.0 - ODD[CODES].sum() + ODD[fits], ODD[code])


def tilts(profile: Profile, mount: int, contact: int | Array, code: Array) -> tuple[Array, Array]:
    """Two (..., 3): what a turn and its cross-talk do to the contacts, for screws of a mount that work as
    ``code`` (...) says. contact : one, or one for each code."""
    own, cross = (vectors[contact] for vectors in _vectors(profile, mount))
    z = ways(profile, mount)[contact, code][..., None]
    return z.real * own + z.imag * cross, z.real * cross - z.imag * own


@lru_cache(maxsize=64)
def _vectors(profile: Profile, mount: int) -> tuple[Array, Array]:
    """Two (3, 3): ``model.screw_vectors`` of each contact of a mount."""
    own, cross = zip(*(m.screw_vectors(profile, mount, i) for i in range(3)), strict=True)
    return np.array(own), np.array(cross)


def base_chances(bases: Array) -> Array:
    """(..., 2) probability of each of BASES for a base; bases : (..., 3) codes of all the machine's bases."""
    stuck = np.where((bases == DEAD).any(-1), STUCK_TOO, STUCK)
    return np.stack([1 - stuck, stuck], axis=-1)

"""What can be moved, and what a move does to machines as they may be."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate import hypotheses as b
from server.solver.estimate.samples import Samples
from server.solver.events import Event, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import Profile

Array = NDArray[Any]

TUBE, ONE_END, BASE = 2.0, 1.0, 2.0  # effort of moving the tube, one of its ends, a mirror with its base
MOST_TURNS, LEAST_TURNS = 2.0, 1 / 128
MOST_SHIFT_MM, LEAST_SHIFT_MM = 25.0, 0.3


@dataclass(frozen=True)
class Lever:
    """One thing that a hand can move: a screw (1 number: turns) or a part (2–3 numbers: mm)."""

    order: int  # place in the chain, upstream first
    effort: float  # against a turn of a screw
    part: str = ""
    mount: int = 0
    contact: int = -1
    axes: tuple[int, ...] = ()

    def name(self, profile: Profile) -> str:
        """Mount and screw, or the part."""
        if not self.is_screw:
            return self.part
        return f"{self.mount}:{profile.mount[self.mount - 1].contact[self.contact].name}"

    @property
    def is_screw(self) -> bool:
        """Whether it is a screw."""
        return self.contact >= 0


def levers(profile: Profile, stage: int) -> list[Lever]:
    """What may be moved in a stage: nothing downstream of what the stage can see."""
    found = [
        Lever(0, TUBE, "tube", axes=(1, 2)),
        Lever(0, ONE_END, "tube-exit", axes=(1, 2)),
        Lever(0, ONE_END, "tube-far", axes=(1, 2)),
    ]
    for mount in range(1, min(stage, 3) + 1):
        for i, contact in enumerate(profile.mount[mount - 1].contact):
            if contact.screw_pitch_mm is not None:
                found.append(Lever(2 * mount, 1.0, mount=mount, contact=i))
    for mount in range(1, min(stage + 1, 3) + 1):
        if stage >= 1:
            found.append(Lever(2 * mount - 1, BASE, f"mirror-{mount}", axes=(0, 1, 2)))
    return found


def direction(profile: Profile, bank: b.Bank, lever: Lever) -> Array:
    """(SIZE, n) change of the state vector per turn that takes hold, or per mm, under the best hypothesis."""
    if not lever.is_screw:
        return m.shift_matrix(lever.part)[:, list(lever.axes)]
    k, mean = 3 * (lever.mount - 1) + lever.contact, bank.mean[bank.best]
    gain, cross_talk = mean[m.response_at(lever.mount, lever.contact)]
    own, cross = m.screw_vectors(profile, lever.mount, lever.contact)
    column = np.zeros((m.SIZE, 1))
    column[m.contact_at(lever.mount), 0] = (1 + gain) * own + cross_talk * cross
    sign = sign_of(bank.sign[bank.best], lever.mount, k)
    return column * _travel(profile, lever) * sign


def erring(profile: Profile, bank: b.Bank, lever: Lever) -> list[Array]:
    """(SIZE, n) for each mount in which a hand errs by itself: what it does to the state vector."""
    if lever.is_screw:
        return [direction(profile, bank, lever)]
    return [mount[:, list(lever.axes)] for mount in m.hand_matrices(lever.part)]


def sign_of(signs: Array, mount: int, k: int) -> float:
    """Which way a screw is taken to work: as seen, else as the others of its mount, else as the profile
    says."""
    if signs[k]:
        return float(signs[k])
    return -1.0 if signs[3 * (mount - 1) : 3 * mount].sum() < 0 else 1.0


def _travel(profile: Profile, lever: Lever) -> float:
    contact = profile.mount[lever.mount - 1].contact[lever.contact]
    return contact.clockwise * float(contact.screw_pitch_mm or 0.0)


def as_events(profile: Profile, bank: b.Bank, lever: Lever, amount: Array) -> list[Event]:
    """The moves that a hand can do nearest to ``amount``, the nearest first; none where that is nothing."""
    if lever.is_screw:
        name = profile.mount[lever.mount - 1].contact[lever.contact].name
        last = bank.last_turn[3 * (lever.mount - 1) + lever.contact]
        return [Turn(lever.mount, name, turns) for turns in fractions(float(amount[0]), last)]
    move = np.zeros(3)
    move[list(lever.axes)] = np.asarray(amount)
    move *= min(1.0, MOST_SHIFT_MM / max(float(np.linalg.norm(move)), 1e-9))
    x, y, z = (float(v) + 0.0 for v in np.round(move, 1))
    return [Shift(lever.part, (x, y, z))] if np.linalg.norm(move) >= LEAST_SHIFT_MM else []


def fractions(turns: float, last: float = 0.0) -> list[float]:
    """The fractions of a turn on both sides of what is wanted, the nearer first: sixteenths, near the end
    thirty-seconds; play that is lost on reversal is made up for."""
    way = float(np.sign(turns))
    wanted = min(abs(turns), MOST_TURNS)
    if wanted < LEAST_TURNS:
        return []
    parts = 16 if wanted >= 0.25 else 32 if wanted >= 1 / 16 else 64
    below = np.floor(wanted * parts)
    options = [way * (below + step) / parts for step in (0, 1, 2, 3) if below + step > 0]
    options.sort(key=lambda option: abs(abs(b.hand(option, last)[0]) - wanted))
    return [float(option) for option in options[:2]]


def apply(profile: Profile, bank: b.Bank, samples: Samples, event: Event) -> Samples:
    """The machines after a move by a hand that errs."""
    x = samples.x.copy()
    if isinstance(event, Shift):
        move = np.array(event.move_mm)
        x += move @ m.shift_matrix(event.part).T
        for i, mount in enumerate(m.hand_matrices(event.part)):
            x += (b.shift_sd(move) * samples.noise[:, 9 + 3 * i : 12 + 3 * i]) @ mount.T
        return samples.moved(x)
    if not isinstance(event, Turn):
        return samples
    contact = profile.contact_index(event.mount, event.screw)
    k = 3 * (event.mount - 1) + contact
    turned, variance = b.hand(event.turns, bank.last_turn[k])
    sign = _drawn_signs(samples, event.mount, k)
    travel = _travel(profile, Lever(0, 0, mount=event.mount, contact=contact)) * sign
    own, cross = m.screw_vectors(profile, event.mount, contact)
    response = x[:, m.response_at(event.mount, contact)]
    moves = (1 + response[:, :1]) * own + response[:, 1:] * cross
    done = travel * (turned + np.sqrt(variance) * samples.noise[:, k])
    x[:, m.contact_at(event.mount)] += done[:, None] * moves
    signs = samples.sign.copy()
    signs[:, k] = sign
    return replace(samples, x=x, sign=signs)


def _drawn_signs(samples: Samples, mount: int, k: int) -> Array:
    """Signs of a screw over the samples; where not known, some work backwards as often as the prior says."""
    known = samples.sign[:, k].astype(float)
    chance = b.backwards(samples.sign[:, 3 * (mount - 1) : 3 * mount])
    count = len(known)
    return np.where(known != 0, known, np.where(_dice(count, k) < chance, -1.0, 1.0))


@lru_cache(maxsize=64)
def _dice(count: int, k: int) -> Array:
    """(count,) evenly spread numbers 0–1 in a fixed disorder."""
    return (np.random.default_rng(11 + k).permutation(count) + 0.5) / count

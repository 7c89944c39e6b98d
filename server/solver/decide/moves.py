"""What can be moved, and what a move does to the drawn machines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide.policy import POLICY
from server.solver.estimate import hypotheses as b
from server.solver.estimate import screws
from server.solver.estimate.samples import Samples
from server.solver.events import Event, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]


@dataclass(frozen=True)
class Lever:
    """One thing that a hand can move: a screw (1 number: turns) or a part (2–3 numbers: mm)."""

    order: int  # place in the chain, upstream first
    effort: float  # in turns of a screw
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
    """The levers of a stage: nothing downstream of the marks that the stage judges."""
    found = [
        Lever(0, POLICY.effort_tube, "tube", axes=(1, 2)),
        Lever(0, POLICY.effort_tube_end, "tube-exit", axes=(1, 2)),
        Lever(0, POLICY.effort_tube_end, "tube-far", axes=(1, 2)),
    ]
    for mount in range(1, min(stage, 3) + 1):
        for i, contact in enumerate(profile.mount[mount - 1].contact):
            if contact.screw_pitch_mm is not None:
                found.append(Lever(2 * mount, 1.0, mount=mount, contact=i))
    for mount in range(1, min(stage + 1, 3) + 1):
        if stage >= 1 and profile.mount[mount - 1].base != "fixed":
            found.append(Lever(2 * mount - 1, POLICY.effort_base, f"mirror-{mount}", axes=(0, 1, 2)))
    return found


def bases_move(profile: Profile, mixture: b.Mixture, stage: int) -> bool:
    """Whether the bases of all mirrors that a stage involves move, as far as is known."""
    free = [
        mount.base != "fixed" and not _stuck(mixture.sign[mixture.best][9:], f"mirror-{mount.mirror}")
        for mount in profile.mount
    ]
    return all(free[: min(stage + 1, 3) if stage else 0])


def direction(profile: Profile, mixture: b.Mixture, lever: Lever) -> Array:
    """(SIZE, n) change of the state vector per mm, or per turn after play, under the best hypothesis."""
    signs, mean = mixture.sign[mixture.best], mixture.mean[mixture.best]
    if not lever.is_screw:
        return m.shift_matrix(lever.part)[:, list(lever.axes)] * (not _stuck(signs[9:], lever.part))
    gain, cross_talk = mean[m.response_at(lever.mount, lever.contact)]
    code = np.array(code_of(profile, signs, lever.mount, lever.contact))
    own, cross = screws.tilts(profile, lever.mount, lever.contact, code)
    column = np.zeros((m.SIZE, 1))
    column[m.contact_at(lever.mount), 0] = (1 + gain) * own + cross_talk * cross
    return column * _travel(profile, lever.mount, lever.contact)


def _stuck(bases: Array, part: str) -> bool:
    """Whether a part is assumed not to move: a base that did not move, or most probably will not."""
    if not part.startswith("mirror-"):
        return False
    code = bases[int(part[-1]) - 1]
    chance = screws.base_chances(bases)
    return bool(code == screws.DEAD or (code == screws.UNKNOWN and chance[1] > chance[0]))


def code_of(profile: Profile, signs: Array, mount: int, contact: int) -> int:
    """How a screw is assumed to work: as observed; if untried, the most probable given its mount's others."""
    k = 3 * (mount - 1) + contact
    if signs[k] != screws.UNKNOWN:
        return int(signs[k])
    chance = screws.chances(profile, mount, signs[3 * (mount - 1) : 3 * mount], contact)
    return int(screws.CODES[int(np.argmax(chance))])


def _travel(profile: Profile, mount: int, at: int) -> float:
    contact = profile.mount[mount - 1].contact[at]
    return contact.clockwise * float(contact.screw_pitch_mm or 0.0)


def room(profile: Profile, mixture: b.Mixture, mount: int, contact: int) -> tuple[float, float]:
    """How far a screw can still be turned back (0 or less) and on (0 or more), in turns."""
    ends, net = profile.mount[mount - 1], mixture.net_turns[3 * (mount - 1) + contact]
    return min(ends.turns_from - float(net), 0.0), max(ends.turns_to - float(net), 0.0)


def ended(profile: Profile, mixture: b.Mixture, lever: Lever, amount: Array) -> bool:
    """Whether a screw comes to its end before half of the turns that are wanted."""
    if not lever.is_screw:
        return False
    back, on = room(profile, mixture, lever.mount, lever.contact)
    return not back <= float(amount[0]) / 2 <= on


def as_events(profile: Profile, mixture: b.Mixture, lever: Lever, amount: Array) -> list[Event]:
    """The moves nearest to ``amount`` that a hand can make, nearest first; empty if those are too small."""
    if lever.is_screw:
        name = profile.mount[lever.mount - 1].contact[lever.contact].name
        k = 3 * (lever.mount - 1) + lever.contact
        back, on = room(profile, mixture, lever.mount, lever.contact)
        wanted = float(np.clip(amount[0], back, on))
        nearest = fractions(wanted, lambda turns: mixture.takes_hold(k, turns)[0])
        return [Turn(lever.mount, name, turns) for turns in nearest if back <= turns <= on]
    move = np.zeros(3)
    move[list(lever.axes)] = np.asarray(amount)
    move *= min(1.0, POLICY.most_shift_mm / max(float(np.linalg.norm(move)), 1e-9))
    x, y, z = (float(v) + 0.0 for v in np.round(np.where(np.abs(move) < POLICY.least_shift_mm, 0.0, move), 1))
    return [Shift(lever.part, (x, y, z))] if any((x, y, z)) else []


def fractions(turns: float, takes_hold: Callable[[float], float]) -> list[float]:
    """Up to two fractions of a turn near the wanted one, best first: sixteenths, finer for small turns.

    takes_hold : how much of a turn moves the contact, after what is lost to play.
    """
    way = float(np.sign(turns))
    wanted = min(abs(turns), POLICY.most_turns)
    if wanted < POLICY.least_turns:
        return []
    parts = 16 if wanted >= 0.25 else 32 if wanted >= 1 / 16 else 64
    below = np.floor(wanted * parts)
    options = [way * (below + step) / parts for step in (0, 1, 2, 3) if below + step > 0]
    options.sort(key=lambda option: abs(abs(takes_hold(option)) - wanted))
    return [float(option) for option in options[:2]]


def apply(profile: Profile, mixture: b.Mixture, samples: Samples, event: Event) -> Samples:
    """The machines after a move, hand error included."""
    if isinstance(event, Shift):
        return _shifted(samples, event)
    return _turned(profile, mixture, samples, event) if isinstance(event, Turn) else samples


def _shifted(samples: Samples, event: Shift) -> Samples:
    move, sign = np.array(event.move_mm), samples.sign
    by = np.broadcast_to(m.shift_matrix(event.part) @ move, samples.x.shape).copy()
    for i, mount in enumerate(m.hand_matrices(event.part)):
        by += (b.shift_sd(move) * samples.noise[:, 9 + 3 * i : 12 + 3 * i]) @ mount.T
    if event.part.startswith("mirror-"):
        k = 8 + int(event.part[-1])
        works = _drawn(screws.base_chances(sign[:, 9:]), screws.BASES, k)
        sign = sign.copy()
        sign[:, k] = np.where(sign[:, k] == screws.UNKNOWN, works, sign[:, k])
        by[sign[:, k] == screws.DEAD] = 0.0
    return replace(samples, x=samples.x + by, sign=sign)


def _turned(profile: Profile, mixture: b.Mixture, samples: Samples, event: Turn) -> Samples:
    contact = profile.contact_index(event.mount, event.screw)
    k, signs, x = 3 * (event.mount - 1) + contact, samples.sign.copy(), samples.x.copy()
    if (signs[:, k] == screws.UNKNOWN).any():
        chance = screws.chances(
            profile, event.mount, signs[:, 3 * (event.mount - 1) : 3 * event.mount], contact
        )
        signs[:, k] = np.where(signs[:, k] == screws.UNKNOWN, _drawn(chance, screws.CODES, k), signs[:, k])
    turned, variance = mixture.takes_hold(k, event.turns)
    own, cross = screws.tilts(profile, event.mount, contact, signs[:, k])
    response = x[:, m.response_at(event.mount, contact)]
    moves = (1 + response[:, :1]) * own + response[:, 1:] * cross
    done = _travel(profile, event.mount, contact) * (turned + np.sqrt(variance) * samples.noise[:, k])
    locked = samples.noise[:, 13 + 2 * event.mount : 15 + 2 * event.mount] * b.LOCK_SD[samples.errs][:, None]
    at = m.contact_at(event.mount)
    x[:, at] += done[:, None] * moves + locked @ contact_points(profile, event.mount).T
    return replace(samples, x=x, sign=signs)


def _drawn(chance: Array, codes: Array, k: int) -> Array:
    """(M,) codes drawn with probabilities chance (M, codes): stratified, and always the same draw."""
    below = _dice(len(chance), k)[:, None] >= np.cumsum(chance, axis=1)
    return np.asarray(codes[np.minimum(below.sum(1), len(codes) - 1)])


@lru_cache(maxsize=64)
def _dice(count: int, k: int) -> Array:
    """(count,) evenly spread numbers 0–1 in a fixed random order."""
    return (np.random.default_rng(11 + k).permutation(count) + 0.5) / count

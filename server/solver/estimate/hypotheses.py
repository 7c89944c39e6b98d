"""What is known of a machine as hypotheses side by side, and what is known before the first pulse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.events import NoMark
from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]

FAULTS = ("none", "gantry-racking", "rail-bow", "rail-bow", "loose-mount", "loose-mount", "loose-mount")
LOOSE = FAULTS.index("loose-mount")  # of mirror 1; those of mirrors 2 and 3 follow
# Which rail is bowed. One that may bow both makes what is seen, a bow of one, too improbable.
BOWS = {2: slice(0, 2), 3: slice(2, 4)}  # fault: Y rail, X rail within the bows of the state vector
# The fault that each is looked for as: a person looks along both rails.
SEEN_AS = np.array([min(BOWS) if fault in BOWS else fault for fault in range(len(FAULTS))])
CAUSES = ("gantry-racking", "rail-bow", "loose-mount")
# Prior odds and sizes: our own guesses of what workshops see (common practice, no source).
FAULT_PRIOR = np.array([0.94, 0.02, 0.01, 0.01, 0.007, 0.007, 0.006])
FAR = 0.03  # of the tube and of each mirror: it stands far off
TUBE_SD, FAR_TUBE_SD = 4.0, 15.0  # of each tube mount, mm
TILT_SD = 8e-3  # of each mirror and axis, rad
FAR_TILT_SD = (50e-3, 50e-3, 25e-3)  # of a mirror far off; mirror 3 loses the nozzle's hole long before
PISTON_SD = 0.3  # of each mirror along its normal, mm
SHIFT_SD = (1.5, 1.5, 0.3)  # of each mount and axis, mm; mirror 3 and the lens sit in one head
RACK_SD = (0.1, 4.0)  # of a sound gantry, of one that racks: swing of the far mark, front to back, mm
BOW_SD = (0.03, 1.5)  # of a straight rail, of a bowed one: its middle off the line, mm
LOOSE_MM = (2.5, 2.5, 0.9)  # swing of the far mark behind a loose mirror 1, 2, 3 from pulse to pulse
GAIN_SD, CROSS_SD = 0.1, 0.1  # lever arms off by at most 15 %: sd 8.7 %, and a little to spare
HAND_RELATIVE, HAND_TURNS = 0.08, 1 / 64 / np.sqrt(3)  # 1/64 turn at most: sd of limits, JCGM 100:2008, 4.3.7
PLAY_TURNS, PLAY_SD = 0.8 / 32, 0.25 / 32
SHIFT_RELATIVE, SHIFT_HAND = 0.08, 0.15
MODEL_SD = 0.02  # what the model leaves out, mm
# Of a mount's screws: all work the other way than its profile says, one does, anything else. Our own guesses
# of how measuring goes wrong (common practice, no source).
ALL_BACKWARDS, ONE_BACKWARDS, ODD = 0.125, 0.125, 0.005
OUTLIER, CARD_AREA, MISREAD_BLANK = 0.003, 1600.0, 0.003
CARD_HALF = 20.0
REPAIR_TILT_SD, REPAIR_SHIFT_SD = 0.3e-3, 0.2  # what a repair elsewhere does to the mirrors
VOID = 0.1  # a repair that changed everything
FORGOTTEN = 0.05  # odds of a belief without the blanks against the one that they have bent
WRONG_SCREW, UPSET = 0.01, 1e-3  # a turn was another one; something was knocked and all before is void
CLOSE = 0.1  # hypotheses whose contact points differ by less, mm, share their derivatives
KEEP, LEAST, LEAST_OF_FAULT = 56, 1e-6, 1e-12
DOUBT = 0.2  # share of the weight that would rather not believe a mark, beyond which turns are doubted too


@dataclass(frozen=True)
class Note:
    """What a hypothesis supposes to have gone wrong. kind: 'screw' (another screw than asked for), 'way',
    'none', 'backwards' (a turn), 'upset' (everything), 'reading' (a mark)."""

    kind: str
    mount: int = 0
    screw: str = ""
    asked: str = ""


@dataclass(frozen=True)
class Bank:
    """Hypotheses side by side; H of them."""

    log_weight: Array  # (H,)
    mean: Array  # (H, SIZE)
    cov: Array  # (H, SIZE, SIZE)
    fault: Array  # (H,) index into FAULTS
    sign: Array  # (H, 9) +1 as the profile says, −1 backwards, 0 not known yet
    notes: tuple[tuple[Note, ...], ...]  # (H) what the hypothesis supposes to have gone wrong
    last_turn: tuple[float, ...]  # (9) direction in which each screw was turned last
    evidence: float = 0.0  # log of what normalising took away so far: banks of one alignment can be compared
    doubt: float = 0.0  # probability that the newest pulse was bad or misread rather than explained
    # For each repair, the first mirror that it reached: marks on cards behind that one hold no more.
    repairs: tuple[int, ...] = ()
    parts_seen: int = 0  # tube, mirror 1, 2, 3: how many of them a card has shown
    blind: Bank | None = None  # the same without the blanks since the last mark
    blanks: tuple[NoMark, ...] = ()  # those since the last move

    @property
    def weight(self) -> Array:
        """(H,) probabilities."""
        return np.asarray(np.exp(self.log_weight))

    @property
    def fresh_note(self) -> bool:
        """Whether the newest pulse may well be bad or misread, or the machine not as supposed."""
        return self.doubt > DOUBT

    @property
    def best(self) -> int:
        """Index of the most probable hypothesis."""
        return int(np.argmax(self.log_weight))


@lru_cache(maxsize=16)
def prior(profile: Profile) -> Bank:
    """What is known of a machine before its first pulse: each fault."""
    count = len(FAULTS)
    return Bank(
        log_weight=np.log(FAULT_PRIOR),
        mean=np.zeros((count, m.SIZE)),
        cov=np.stack([_prior_cov(profile, fault) for fault in range(count)]),
        fault=np.arange(count),
        sign=np.zeros((count, 9), dtype=np.int8),
        notes=((),) * count,
        last_turn=(0.0,) * 9,
    )


def _prior_cov(profile: Profile, fault: int) -> Array:
    """(SIZE, SIZE) with one of FAULTS, no part far off."""
    variance = np.zeros(m.SIZE)
    variance[m.TUBE] = TUBE_SD**2
    variance[m.SHIFT] = np.repeat(SHIFT_SD, 3) ** 2
    reach_m2 = profile.path.mirror_2_to_3_mm[1] * profile.bed.depth_mm * 1e-6
    variance[m.RACK] = (RACK_SD[FAULTS[fault] == "gantry-racking"] / reach_m2) ** 2
    variance[m.BOW] = BOW_SD[0] ** 2
    if fault in BOWS:
        variance[m.BOW][BOWS[fault]] = BOW_SD[1] ** 2
    variance[m.RESPONSE.start :: 2], variance[m.RESPONSE.start + 1 :: 2] = GAIN_SD**2, CROSS_SD**2
    cov = np.diag(variance)
    for mount in (1, 2, 3):
        at = contact_points(profile, mount)
        cov[m.contact_at(mount), m.contact_at(mount)] = PISTON_SD**2 + TILT_SD**2 * at @ at.T
    return cov


def split_far(profile: Profile, bank: Bank, station: int) -> Bank:
    """Before a card sees a part for the first time, each hypothesis becomes two: the part as usual, or far
    off."""
    for part in range(bank.parts_seen, station + 1):
        extra = np.zeros((m.SIZE, m.SIZE))
        if part == 0:
            extra[m.TUBE, m.TUBE] = (FAR_TUBE_SD**2 - TUBE_SD**2) * np.eye(4)
        else:
            at = contact_points(profile, part)
            extra[m.contact_at(part), m.contact_at(part)] = (
                (FAR_TILT_SD[part - 1] ** 2 - TILT_SD**2) * at @ at.T
            )
        far = replace(bank, log_weight=bank.log_weight + np.log(FAR), cov=bank.cov + extra)
        bank = join(replace(bank, log_weight=bank.log_weight + np.log1p(-FAR)), far)
    return replace(bank, parts_seen=max(bank.parts_seen, station + 1))


def expecting(profile: Profile, bank: Bank, station: int) -> Bank:
    """The bank ready for a card at a station that may see parts for the first time."""
    return prune(split_far(profile, bank, station))


def doubted(profile: Profile, bank: Bank, mount: int) -> Bank:
    """The bank with what is known of a mirror's tilt taken back as far as a part that stands far off."""
    at = contact_points(profile, mount)
    cov = bank.cov.copy()
    cov[:, m.contact_at(mount), m.contact_at(mount)] += FAR_TILT_SD[mount - 1] ** 2 * at @ at.T
    return replace(bank, cov=cov)


def turned(bank: Bank, k: int, turns: float) -> Bank:
    """The bank with only the direction of a screw's last turn noted."""
    way = float(np.sign(turns))
    return replace(bank, last_turn=tuple(way if i == k else last for i, last in enumerate(bank.last_turn)))


def loose_shares(bank: Bank) -> Array:
    """(3,) probability that the mount of mirror 1, 2, 3 is loose."""
    return np.array([bank.weight[bank.fault == LOOSE + i].sum() for i in range(3)])


def loose_sd(profile: Profile, mount: int) -> float:
    """Tilt (rad) of a loose mirror from pulse to pulse: what moves the mark at the far end of its leg enough
    to be called a fault."""
    path = profile.path
    leg = (path.mirror_1_to_2_mm[1], path.mirror_2_to_3_mm[1], path.lens_focal_mm)[mount - 1]
    return LOOSE_MM[mount - 1] / (2 * leg)


def take(bank: Bank, index: Array, log_weight: Array) -> Bank:
    """Some of the hypotheses (possibly several times), with new weights."""
    return replace(
        bank,
        log_weight=log_weight,
        mean=bank.mean[index],
        cov=bank.cov[index],
        fault=bank.fault[index],
        sign=bank.sign[index],
        notes=tuple(bank.notes[i] for i in index),
    )


def join(one: Bank, other: Bank) -> Bank:
    """Two banks of one alignment as one."""
    return replace(
        one,
        log_weight=np.concatenate([one.log_weight, other.log_weight]),
        mean=np.concatenate([one.mean, other.mean]),
        cov=np.concatenate([one.cov, other.cov]),
        fault=np.concatenate([one.fault, other.fault]),
        sign=np.concatenate([one.sign, other.sign]),
        notes=one.notes + other.notes,
    )


def prune(bank: Bank) -> Bank:
    """Weights that add up to one, the improbable dropped."""
    order, log_weight, total = probable(bank.log_weight, bank.fault)
    return replace(take(bank, order, log_weight), evidence=bank.evidence + total)


def probable(log_weight: Array, fault: Array) -> tuple[Array, Array, float]:
    """Which hypotheses are kept, the most probable first; their log weights, which add up to one; log of what
    all
    added up to."""
    total = float(np.logaddexp.reduce(log_weight))
    log_weight = log_weight - total
    order = np.argsort(-log_weight, kind="stable")
    first_of_fault = np.unique(fault[order], return_index=True)[1]
    keep = (np.arange(len(order)) < KEEP) & (log_weight[order] > np.log(LEAST))
    keep[first_of_fault] |= log_weight[order[first_of_fault]] > np.log(LEAST_OF_FAULT)
    order = order[keep]
    return order, log_weight[order] - np.logaddexp.reduce(log_weight[order]), total


def shifted(bank: Bank, log_factor: float) -> Bank:
    """The bank with all its weights changed by a factor."""
    return replace(bank, log_weight=bank.log_weight + log_factor)


def backwards(tried: Array) -> Array:
    """(...) probability that one more screw of a mount works backwards; tried : (..., 3) how its screws do,
    +1 or −1, 0 where not known yet."""
    ahead, back = (tried > 0).sum(-1), (tried < 0).sum(-1)
    wrong = ALL_BACKWARDS * (ahead == 0) + ONE_BACKWARDS / 3 * (back == 0) + ODD
    other_is_the_one = ONE_BACKWARDS / 3 * np.where(back == 0, 2 - ahead, back == 1)
    right = (1 - ALL_BACKWARDS - ONE_BACKWARDS) * (back == 0) + np.maximum(other_is_the_one, 0.0) + ODD
    return np.asarray(wrong / (wrong + right))


def shift_sd(move: Array) -> Array:
    """(3,) how far a hand errs in each axis of a mount that is asked to move by ``move``, mm."""
    return np.asarray(SHIFT_RELATIVE * np.abs(move) + SHIFT_HAND * (move != 0))


def hand(turns: float, last: float) -> tuple[float, float]:
    """Mean and variance of the turn that takes hold when ``turns`` are asked for.

    ``last`` is the direction of the turn before (0: unknown): on reversal the play is lost first.
    """
    way = np.sign(turns)
    reverses = 0.5 if last == 0 else float(way != np.sign(last))
    lost = min(reverses * PLAY_TURNS, abs(turns))
    spread = reverses * PLAY_SD**2 + (0.25 * PLAY_TURNS**2 if last == 0 else 0.0)
    return turns - way * lost, (HAND_RELATIVE * turns) ** 2 + HAND_TURNS**2 + spread

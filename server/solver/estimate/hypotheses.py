"""The mixture of hypotheses about a machine, its prior, and which hypotheses are kept.

How screws may work is in ``screws``; what each hypothesis is, in ``Mixture``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import erf, exp, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate import screws
from server.solver.events import NoMark
from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]

FAULTS = ("none", "gantry-racking", "rail-bow", "rail-bow", "loose-mount", "loose-mount", "loose-mount")
LOOSE = FAULTS.index("loose-mount")  # of mirror 1; those of mirrors 2 and 3 follow
# Which rail is bowed. A fault that bows both would make what is really seen, a bow of one, too improbable.
BOWS = {2: slice(0, 2), 3: slice(2, 4)}  # fault: Y rail, X rail within the bows of the state vector
# The fault that each is looked for as: a person looks along both rails.
SEEN_AS = np.array([min(BOWS) if fault in BOWS else fault for fault in range(len(FAULTS))])
CAUSES = ("gantry-racking", "rail-bow", "loose-mount")
# Prior odds and sizes: our own guesses of what workshops see (common practice, no source).
FAULT_PRIOR = np.array([0.94, 0.02, 0.01, 0.01, 0.007, 0.007, 0.006])
FAR = 0.03  # probability that the tube, or a mirror, stands far off
TUBE_SD, FAR_TUBE_SD = 4.0, 15.0  # of each tube mount, mm
TILT_SD = 8e-3  # of each mirror and axis, rad
FAR_TILT_SD = (50e-3, 50e-3, 25e-3)  # of a mirror far off; mirror 3 loses the nozzle's hole long before
PISTON_SD = 0.3  # of each mirror along its normal, mm
SHIFT_SD = (1.5, 1.5, 0.3)  # of each mount and axis, mm; mirror 3 and the lens sit in one head
RACK_SD = (0.1, 4.0)  # of a sound gantry, of one that racks: swing of the far mark, front to back, mm
BOW_SD = (0.03, 1.5)  # of a straight rail, of a bowed one: its middle off the line, mm
LOOSE_MM = (2.5, 2.5, 0.9)  # swing of the far mark behind a loose mirror 1, 2, 3 from pulse to pulse
# Of the lens off the head's axis, per axis, mm; more where it comes out, for there a mark can tell (common
# practice, no source).
LENS_SD = (0.2, 0.6)
GAIN_SD, CROSS_SD = 0.1, 0.1  # lever arms off by at most 15 %: sd 8.7 %, and a little to spare
HAND_RELATIVE, HAND_TURNS = 0.08, 1 / 64 / np.sqrt(3)  # 1/64 turn at most: sd of limits, JCGM 100:2008, 4.3.7
PLAY_TURNS, PLAY_SD = 0.8 / 32, 0.25 / 32
SHIFT_RELATIVE, SHIFT_HAND = 0.08, 0.15
MODEL_SD = 0.02  # what the model leaves out, mm
CARD_AREA = 1600.0  # mm²: a misread mark may lie anywhere on the card
ASTRAY_MM = 1.0  # sd of a mark made in another mode of the tube, or read beside itself, per axis
CARD_HALF = 20.0
REPAIR_TILT_SD, REPAIR_SHIFT_SD = 0.3e-3, 0.2  # what a repair elsewhere does to the mirrors
VOID = 0.1  # probability that a repair changed everything
FORGOTTEN = 0.05  # odds of the mixture without the blanks against the one that they have distorted
UPSET = 3e-4  # probability that something was changed, so that all earlier marks are void
KNOCK = 3e-4  # probability that everything moved a little: a knock, or a week in between
KNOCK_TILT_SD, KNOCK_SHIFT_SD = 1e-3, 0.5  # what a knock does to a mirror (rad), to an end of the tube (mm)
CLOSE = 0.1  # mm: hypotheses whose contact points differ by less share their derivatives
KEEP, LEAST, LEAST_OF_FAULT = 240, 1e-6, 1e-12
LEAST_OF_NOISE = 1e-5
KEEP_APART, APART = 30, 1e-3  # of the noise with all errors at once, however improbable beside the others
KNOCKED = 24  # so many of the most probable hypotheses are also supposed to have been knocked
UNLIKE = 5.0  # a knock is supposed if a mark is so many times as probably misread or astray as most
DOUBT = 0.2  # a mark is made again if hypotheses that take it for misread have more of the weight


@dataclass(frozen=True)
class Noise:
    """A kind of noise: how much marks and hands err beyond what they claim, one sd per axis each.

    hang_mm : of how a card hangs at a mirror, and at the nozzle or below it; roll : of its roll (rad).
    pulse_mm : of a mark on its tape; jitter : of the beam's direction from pulse to pulse (rad).
    lock : of a mirror's tilt when its screw is locked after a turn (rad).
    astray : share of marks that lie in another place altogether.
    slips : probability of each kind of slip: a bad pulse, a misread mark, a turn of another screw, the other
        way or not made, a part moved another way or not at all.

    Sizes and odds are our own guesses of what workshops see (common practice, no source).
    """

    name: str
    odds: float
    hang_mm: tuple[float, float]
    pulse_mm: float = 0.0
    jitter: float = 0.02e-3
    lock: float = 0.0
    astray: float = 0.01
    roll: float = 0.02
    slips: float = 0.003


NOISES = (
    Noise("as claimed", 0.69, hang_mm=(0.06, 0.06), jitter=0.01e-3, roll=0.003),
    Noise("slips", 0.03, hang_mm=(0.06, 0.06), jitter=0.01e-3, roll=0.003, slips=0.03),
    Noise("small", 0.06, hang_mm=(0.3, 0.3), pulse_mm=0.1, jitter=0.05e-3, lock=0.1e-3),
    Noise("hangings", 0.05, hang_mm=(0.8, 0.8), pulse_mm=0.03),
    Noise("hangings at mirrors", 0.03, hang_mm=(1.15, 0.1), pulse_mm=0.03),
    Noise("tape", 0.05, hang_mm=(0.2, 0.2), pulse_mm=0.3),
    Noise("jitter", 0.05, hang_mm=(0.2, 0.2), pulse_mm=0.03, jitter=0.18e-3),
    Noise("locknuts", 0.04, hang_mm=(0.2, 0.2), pulse_mm=0.03, lock=0.5e-3),
    Noise("modes", 0.02, hang_mm=(0.2, 0.2), pulse_mm=0.03, astray=0.2),
    Noise(
        "all of it",
        0.05,
        hang_mm=(0.6, 0.6),
        pulse_mm=0.18,
        jitter=0.07e-3,
        lock=0.2e-3,
        astray=0.03,
        slips=0.03,
    ),
)
HANG_VAR, ROLL_VAR = np.square([n.hang_mm for n in NOISES]), np.square([n.roll for n in NOISES])
HOLDERS = (0, 0, 0, 1, 1, 1)  # by a station's index: which of the two values of hang_mm its cards have
# Weight of the prior size of a kind of noise, as a number of coordinates seen: of hung cards, and of marks.
HANG_COUNT, PULSE_COUNT = 4.0, 8.0
PULSE_VAR = np.array([n.pulse_mm**2 for n in NOISES])
JITTER_SD = np.array([n.jitter for n in NOISES])
LOCK_SD = np.array([n.lock for n in NOISES])
ASTRAY = np.array([n.astray for n in NOISES])
SLIPS = np.array([n.slips for n in NOISES])
ALIKE = (0, len(NOISES) - 1)  # the noises that faults are combined with; those between would add nothing


@dataclass(frozen=True)
class Note:
    """What a hypothesis supposes to have gone wrong. kind: 'screw' (another screw than asked for), 'way',
    'none', 'moved' (a part, another way than asked), 'left' (a part, not moved), 'upset' (everything),
    'reading' (a mark). asked: the screw or part."""

    kind: str
    mount: int = 0
    screw: str = ""
    asked: str = ""


@dataclass(frozen=True)
class Mixture:
    """Hypotheses side by side; H of them."""

    log_weight: Array  # (H,)
    mean: Array  # (H, SIZE)
    cov: Array  # (H, SIZE, SIZE)
    fault: Array  # (H,) index into FAULTS
    noise: Array  # (H,) index into NOISES
    # (H, 2, 2) for each of the two holders the number of coordinates of hung cards seen, and the sum of their
    # squares, mm²: the variance is their ratio
    hang: Array
    # (H, 2) the number of coordinates of marks seen, and the sum of their squared scatter, in units of the
    # variance of the kind of noise: as hang
    pulse: Array
    sign: Array  # (H, 12) how each screw, then each mirror's base works: one of screws.CODES, or 0
    notes: tuple[tuple[Note, ...], ...]  # (H) what the hypothesis supposes to have gone wrong
    onward: tuple[float, ...] = (0.0,) * 9  # turns of each screw since it last changed its way
    net_turns: tuple[float, ...] = (0.0,) * 9  # how far each screw has been turned in all
    # Log of the factors that normalising took out so far, so that mixtures of one alignment can be compared.
    evidence: float = 0.0
    doubt: float = 0.0  # probability that the newest pulse was bad or misread rather than explained
    unlike: float = 0.0  # how much more probably than other marks the newest is misread or astray: a ratio
    # For each repair, the first mirror that it reached: marks on cards behind that one hold no more.
    repairs: tuple[int, ...] = ()
    parts_seen: int = 0  # tube, mirror 1, 2, 3: how many of them a card has shown
    blind: Mixture | None = None  # the same without the blanks since the last mark
    blanks: tuple[NoMark, ...] = ()  # those since the last move
    hung: tuple[str, int | None] | None = None  # station and number of the card that hangs

    @property
    def weight(self) -> Array:
        """(H,) probabilities."""
        return np.asarray(np.exp(self.log_weight))

    def hang_var(self, station: int) -> Array:
        """(H,) variance of how cards hang at a station, mm² per axis, as each hypothesis has learnt it."""
        counted, squares = self.hang[:, HOLDERS[station]].T
        return np.asarray(np.maximum(squares / counted, MODEL_SD**2))

    @property
    def pulse_scale(self) -> Array:
        """(H,) the factor learnt on the variance of marks from pulse to pulse of the kind of noise."""
        return np.asarray(self.pulse[:, 1] / self.pulse[:, 0])

    @property
    def fresh_note(self) -> bool:
        """Whether the newest pulse may well be bad or misread, or no hypothesis true."""
        return self.doubt > DOUBT

    def takes_hold(self, k: int, turns: float) -> tuple[float, float]:
        """Mean and variance of the turn of a screw that takes hold when ``turns`` are asked for."""
        return hand(turns, self.onward[k], reversed_before=self.onward[k] != self.net_turns[k])

    @cached_property
    def best(self) -> int:
        """Index of the most probable hypothesis in which exactly those screws and bases are dead that are
        probably dead over all hypotheses; of the most probable one if there is none such.

        Otherwise a screw that is dead in one of many hypotheses would never be tried again.
        """
        dead = self.sign == screws.DEAD
        alike = (dead == (self.weight @ dead > 0.5)).all(1)
        return int(np.argmax(np.where(alike | ~alike.any(), self.log_weight, -np.inf)))


@lru_cache(maxsize=16)
def prior(profile: Profile) -> Mixture:
    """What is known of a machine before its first pulse: each noise without a fault, each fault."""
    pairs = [(0, i) for i in range(len(NOISES))] + [(f, i) for f in range(1, len(FAULTS)) for i in ALIKE]
    fault, noise = np.array(pairs).T
    odds = np.array([n.odds for n in NOISES])
    share = np.where(fault == 0, odds[noise] / odds.sum(), odds[noise] / odds[list(ALIKE)].sum())
    return Mixture(
        log_weight=np.log(FAULT_PRIOR[fault] * share),
        mean=np.zeros((len(fault), m.SIZE)),
        cov=np.stack([_prior_cov(profile, *pair) for pair in pairs]),
        fault=fault,
        noise=noise,
        hang=HANG_COUNT * np.stack([np.ones((len(noise), 2)), HANG_VAR[noise]], axis=2),
        pulse=np.full((len(noise), 2), PULSE_COUNT),
        sign=np.zeros((len(fault), 12), dtype=np.int8),
        notes=((),) * len(fault),
    )


def _prior_cov(profile: Profile, fault: int, noise: int) -> Array:
    """(SIZE, SIZE) with one of FAULTS and of NOISES, no part far off."""
    variance = np.zeros(m.SIZE)
    variance[m.TUBE] = TUBE_SD**2
    variance[m.SHIFT] = np.repeat(SHIFT_SD, 3) ** 2
    reach_m2 = profile.path.mirror_2_to_3_mm[1] * profile.bed.depth_mm * 1e-6
    variance[m.RACK] = (RACK_SD[FAULTS[fault] == "gantry-racking"] / reach_m2) ** 2
    variance[m.BOW] = BOW_SD[0] ** 2
    if fault in BOWS:
        variance[m.BOW][BOWS[fault]] = BOW_SD[1] ** 2
    variance[m.LENS_OFF] = LENS_SD[profile.lens.comes_out] ** 2
    variance[m.HANG] = HANG_VAR[noise, 0], HANG_VAR[noise, 0], ROLL_VAR[noise]
    variance[m.RESPONSE] = np.tile([GAIN_SD**2, CROSS_SD**2], 9)
    cov = np.diag(variance)
    for mount in (1, 2, 3):
        at = contact_points(profile, mount)
        cov[m.contact_at(mount), m.contact_at(mount)] = PISTON_SD**2 + TILT_SD**2 * at @ at.T
    return cov


def split_far(profile: Profile, mixture: Mixture, station: int) -> Mixture:
    """The mixture before a card shows a part for the first time: each hypothesis becomes two, with the part
    as usual and with the part far off."""
    for part in range(mixture.parts_seen, station + 1):
        extra = np.zeros((m.SIZE, m.SIZE))
        if part == 0:
            extra[m.TUBE, m.TUBE] = (FAR_TUBE_SD**2 - TUBE_SD**2) * np.eye(4)
        else:
            at = contact_points(profile, part)
            extra[m.contact_at(part), m.contact_at(part)] = (
                (FAR_TILT_SD[part - 1] ** 2 - TILT_SD**2) * at @ at.T
            )
        far = replace(mixture, log_weight=mixture.log_weight + np.log(FAR), cov=mixture.cov + extra)
        mixture = join(replace(mixture, log_weight=mixture.log_weight + np.log1p(-FAR)), far)
    return replace(mixture, parts_seen=max(mixture.parts_seen, station + 1))


def rehung(mixture: Mixture, hung: tuple[str, int | None]) -> Mixture:
    """The mixture once another card hangs: how it hangs is not known yet, and what is known of how the last
    one hung updates the variance of hangings there.

    Of a coordinate whose variance v has shrunk to p, a share 1 − p/v is known. The sum of the squared means
    over the sum of these shares is the variance that makes the marks most probable (MacKay, Neural
    Computation 4, 1992, 415–447).
    """
    if hung == mixture.hung:
        return mixture
    mean, cov, hang = mixture.mean.copy(), mixture.cov.copy(), mixture.hang.copy()
    axes = np.arange(m.HANG.start, m.HANG.start + 2)
    if mixture.hung is not None:
        station = m.station_index(mixture.hung[0])
        known = np.clip(1 - cov[:, axes, axes] / mixture.hang_var(station)[:, None], 0.0, 1.0)
        told = np.stack([known.sum(1), np.square(mean[:, axes]).sum(1)], axis=1)
        hang[:, HOLDERS[station]] += told
    var = replace(mixture, hang=hang).hang_var(m.station_index(hung[0]))
    fresh = np.stack([var, var, ROLL_VAR[mixture.noise]], axis=1)
    forget(mean, cov, m.HANG, fresh[:, :, None] * np.eye(3))
    return replace(mixture, mean=mean, cov=cov, hang=hang, hung=hung)


def forget(mean: Array, cov: Array, part: slice, fresh: Array) -> None:
    """Reset a part of the state in means (H, SIZE) and their covariances, in place: its mean becomes zero,
    its covariance ``fresh`` (…, n, n), and it is correlated with nothing else."""
    mean[:, part], cov[:, part, :], cov[:, :, part] = 0.0, 0.0, 0.0
    cov[:, part, part] = fresh


def expecting(profile: Profile, mixture: Mixture, station: int) -> Mixture:
    """The mixture ready for a card at a station that may see parts for the first time."""
    return prune(split_far(profile, mixture, min(station, 3)))


def doubted(profile: Profile, mixture: Mixture, mount: int) -> Mixture:
    """The mixture with a mirror's tilt made as uncertain as that of a mirror far off."""
    after = replace(mixture, cov=mixture.cov.copy())
    _widen_tilt(profile, after, mount, FAR_TILT_SD[mount - 1])
    return after


def knocked(profile: Profile, mixture: Mixture) -> Mixture:
    """The most probable hypotheses after every mirror was tilted a little and each end of the tube moved."""
    likely = np.argsort(-mixture.log_weight, kind="stable")[:KNOCKED]
    after = take(mixture, likely, mixture.log_weight[likely] + np.log(KNOCK))
    after.cov[:, m.TUBE, m.TUBE] += KNOCK_SHIFT_SD**2 * np.eye(4)
    for mount in (1, 2, 3):
        _widen_tilt(profile, after, mount, KNOCK_TILT_SD)
    return replace(after, notes=tuple((*notes[-3:], Note("upset")) for notes in after.notes))


def _widen_tilt(profile: Profile, mixture: Mixture, mount: int, sd: float) -> None:
    """Make a mirror's tilt less certain, in place: by that many rad (one sd) about either axis."""
    at, where = contact_points(profile, mount), m.contact_at(mount)
    mixture.cov[:, where, where] += sd**2 * at @ at.T


def turned(mixture: Mixture, k: int, turns: float) -> Mixture:
    """The mixture with only the turns of a screw noted."""
    before = mixture.onward[k]
    onward = before + turns if before * turns > 0 else turns
    return replace(
        mixture,
        onward=(*mixture.onward[:k], onward, *mixture.onward[k + 1 :]),
        net_turns=tuple(now + turns * (i == k) for i, now in enumerate(mixture.net_turns)),
    )


def loose_shares(mixture: Mixture) -> Array:
    """(3,) probability that the mount of mirror 1, 2, 3 is loose."""
    return np.array([mixture.weight[mixture.fault == LOOSE + i].sum() for i in range(3)])


def loose_sd(profile: Profile, mount: int) -> float:
    """Standard deviation (rad) of a loose mirror's tilt from pulse to pulse: it moves the mark at the far end
    of the mirror's leg by LOOSE_MM."""
    path = profile.path
    leg = (path.mirror_1_to_2_mm[1], path.mirror_2_to_3_mm[1], path.lens_focal_mm)[mount - 1]
    return LOOSE_MM[mount - 1] / (2 * leg)


_EACH = ("mean", "cov", "fault", "noise", "hang", "pulse", "sign")  # fields with a row for each hypothesis


def take(mixture: Mixture, index: Array, log_weight: Array) -> Mixture:
    """Some of the hypotheses (possibly several times), with new weights."""
    parts: dict[str, Any] = {name: getattr(mixture, name)[index] for name in _EACH}
    return replace(mixture, log_weight=log_weight, notes=tuple(mixture.notes[i] for i in index), **parts)


def join(one: Mixture, other: Mixture) -> Mixture:
    """One mixture of the hypotheses of two mixtures of the same alignment."""
    names = ("log_weight", *_EACH)
    parts: dict[str, Any] = {
        name: np.concatenate([getattr(one, name), getattr(other, name)]) for name in names
    }
    return replace(one, notes=one.notes + other.notes, **parts)


def prune(mixture: Mixture) -> Mixture:
    """The mixture without improbable hypotheses, its weights normalised."""
    order, log_weight, total = probable(mixture.log_weight, mixture.fault, mixture.noise, mixture.sign)
    return replace(take(mixture, order, log_weight), evidence=mixture.evidence + total)


def probable(log_weight: Array, fault: Array, noise: Array, sign: Array) -> tuple[Array, Array, float]:
    """Indices of the hypotheses that are kept, the most probable first; their log weights, normalised; and
    the log of the sum of all weights before.

    The most probable ones are kept. So is, for each fault and each noise, the most probable one of all and of
    those in which the screws work as in the best, so that no fault vanishes because it was paired with a
    wrong sign. So are some with all errors at once: a slip or two explain a few steps more easily than
    scatter does, but not many steps, and by then no other explanation would be left.
    """
    total = float(np.logaddexp.reduce(log_weight))
    log_weight = log_weight - total
    order = np.argsort(-log_weight, kind="stable")
    likely = log_weight[order]
    keep = (np.arange(len(order)) < KEEP) & (likely > np.log(LEAST))
    alike = np.flatnonzero((sign[order] == sign[order[0]]).all(1))
    for kinds, least in ((fault, LEAST_OF_FAULT), (noise, LEAST_OF_NOISE)):
        for some in (np.arange(len(order)), alike):
            first = some[np.unique(kinds[order[some]], return_index=True)[1]]
            keep[first] |= likely[first] > np.log(least)
    apart = np.flatnonzero(noise[order] == ALIKE[-1])[:KEEP_APART]
    keep[apart] |= likely[apart] > likely[apart[:1]] + np.log(APART)
    order = order[keep]
    return order, log_weight[order] - np.logaddexp.reduce(log_weight[order]), total


def shifted(mixture: Mixture, log_factor: float) -> Mixture:
    """The mixture with all its weights changed by a factor."""
    return replace(mixture, log_weight=mixture.log_weight + log_factor)


def shift_sd(move: Array) -> Array:
    """(3,) standard deviation of the hand's error along each axis when a mount moves by ``move``, mm."""
    return np.asarray(SHIFT_RELATIVE * np.abs(move) + SHIFT_HAND * (move != 0))


def hand(turns: float, onward: float, *, reversed_before: bool = False) -> tuple[float, float]:
    """Mean and variance of the turn that takes hold when ``turns`` are asked for.

    onward : the turns one way since the screw last changed its way, or since it was found. What is left of
    its play is lost first: after a change of way all of it, and more than one small turn may be needed to
    take it up. A screw that has never changed its way stood, as it was found, at either end of its play.
    """
    goes_on = onward * turns > 0
    before = abs(onward) if goes_on else 0.0
    share = 0.5 if not reversed_before and (goes_on or onward == 0) else 1.0
    taken_up = _hand_variance(before) if before else 0.0
    lost, squared = _clipped(PLAY_TURNS - before, sqrt(PLAY_SD**2 + taken_up), abs(turns))
    variance = _hand_variance(turns) + share * squared - (share * lost) ** 2
    return turns - np.sign(turns) * share * lost, variance


def _hand_variance(turns: float) -> float:
    return float((HAND_RELATIVE * turns) ** 2 + HAND_TURNS**2)


def _clipped(mean: float, sd: float, most: float) -> tuple[float, float]:
    """Mean and mean square of a normally distributed number that is cut off at 0 and at ``most``."""
    over, over_most = _beyond(mean, sd), _beyond(mean - most, sd)
    return over[0] - over_most[0], over[1] - over_most[1] - 2 * most * over_most[0]


def _beyond(mean: float, sd: float) -> tuple[float, float]:
    """Mean and mean square of the part above 0 of a normally distributed number, 0 where it is below."""
    above = 0.5 * (1 + erf(mean / (sd * sqrt(2))))
    density = sd * exp(-0.5 * (mean / sd) ** 2) / sqrt(2 * pi)
    return mean * above + density, (mean**2 + sd**2) * above + mean * density

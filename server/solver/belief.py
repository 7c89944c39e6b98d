"""What is known of a machine: a bank of Gaussian hypotheses that every event updates.

Each hypothesis is an extended Kalman filter over the state vector of ``model`` (Särkkä, Bayesian Filtering and
Smoothing, 2013, ch. 5): marks are measurements, turns and shifts are motions with a hand's error. The hypotheses
differ in what is not a number: which screws work backwards, which fault the machine has, which reading was wrong,
on which side of the card a beam passed that left no mark. Their weights are their posterior probabilities
(a Gaussian sum filter, Alspach & Sorenson 1972).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_ndtr

from . import model as m
from .events import Alignment, Event, Inspected, MarkSeen, NoMark, Shift, Turn
from .profile import STATIONS, Profile

Array = NDArray[Any]

FAULTS = ("none", "gantry-racking", "rail-bow", "loose-mount", "loose-mount", "loose-mount")
CAUSES = ("gantry-racking", "rail-bow", "loose-mount")
# Prior odds and sizes: our own guesses of what workshops see (common practice, no source).
FAULT_PRIOR = np.array([0.94, 0.02, 0.02, 0.007, 0.007, 0.006])
FAR = 0.03  # of the tube and of each mirror: it stands far off
TUBE_SD, FAR_TUBE_SD = 4.0, 15.0  # of each tube mount, mm
TILT_SD = 8e-3  # of each mirror and axis, rad
FAR_TILT_SD = (50e-3, 50e-3, 25e-3)  # of a mirror far off; mirror 3 loses the nozzle's hole long before
PISTON_SD = 0.3  # of each mirror along its normal, mm
SHIFT_SD = (1.5, 1.5, 0.3)  # of each mount and axis, mm; mirror 3 and the lens sit in one head
RACK_SD = {"none": 0.1, "gantry-racking": 4.0}  # swing of the far mark between front and back, mm
BOW_SD = {"none": 0.03, "rail-bow": 1.5}
LOOSE_SD = (1.2e-3, 1.2e-3, 5e-3)  # tilt of a loose mirror 1, 2, 3 from pulse to pulse, rad
GAIN_SD, CROSS_SD = 0.16, 0.16  # lever arms off by 15 %
HAND_RELATIVE, HAND_TURNS = 0.08, 1 / 64
PLAY_TURNS, PLAY_SD = 0.8 / 32, 0.25 / 32
SHIFT_RELATIVE, SHIFT_HAND = 0.08, 0.15
MODEL_SD = 0.02  # what the model leaves out, mm
BACKWARDS, BACKWARDS_ALONE = (
    0.2,
    0.03,
)  # a whole mount's clockwise is wrong; one screw differs from its mount's
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
class Bank:
    """Hypotheses side by side; H of them."""

    log_weight: Array  # (H,)
    mean: Array  # (H, SIZE)
    cov: Array  # (H, SIZE, SIZE)
    fault: Array  # (H,) index into FAULTS
    sign: Array  # (H, 9) +1 as the profile says, −1 backwards, 0 not known yet
    notes: tuple[tuple[str, ...], ...]  # (H) what the hypothesis supposes to have gone wrong
    last_turn: tuple[float, ...]  # (9) direction in which each screw was turned last
    evidence: float = 0.0  # log of what normalising took away so far: banks of one alignment can be compared
    doubt: float = 0.0  # probability that the newest mark was misread rather than explained
    parts_seen: int = 0  # tube, mirror 1, 2, 3: how many of them a card has shown
    blind: Bank | None = None  # the same without the blanks since the last mark
    blanks: tuple[NoMark, ...] = ()  # those since the last move

    @property
    def weight(self) -> Array:
        """(H,) probabilities."""
        return np.asarray(np.exp(self.log_weight))

    @property
    def fresh_note(self) -> bool:
        """Whether the newest mark made the best hypothesis suppose a mistake."""
        return self.doubt > DOUBT

    @property
    def best(self) -> int:
        """Index of the most probable hypothesis."""
        return int(np.argmax(self.log_weight))


def believe(alignment: Alignment) -> Bank:
    """The bank after all events: the same for the same alignment, whatever was asked before."""
    return _after(alignment.machine, alignment.events)[-1]


_KNOWN: dict[tuple[Profile, tuple[Event, ...]], tuple[Bank, ...]] = {}
_TAIL = 8  # banks kept, so that a surprise can be traced back to the turns before it


def _after(profile: Profile, events: tuple[Event, ...]) -> tuple[Bank, ...]:
    """The last banks up to all events; a memory of the newest alignments spares most of the work."""
    for back in range(min(4, len(events)) + 1):
        start = len(events) - back
        known = _KNOWN.get((profile, events[:start]))
        if known is not None:
            break
    else:
        start, known = 0, (prior(profile),)
    for i in range(start, len(events)):
        known = (*known[1 - _TAIL :], _step(profile, events[: i + 1], known))
    if len(_KNOWN) >= 32:
        _KNOWN.pop(next(iter(_KNOWN)), None)
    _KNOWN[(profile, events)] = known
    return known


def _step(profile: Profile, events: tuple[Event, ...], known: tuple[Bank, ...]) -> Bank:
    bank = _advance(profile, known[-1], events[-1])
    if isinstance(events[-1], MarkSeen) and bank.doubt > DOUBT:
        return _rethink(profile, events, known, bank)
    return bank


def _advance(profile: Profile, bank: Bank, event: Event) -> Bank:
    if isinstance(event, MarkSeen | NoMark):
        bank = _split_far(profile, bank, STATIONS.index(event.station))
        if bank.blind is not None:
            bank = replace(bank, blind=_split_far(profile, bank.blind, STATIONS.index(event.station)))
    blind = bank.blind
    match event:
        case MarkSeen():
            return _mark_after_blanks(profile, bank, event)
        case NoMark():
            before = replace(bank, blind=None, blanks=()) if blind is None else blind
            blanks = (*bank.blanks, event)
            return replace(_no_mark(profile, bank, event), blind=before, blanks=blanks)
        case Turn():
            moved = _turn(profile, bank, event)
        case Shift():
            moved = _shift(bank, event)
        case Inspected():
            return replace(_inspected(profile, bank, event), blind=None, blanks=())
    return moved if blind is None else replace(moved, blind=_advance(profile, blind, event), blanks=())


@lru_cache(maxsize=16)
def prior(profile: Profile) -> Bank:
    """What is known of a machine before its first pulse: each fault."""
    count = len(FAULTS)
    return Bank(
        log_weight=np.log(FAULT_PRIOR),
        mean=np.zeros((count, m.SIZE)),
        cov=np.stack([_prior_cov(profile, fault) for fault in FAULTS]),
        fault=np.arange(count),
        sign=np.zeros((count, 9), dtype=np.int8),
        notes=((),) * count,
        last_turn=(0.0,) * 9,
    )


def _prior_cov(profile: Profile, fault: str) -> Array:
    """(SIZE, SIZE), no part far off."""
    variance = np.zeros(m.SIZE)
    variance[m.TUBE] = TUBE_SD**2
    variance[m.SHIFT] = np.repeat(SHIFT_SD, 3) ** 2
    reach_m2 = profile.path.mirror_2_to_3_mm[1] * profile.bed.depth_mm * 1e-6
    variance[m.RACK] = (RACK_SD.get(fault, RACK_SD["none"]) / reach_m2) ** 2
    variance[m.BOW] = BOW_SD.get(fault, BOW_SD["none"]) ** 2
    variance[m.RESPONSE.start :: 2], variance[m.RESPONSE.start + 1 :: 2] = GAIN_SD**2, CROSS_SD**2
    cov = np.diag(variance)
    for mount in (1, 2, 3):
        at = np.array([c.at_mm for c in profile.mount[mount - 1].contact])
        cov[m.contact_at(mount), m.contact_at(mount)] = PISTON_SD**2 + TILT_SD**2 * at @ at.T
    return cov


def expecting(profile: Profile, bank: Bank, station: int) -> Bank:
    """The bank ready for a card at a station that may see parts for the first time."""
    return _prune(_split_far(profile, bank, station))


def doubted(profile: Profile, bank: Bank, mount: int) -> Bank:
    """The bank with what is known of a mirror's tilt taken back as far as a part that stands far off."""
    at = np.array([c.at_mm for c in profile.mount[mount - 1].contact])
    cov = bank.cov.copy()
    cov[:, m.contact_at(mount), m.contact_at(mount)] += FAR_TILT_SD[mount - 1] ** 2 * at @ at.T
    return replace(bank, cov=cov)


def turned(bank: Bank, k: int, turns: float) -> Bank:
    """The bank with only the direction of a screw's last turn noted."""
    way = float(np.sign(turns))
    return replace(bank, last_turn=tuple(way if i == k else last for i, last in enumerate(bank.last_turn)))


def _split_far(profile: Profile, bank: Bank, station: int) -> Bank:
    """Before a card sees a part for the first time, each hypothesis becomes two: the part as usual, or far off."""
    for part in range(bank.parts_seen, station + 1):
        extra = np.zeros((m.SIZE, m.SIZE))
        if part == 0:
            extra[m.TUBE, m.TUBE] = (FAR_TUBE_SD**2 - TUBE_SD**2) * np.eye(4)
        else:
            at = np.array([c.at_mm for c in profile.mount[part - 1].contact])
            extra[m.contact_at(part), m.contact_at(part)] = (
                (FAR_TILT_SD[part - 1] ** 2 - TILT_SD**2) * at @ at.T
            )
        far = replace(bank, log_weight=bank.log_weight + np.log(FAR), cov=bank.cov + extra)
        bank = _join(replace(bank, log_weight=bank.log_weight + np.log1p(-FAR)), far)
    return replace(bank, parts_seen=max(bank.parts_seen, station + 1))


def _take(bank: Bank, index: Array, log_weight: Array) -> Bank:
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


def _join(one: Bank, other: Bank) -> Bank:
    return replace(
        one,
        log_weight=np.concatenate([one.log_weight, other.log_weight]),
        mean=np.concatenate([one.mean, other.mean]),
        cov=np.concatenate([one.cov, other.cov]),
        fault=np.concatenate([one.fault, other.fault]),
        sign=np.concatenate([one.sign, other.sign]),
        notes=one.notes + other.notes,
    )


def _prune(bank: Bank) -> Bank:
    """Weights that add up to one, the improbable dropped."""
    total = float(np.logaddexp.reduce(bank.log_weight))
    log_weight = bank.log_weight - total
    order = np.argsort(-log_weight, kind="stable")
    first_of_fault = np.unique(bank.fault[order], return_index=True)[1]
    keep = (np.arange(len(order)) < KEEP) & (log_weight[order] > np.log(LEAST))
    keep[first_of_fault] |= log_weight[order[first_of_fault]] > np.log(LEAST_OF_FAULT)
    order = order[keep]
    kept = _take(bank, order, log_weight[order])
    rest = kept.log_weight - np.logaddexp.reduce(kept.log_weight)
    return replace(kept, log_weight=rest, evidence=bank.evidence + total)


# ── turns and shifts ────────────────────────────────────────────────────────────────────────────────────


def hand(turns: float, last: float) -> tuple[float, float]:
    """Mean and variance of the turn that takes hold when ``turns`` are asked for.

    ``last`` is the direction of the turn before (0: unknown): on reversal the play is lost first.
    """
    way = np.sign(turns)
    reverses = 0.5 if last == 0 else float(way != np.sign(last))
    lost = min(reverses * PLAY_TURNS, abs(turns))
    spread = reverses * PLAY_SD**2 + (0.25 * PLAY_TURNS**2 if last == 0 else 0.0)
    return turns - way * lost, (HAND_RELATIVE * turns) ** 2 + HAND_TURNS**2 + spread


def _turn(profile: Profile, bank: Bank, event: Turn) -> Bank:
    contact = profile.contact_index(event.mount, event.screw)
    k = 3 * (event.mount - 1) + contact
    bank = _split_sign(profile, bank, event.mount, k)
    effective, variance = hand(event.turns, bank.last_turn[k])
    screw = profile.mount[event.mount - 1].contact[contact]
    travel = screw.clockwise * float(screw.screw_pitch_mm or 0.0) * bank.sign[:, k]
    own, cross = m.screw_vectors(profile, event.mount, contact)
    at, responds = m.contact_at(event.mount), m.response_at(event.mount, contact)
    response = bank.mean[:, responds]
    moves = (1 + response[:, :1]) * own + response[:, 1:] * cross  # (H, 3) per mm of travel
    mean, cov = bank.mean.copy(), bank.cov.copy()
    mean[:, at] += (travel * effective)[:, None] * moves
    spread = (travel * effective)[:, None, None] * np.column_stack([own, cross])
    cov[:, at, :] += spread @ cov[:, responds, :]
    cov[:, :, at] += cov[:, :, responds] @ spread.transpose(0, 2, 1)
    cov[:, at, at] += (travel**2 * variance)[:, None, None] * moves[:, :, None] * moves[:, None, :]
    return _prune(turned(replace(bank, mean=mean, cov=cov), k, event.turns))


def _split_sign(profile: Profile, bank: Bank, mount: int, k: int) -> Bank:
    """Hypotheses that do not know yet which way the screw works become two."""
    unknown = np.flatnonzero(bank.sign[:, k] == 0)
    if not unknown.size:
        return bank
    others = bank.sign[unknown, 3 * (mount - 1) : 3 * mount].sum(axis=1)
    backwards = np.where(others == 0, BACKWARDS, np.where(others > 0, BACKWARDS_ALONE, 1 - BACKWARDS_ALONE))
    twin = _take(bank, unknown, bank.log_weight[unknown] + np.log(backwards))
    forward = bank.log_weight.copy()
    forward[unknown] += np.log1p(-backwards)
    sign, twin_sign = bank.sign.copy(), twin.sign.copy()
    sign[unknown, k], twin_sign[:, k] = 1, -1
    return _join(replace(bank, log_weight=forward, sign=sign), replace(twin, sign=twin_sign))


def _shift(bank: Bank, event: Shift) -> Bank:
    moved = m.shift_matrix(event.part)
    move = np.array(event.move_mm)
    sd = SHIFT_RELATIVE * np.abs(move) + SHIFT_HAND * (move != 0)
    noise = (moved * sd**2) @ moved.T
    return replace(bank, mean=bank.mean + moved @ move, cov=bank.cov + noise)


# ── marks ───────────────────────────────────────────────────────────────────────────────────────────────


def _mark_after_blanks(profile: Profile, bank: Bank, event: MarkSeen) -> Bank:
    """A blank cuts into a Gaussian and distorts it: the mark that ends the search is taken first where nothing was
    moved in between, and else beside a belief that has forgotten the blanks."""
    blind, blanks = bank.blind, bank.blanks
    if blind is None:
        return _mark(profile, bank, event)
    found = _mark(profile, blind, event)
    if not blanks:
        seen = _mark(profile, replace(bank, blind=None), event)
        return _prune(_join(seen, _shifted(found, found.evidence - seen.evidence + np.log(FORGOTTEN))))
    doubt = found.doubt
    for blank in blanks:
        found = _no_mark(profile, found, blank)
    return replace(found, doubt=doubt)


def _mark(profile: Profile, bank: Bank, event: MarkSeen) -> Bank:
    station, head = STATIONS.index(event.station), np.array(event.head_mm)
    seen, noise = np.array(event.offset_mm), np.diag(np.square(event.sigma_mm) + MODEL_SD**2)
    jacobian = _jacobians(profile, bank, head, station)  # (H, 2, SIZE)
    crossed = bank.cov @ jacobian.transpose(0, 2, 1)  # (H, SIZE, 2)
    inside = jacobian @ crossed + noise + scatter(profile, bank, jacobian)
    gain = crossed @ np.linalg.inv(inside)
    miss = seen - m.rays(profile, bank.mean, head).offset_mm[:, station, :]
    mean = bank.mean + (gain @ miss[:, :, None])[:, :, 0]
    # One Gauss–Newton repeat, because the path bends a large first correction.
    now = m.rays(profile, mean, head).offset_mm[:, station, :]
    left = seen - now - (jacobian @ (bank.mean - mean)[:, :, None])[:, :, 0]
    mean = bank.mean + (gain @ left[:, :, None])[:, :, 0]
    cov = bank.cov - gain @ crossed.transpose(0, 2, 1)
    cov = 0.5 * (cov + cov.transpose(0, 2, 1))
    squared = (miss[:, None, :] @ np.linalg.solve(inside, miss[:, :, None]))[:, 0, 0]
    likely = -0.5 * squared - 0.5 * np.linalg.slogdet(2 * np.pi * inside)[1]
    believed = replace(bank, log_weight=bank.log_weight + likely + np.log1p(-OUTLIER), mean=mean, cov=cov)
    wrong = replace(
        bank,
        log_weight=bank.log_weight + np.log(OUTLIER / CARD_AREA),
        notes=tuple((*n[-3:], "reading") for n in bank.notes),
    )
    log_odds = np.logaddexp.reduce(wrong.log_weight) - np.logaddexp.reduce(believed.log_weight)
    return replace(_prune(_join(believed, wrong)), doubt=float(expit(log_odds)))


def _jacobians(profile: Profile, bank: Bank, head: Array, station: int) -> Array:
    """(H, 2, SIZE): one for all hypotheses where they lie close together, else one for each."""
    best = bank.mean[bank.best]
    if np.abs(bank.mean[:, m.CONTACT] - best[m.CONTACT]).max() > CLOSE:
        return m.mark_jacobian(profile, bank.mean, head, station)
    return np.broadcast_to(m.mark_jacobian(profile, best, head, station), (len(bank.fault), 2, m.SIZE))


def scatter(profile: Profile, bank: Bank, jacobian: Array) -> Array:
    """(H, 2, 2) scatter of the mark by a loose mount, for the hypotheses that suppose one; jacobian (H, 2, SIZE)."""
    extra = np.zeros((len(bank.fault), 2, 2))
    for mount in (1, 2, 3):
        loose = bank.fault == FAULTS.index("loose-mount") + mount - 1
        at = np.array([c.at_mm for c in profile.mount[mount - 1].contact])
        shaken = jacobian[loose][:, :, m.contact_at(mount)] @ at * LOOSE_SD[mount - 1]
        extra[loose] = shaken @ shaken.transpose(0, 2, 1)
    return extra


def _no_mark(profile: Profile, bank: Bank, event: NoMark) -> Bank:
    """The beam passed the card on one of four sides, was stopped by an aperture before, or the pulse was bad."""
    station, head = STATIONS.index(event.station), np.array(event.head_mm)
    limits = [*m.stops(profile, station), (station, CARD_HALF)]
    foretold = m.rays(profile, bank.mean, head)
    blank = replace(bank, log_weight=bank.log_weight + np.log(MISREAD_BLANK))
    for at, limit in limits:
        jacobian = _jacobians(profile, bank, head, at)
        for axis in (0, 1):
            for way in (1.0, -1.0):
                side = _beyond(bank, way * jacobian[:, axis], way * m.spot(foretold, at)[:, axis], limit)
                blank = _join(blank, side)
    return _prune(blank)


def _beyond(bank: Bank, row: Array, value: Array, limit: float) -> Bank:
    """The bank given that ``row·x`` (now ``value``) is beyond ``limit``: moments of a truncated Gaussian."""
    crossed = (bank.cov @ row[:, :, None])[:, :, 0]  # (H, SIZE)
    sigma = np.sqrt((crossed * row).sum(1) + MODEL_SD**2)
    alpha = (limit - value) / sigma
    tail = log_ndtr(-alpha)
    ratio = np.exp(-0.5 * alpha**2 - 0.5 * np.log(2 * np.pi) - tail)
    gain = crossed / sigma[:, None]
    shrink = np.clip(ratio * (ratio - alpha), 0.0, 1.0)
    return replace(
        bank,
        log_weight=bank.log_weight + tail,
        mean=bank.mean + gain * ratio[:, None],
        cov=bank.cov - shrink[:, None, None] * gain[:, :, None] * gain[:, None, :],
    )


# ── second thoughts ─────────────────────────────────────────────────────────────────────────────────────


def _rethink(profile: Profile, events: tuple[Event, ...], known: tuple[Bank, ...], bank: Bank) -> Bank:
    """No hypothesis foretold this mark: was a turn since the last mark another than the one asked for?"""
    for back in range(1, min(len(known), len(events))):
        event = events[-1 - back]
        if isinstance(event, (MarkSeen, Inspected)):
            break
        if isinstance(event, Turn):
            for note, instead in _mistakes(profile, event):
                other = known[-1 - back]
                notes = tuple((*n, note) for n in other.notes)
                other = replace(other, notes=notes, log_weight=other.log_weight + np.log(WRONG_SCREW))
                for later in (*instead, *events[len(events) - back :]):
                    other = _advance(profile, other, later)
                bank = _join(bank, _shifted(other, other.evidence - bank.evidence))
    fresh = _forget_readings(profile, known[-1])
    fresh = replace(
        fresh, log_weight=fresh.log_weight + np.log(UPSET), notes=(("upset",),) * len(fresh.fault)
    )
    fresh = _advance(profile, fresh, events[-1])
    return _prune(_join(bank, _shifted(fresh, fresh.evidence - bank.evidence)))


def _shifted(bank: Bank, log_factor: float) -> Bank:
    return replace(bank, log_weight=bank.log_weight + log_factor)


def _mistakes(profile: Profile, event: Turn) -> list[tuple[str, tuple[Event, ...]]]:
    """What a hand may have done instead: another screw of the mount, the other way, or nothing."""
    contacts = profile.mount[event.mount - 1].contact
    others = [c.name for c in contacts if c.screw_pitch_mm is not None and c.name != event.screw]
    found: list[tuple[str, tuple[Event, ...]]] = [
        (f"screw:{event.mount}:{name}:{event.screw}", (Turn(event.mount, name, event.turns),))
        for name in others
    ]
    found.append((f"way:{event.mount}:{event.screw}", (replace(event, turns=-event.turns),)))
    found.append((f"none:{event.mount}:{event.screw}", ()))
    return found


# ── inspections ─────────────────────────────────────────────────────────────────────────────────────────


def _inspected(profile: Profile, bank: Bank, event: Inspected) -> Bank:
    """Fixed: readings before may no longer hold, what the screws do stays known. Nothing found: less probable."""
    if event.outcome == "fixed":
        forgotten = _forget_readings(profile, bank)
        if event.cause not in CAUSES:
            return forgotten
        kept = _repaired(profile, bank, event.cause)
        forgotten = replace(forgotten, parts_seen=kept.parts_seen, evidence=kept.evidence)
        return _prune(_join(_shifted(kept, np.log1p(-VOID)), _shifted(forgotten, np.log(VOID))))
    guilty = np.array([FAULTS[f] == event.cause for f in bank.fault])
    factor = np.log(0.03) if event.outcome == "nothing-found" else np.log(1e3)
    if not guilty.any():
        return bank
    return _prune(replace(bank, log_weight=bank.log_weight + factor * guilty))


def _repaired(profile: Profile, bank: Bank, cause: str) -> Bank:
    """The bank after a repair: the fault gone as far as the prior says, what was worked on loosened by as much."""
    guilty = [i for i, f in enumerate(bank.fault) if FAULTS[f] == cause] or [bank.best]
    best = max(guilty, key=lambda i: bank.log_weight[i])
    fresh = prior(profile)
    mean, cov = np.repeat(bank.mean[[best]], len(FAULTS), 0), np.repeat(bank.cov[[best]], len(FAULTS), 0)
    carried = slice(m.RACK.start, m.BOW.stop)
    mean[:, carried], cov[:, carried, :], cov[:, :, carried] = 0.0, 0.0, 0.0
    cov[:, carried, carried] = fresh.cov[:, carried, carried]
    for mount in (1, 2, 3):
        loose = (
            FAULTS[bank.fault[best]] == "loose-mount" and bank.fault[best] == FAULTS.index(cause) + mount - 1
        )
        at = np.array([c.at_mm for c in profile.mount[mount - 1].contact])
        tilt = TILT_SD if loose else REPAIR_TILT_SD
        cov[:, m.contact_at(mount), m.contact_at(mount)] += tilt**2 * at @ at.T
    cov[:, m.SHIFT, m.SHIFT] += REPAIR_SHIFT_SD**2 * np.eye(9)
    sign = np.repeat(bank.sign[[best]], len(FAULTS), axis=0)
    return replace(fresh, mean=mean, cov=cov, sign=sign, last_turn=bank.last_turn, parts_seen=bank.parts_seen)


def _forget_readings(profile: Profile, bank: Bank) -> Bank:
    """The prior again, with the responses of the screws as the best hypothesis has them."""
    fresh, best = prior(profile), bank.best
    mean, cov = fresh.mean.copy(), fresh.cov.copy()
    mean[:, m.RESPONSE] = bank.mean[best, m.RESPONSE]
    cov[:, m.RESPONSE, m.RESPONSE] = bank.cov[best, m.RESPONSE, m.RESPONSE]
    sign = np.repeat(bank.sign[best : best + 1], len(fresh.fault), axis=0)
    return replace(fresh, mean=mean, cov=cov, sign=sign, last_turn=bank.last_turn, evidence=bank.evidence)

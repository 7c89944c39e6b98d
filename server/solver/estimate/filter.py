"""What one event does to the hypotheses: marks are measurements, turns and shifts motions with a hand's
error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate import screws
from server.solver.estimate.hypotheses import (
    ASTRAY,
    ASTRAY_MM,
    CARD_AREA,
    CARD_HALF,
    CLOSE,
    FORGOTTEN,
    JITTER_SD,
    LOCK_SD,
    LOOSE,
    MISREAD_BLANK,
    MODEL_SD,
    OUTLIER,
    PULSE_VAR,
    STUCK,
    Bank,
    Note,
    hand,
    join,
    loose_sd,
    probable,
    prune,
    shift_sd,
    shifted,
    take,
    turned,
)
from server.solver.events import Difference, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.special import log_ndtr
from server.solver.machine.trace import contact_points

Array = NDArray[Any]


def turn(profile: Profile, bank: Bank, event: Turn) -> Bank:
    """The bank after a turn: the screw's response and the hand's error are part of what is not known."""
    contact = profile.contact_index(event.mount, event.screw)
    k = 3 * (event.mount - 1) + contact
    before, bank = bank, _split_works(profile, bank, event.mount, k)
    effective, variance = hand(event.turns, bank.last_turn[k])
    screw = profile.mount[event.mount - 1].contact[contact]
    travel = screw.clockwise * float(screw.screw_pitch_mm or 0.0)
    own, cross = screws.tilts(bank.sign[:, k], *m.screw_vectors(profile, event.mount, contact))  # (H, 3)
    at, responds = m.contact_at(event.mount), m.response_at(event.mount, contact)
    response = bank.mean[:, responds]
    moves = (1 + response[:, :1]) * own + response[:, 1:] * cross  # (H, 3) per mm of travel
    mean, cov = bank.mean.copy(), bank.cov.copy()
    mean[:, at] += travel * effective * moves
    spread = travel * effective * np.stack([own, cross], axis=2)
    cov[:, at, :] += spread @ cov[:, responds, :]
    cov[:, :, at] += cov[:, :, responds] @ spread.transpose(0, 2, 1)
    cov[:, at, at] += travel**2 * variance * moves[:, :, None] * moves[:, None, :]
    points = contact_points(profile, event.mount)
    cov[:, at, at] += (LOCK_SD[bank.noise] ** 2)[:, None, None] * (points @ points.T)
    after = turned(replace(bank, mean=mean, cov=cov), k, event.turns)
    return after if len(bank.fault) == len(before.fault) else prune(after)


def _split_works(profile: Profile, bank: Bank, mount: int, k: int) -> Bank:
    """Hypotheses that do not know yet how the screw works become one for each way."""
    tried = bank.sign[:, 3 * (mount - 1) : 3 * mount]
    return _split(bank, k, screws.CODES, screws.chances(profile, mount, tried, k % 3))


def _split(bank: Bank, k: int, codes: Array, chances: Array) -> Bank:
    """Hypotheses with column k of the signs unknown become one for each code; chances : (H, codes)."""
    unknown = np.flatnonzero(bank.sign[:, k] == screws.UNKNOWN)
    if not unknown.size:
        return bank
    whole = take(bank, np.flatnonzero(bank.sign[:, k]), bank.log_weight[bank.sign[:, k] != 0])
    for code, chance in zip(codes, chances[unknown].T, strict=True):
        one = take(bank, unknown, bank.log_weight[unknown] + np.log(chance))
        one.sign[:, k] = code
        whole = join(whole, one)
    return whole


def shift(bank: Bank, event: Shift) -> Bank:
    """The bank after a part was moved, or a base was found to be stuck."""
    before, free = bank, np.ones(len(bank.fault))
    if event.part.startswith("mirror-"):
        k = 8 + int(event.part[-1])
        chances = np.broadcast_to([1 - STUCK, STUCK], (len(bank.fault), 2))
        bank = _split(bank, k, np.array([1, screws.DEAD]), chances)
        free = (bank.sign[:, k] != screws.DEAD).astype(float)
    moved = m.shift_matrix(event.part) @ np.array(event.move_mm)
    sd = shift_sd(np.array(event.move_mm))
    noise = sum((one * sd**2) @ one.T for one in m.hand_matrices(event.part))
    mean, cov = bank.mean + free[:, None] * moved, bank.cov + free[:, None, None] * noise
    after = replace(bank, mean=mean, cov=cov)
    return after if len(bank.fault) == len(before.fault) else prune(after)


def mark_after_blanks(profile: Profile, bank: Bank, event: MarkSeen) -> Bank:
    """A blank cuts into a Gaussian and distorts it: the mark that ends the search is taken first where
    nothing was
    moved in between, and else beside a belief that has forgotten the blanks."""
    blind, blanks = bank.blind, bank.blanks
    if blind is None:
        return mark(profile, bank, event)
    found = mark(profile, blind, event)
    if not blanks:
        seen = mark(profile, replace(bank, blind=None), event)
        return prune(join(seen, shifted(found, found.evidence - seen.evidence + np.log(FORGOTTEN))))
    doubt = found.doubt
    for blank in blanks:
        found = no_mark(profile, found, blank)
    return replace(found, doubt=doubt)


def mark(profile: Profile, bank: Bank, event: MarkSeen) -> Bank:
    """The bank after a mark: each hypothesis corrected, or the mark taken for misread."""
    station, head = m.station_index(event.station), np.array(event.head_mm)

    def foretold(mean: Array) -> Array:
        place = m.spot(profile, m.rays(profile, mean, head), station, event.below_mm)
        return m.on_card(place, mean)

    jacobian = _jacobians(profile, bank, head, station, event.below_mm)  # (H, 2, SIZE)
    noise = pulse_noise(profile, bank, jacobian)
    jacobian = jacobian.copy()
    jacobian[:, :, m.HANG] = m.hang_jacobian(foretold(bank.mean))
    return _corrected(bank, event, foretold, jacobian, noise)


def difference(profile: Profile, bank: Bank, event: Difference) -> Bank:
    """The bank after two marks on one tape were compared: of how the card hangs only its roll matters."""
    station = m.station_index(event.station)
    heads = [np.array(head) for head in (event.from_head_mm, event.head_mm)]

    def foretold(mean: Array) -> Array:
        start, end = (m.rays(profile, mean, head).offset_mm[:, station, :] for head in heads)
        return m.on_card(end, mean) - m.on_card(start, mean)

    start, end = (_jacobians(profile, bank, head, station) for head in heads)
    jacobian = end - start
    noise = pulse_noise(profile, bank, start) + pulse_noise(profile, bank, end)
    jacobian[:, :, m.HANG.stop - 1] = np.stack([-foretold(bank.mean)[:, 1], foretold(bank.mean)[:, 0]], 1)
    return _corrected(bank, event, foretold, jacobian, noise)


def pulse_noise(profile: Profile, bank: Bank, jacobian: Array) -> Array:
    """(H, 2, 2) scatter of a mark from pulse to pulse, beside what its reading claims: of a loose mount, of
    the tape, of the beam's direction; jacobian : (H, 2, SIZE)."""
    gap = profile.tube.far_mount_mm - profile.tube.exit_mount_mm
    swung = jacobian[:, :, m.TUBE.start + 2 : m.TUBE.stop] * (gap * JITTER_SD[bank.noise])[:, None, None]
    tape = (PULSE_VAR[bank.noise] + MODEL_SD**2)[:, None, None] * np.eye(2)
    return scatter(profile, bank, jacobian) + tape + swung @ swung.transpose(0, 2, 1)


def _corrected(
    bank: Bank,
    event: MarkSeen | Difference,
    foretold: Callable[[Array], Array],
    jacobian: Array,
    noise: Array,
) -> Bank:
    """An extended Kalman update of all hypotheses; foretold : state vectors to what is read of them."""
    seen, claimed = np.array(event.offset_mm), np.diag(np.square(event.sigma_mm))
    crossed = bank.cov @ jacobian.transpose(0, 2, 1)  # (H, SIZE, 2)
    inside = jacobian @ crossed + claimed + noise
    gain = crossed @ np.linalg.inv(inside)
    miss = seen - foretold(bank.mean)
    mean = bank.mean + (gain @ miss[:, :, None])[:, :, 0]
    # One Gauss–Newton repeat, because the path bends a large first correction.
    left = seen - foretold(mean) - (jacobian @ (bank.mean - mean)[:, :, None])[:, :, 0]
    mean = bank.mean + (gain @ left[:, :, None])[:, :, 0]
    likely = _log_normal(miss, inside)
    astray = np.log(ASTRAY[bank.noise]) + _log_normal(miss, inside + ASTRAY_MM**2 * np.eye(2))
    return _weighed(bank, likely, astray, mean, gain @ crossed.transpose(0, 2, 1))


def _log_normal(miss: Array, cov: Array) -> Array:
    """(H,) log density of a plane normal at (H, 2), its covariance (H, 2, 2)."""
    squared = (miss[:, None, :] @ np.linalg.solve(cov, miss[:, :, None]))[:, 0, 0]
    return np.asarray(-0.5 * squared - 0.5 * np.linalg.slogdet(2 * np.pi * cov)[1])


def _weighed(bank: Bank, likely: Array, astray: Array, mean: Array, known: Array) -> Bank:
    """Each hypothesis with the mark and, beside it, without: the probable ones of both.

    likely, astray : (H,) log likelihood of the mark, and of one that lies astray, its odds included; mean :
    (H, SIZE) with it; known : (H, SIZE, SIZE), what it takes off the covariance.
    """
    misread = np.full(len(likely), np.log(OUTLIER / CARD_AREA))
    right = likely + np.log1p(-OUTLIER - ASTRAY[bank.noise])
    log_weight = bank.log_weight + np.stack([right, np.logaddexp(astray, misread)])
    doubt = np.logaddexp.reduce(bank.log_weight + misread) - np.logaddexp.reduce(log_weight, axis=None)
    fault, noise, sign = np.tile(bank.fault, 2), np.tile(bank.noise, 2), np.tile(bank.sign, (2, 1))
    order, kept, total = probable(log_weight.reshape(-1), fault, noise, sign)
    source, seen = order % len(likely), order < len(likely)
    after = take(bank, source, kept)
    after.mean[seen] = mean[source[seen]]
    cov = after.cov[seen] - known[source[seen]]
    after.cov[seen] = 0.5 * (cov + cov.transpose(0, 2, 1))
    notes = tuple(n if s else (*n[-3:], Note("reading")) for n, s in zip(after.notes, seen, strict=True))
    return replace(after, notes=notes, evidence=bank.evidence + total, doubt=float(np.exp(min(doubt, 0.0))))


def _jacobians(
    profile: Profile, bank: Bank, head: Array, station: int, below_mm: float = m.BELOW_MM
) -> Array:
    """(H, 2, SIZE): one for all hypotheses where they lie close together, else one for each."""
    best = bank.mean[bank.best]
    if np.abs(bank.mean[:, m.CONTACT] - best[m.CONTACT]).max() > CLOSE:
        return m.mark_jacobian(profile, bank.mean, head, station, below_mm)
    one = m.mark_jacobian(profile, best, head, station, below_mm)
    return np.broadcast_to(one, (len(bank.fault), 2, m.SIZE))


def scatter(profile: Profile, bank: Bank, jacobian: Array) -> Array:
    """(H, 2, 2) scatter of the mark by a loose mount, for the hypotheses that suppose one; jacobian (H, 2,
    SIZE)."""
    extra = np.zeros((len(bank.fault), 2, 2))
    for mount in (1, 2, 3):
        loose = bank.fault == LOOSE + mount - 1
        at = contact_points(profile, mount)
        shaken = jacobian[loose][:, :, m.contact_at(mount)] @ at * loose_sd(profile, mount)
        extra[loose] = shaken @ shaken.transpose(0, 2, 1)
    return extra


def no_mark(profile: Profile, bank: Bank, event: NoMark) -> Bank:
    """The beam passed the card on one of four sides, was stopped by an aperture before, or the pulse was
    bad."""
    station, head = m.station_index(event.station), np.array(event.head_mm)
    limits = [*m.stops(profile, station), (station, CARD_HALF)]
    foretold = m.rays(profile, bank.mean, head)
    bad = blank = replace(bank, log_weight=bank.log_weight + np.log(MISREAD_BLANK))
    for at, limit in limits:
        jacobian = _jacobians(profile, bank, head, at, event.below_mm)
        shaken = scatter(profile, bank, jacobian)
        for axis in (0, 1):
            for way in (1.0, -1.0):
                value, loose = (
                    way * m.spot(profile, foretold, at, event.below_mm)[:, axis],
                    shaken[:, axis, axis],
                )
                side = _beyond(bank, way * jacobian[:, axis], value, limit, loose)
                blank = join(blank, side)
    misread, all_ways = (float(np.logaddexp.reduce(log)) for log in (bad.log_weight, blank.log_weight))
    return replace(prune(blank), doubt=float(np.exp(misread - all_ways)))


def _beyond(bank: Bank, row: Array, value: Array, limit: float, loose: Array) -> Bank:
    """The bank given that ``row·x`` (now ``value``) is beyond ``limit``: moments of a truncated Gaussian.

    loose : (H,) variance by which a loose mount scatters it, which is no part of the state.
    """
    crossed = (bank.cov @ row[:, :, None])[:, :, 0]  # (H, SIZE)
    sigma = np.sqrt((crossed * row).sum(1) + MODEL_SD**2 + loose)
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

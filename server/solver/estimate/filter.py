"""What one event does to the hypotheses: marks are measurements, turns and shifts motions with a hand's
error."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate.hypotheses import (
    CARD_AREA,
    CARD_HALF,
    CLOSE,
    FORGOTTEN,
    LOOSE,
    MISREAD_BLANK,
    MODEL_SD,
    OUTLIER,
    Bank,
    Note,
    backwards,
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
from server.solver.events import MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS, Profile
from server.solver.machine.special import log_ndtr
from server.solver.machine.trace import contact_points

Array = NDArray[Any]


def turn(profile: Profile, bank: Bank, event: Turn) -> Bank:
    """The bank after a turn: the screw's response and the hand's error are part of what is not known."""
    contact = profile.contact_index(event.mount, event.screw)
    k = 3 * (event.mount - 1) + contact
    before, bank = bank, _split_sign(profile, bank, event.mount, k)
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
    after = turned(replace(bank, mean=mean, cov=cov), k, event.turns)
    return after if len(bank.fault) == len(before.fault) else prune(after)


def _split_sign(profile: Profile, bank: Bank, mount: int, k: int) -> Bank:
    """Hypotheses that do not know yet which way the screw works become two."""
    unknown = np.flatnonzero(bank.sign[:, k] == 0)
    if not unknown.size:
        return bank
    chance = backwards(bank.sign[unknown, 3 * (mount - 1) : 3 * mount])
    twin = take(bank, unknown, bank.log_weight[unknown] + np.log(chance))
    forward = bank.log_weight.copy()
    forward[unknown] += np.log1p(-chance)
    sign, twin_sign = bank.sign.copy(), twin.sign.copy()
    sign[unknown, k], twin_sign[:, k] = 1, -1
    return join(replace(bank, log_weight=forward, sign=sign), replace(twin, sign=twin_sign))


def shift(bank: Bank, event: Shift) -> Bank:
    """The bank after a part was moved."""
    moved = m.shift_matrix(event.part)
    move = np.array(event.move_mm)
    noise = sum((one * shift_sd(move) ** 2) @ one.T for one in m.hand_matrices(event.part))
    return replace(bank, mean=bank.mean + moved @ move, cov=bank.cov + noise)


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
    squared = (miss[:, None, :] @ np.linalg.solve(inside, miss[:, :, None]))[:, 0, 0]
    likely = -0.5 * squared - 0.5 * np.linalg.slogdet(2 * np.pi * inside)[1]
    return _weighed(bank, likely, mean, gain @ crossed.transpose(0, 2, 1))


def _weighed(bank: Bank, likely: Array, mean: Array, known: Array) -> Bank:
    """Each hypothesis with the mark and, beside it, without: the probable ones of both.

    likely : (H,) log likelihood of the mark; mean : (H, SIZE) with it; known : (H, SIZE, SIZE), what it takes
    off the covariance.
    """
    right, wrong = likely + np.log1p(-OUTLIER), np.full(len(likely), np.log(OUTLIER / CARD_AREA))
    log_weight = np.concatenate([bank.log_weight + right, bank.log_weight + wrong])
    order, kept, total = probable(log_weight, np.tile(bank.fault, 2))
    source, seen = order % len(likely), order < len(likely)
    after = take(bank, source, kept)
    after.mean[seen] = mean[source[seen]]
    cov = after.cov[seen] - known[source[seen]]
    after.cov[seen] = 0.5 * (cov + cov.transpose(0, 2, 1))
    notes = tuple(n if s else (*n[-3:], Note("reading")) for n, s in zip(after.notes, seen, strict=True))
    believed, not_believed = np.logaddexp.reduce(log_weight.reshape(2, -1), axis=1)
    doubt = float(0.5 + 0.5 * np.tanh((not_believed - believed) / 2))
    return replace(after, notes=notes, evidence=bank.evidence + total, doubt=doubt)


def _jacobians(profile: Profile, bank: Bank, head: Array, station: int) -> Array:
    """(H, 2, SIZE): one for all hypotheses where they lie close together, else one for each."""
    best = bank.mean[bank.best]
    if np.abs(bank.mean[:, m.CONTACT] - best[m.CONTACT]).max() > CLOSE:
        return m.mark_jacobian(profile, bank.mean, head, station)
    return np.broadcast_to(m.mark_jacobian(profile, best, head, station), (len(bank.fault), 2, m.SIZE))


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
    station, head = STATIONS.index(event.station), np.array(event.head_mm)
    limits = [*m.stops(profile, station), (station, CARD_HALF)]
    foretold = m.rays(profile, bank.mean, head)
    bad = blank = replace(bank, log_weight=bank.log_weight + np.log(MISREAD_BLANK))
    for at, limit in limits:
        jacobian = _jacobians(profile, bank, head, at)
        shaken = scatter(profile, bank, jacobian)
        for axis in (0, 1):
            for way in (1.0, -1.0):
                value, loose = way * m.spot(foretold, at)[:, axis], shaken[:, axis, axis]
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

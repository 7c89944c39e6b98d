"""What one event does to the mixture: marks are measurements, turns and shifts motions with hand error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
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
    MODEL_SD,
    PULSE_VAR,
    SLIPS,
    Mixture,
    Note,
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

EDGE = 0.1  # x the nozzle's bore: how sharply it cuts the beam off (a guess: the beam has a width there)


def turn(profile: Profile, mixture: Mixture, event: Turn) -> Mixture:
    """The mixture after a turn. How the screw works and what the hand really did (as asked, another screw,
    the other way, nothing) split each hypothesis; the response and the hand's error widen it."""
    mount, contacts = event.mount, profile.mount[event.mount - 1].contact
    asked, tried = profile.contact_index(mount, event.screw), mixture.sign[:, 3 * mount - 3 : 3 * mount]
    others = [i for i, c in enumerate(contacts) if c.screw_pitch_mm is not None and i != asked]
    slips = SLIPS[mixture.noise]
    done = [(asked, 1, 1 - 3 * slips, ""), (asked, -1, slips, "way"), (asked, 0, slips, "none")]
    done += [(i, 1, slips / len(others), "screw") for i in others]
    ways: list[Array] = []  # rows: parent, contact, direction, code, index into done; log_weight goes with it
    log_weight: list[Array] = []
    for n, (contact, way, share, _) in enumerate(done):
        chance = np.where(tried[:, [contact]] == screws.CODES, 1.0, 0.0)
        unknown = tried[:, contact] == screws.UNKNOWN
        chance[unknown] = screws.chances(profile, mount, tried[unknown], contact)
        rows, columns = np.nonzero(chance) if way else (np.arange(len(share)), np.zeros(len(share), int))
        odds = share[rows] * (chance[rows, columns] if way else 1.0)
        code = screws.CODES[columns] if way else tried[:, contact]
        ways.append(
            np.stack(
                [rows, np.full_like(rows, contact), np.full_like(rows, way), code, np.full_like(rows, n)]
            )
        )
        log_weight.append(mixture.log_weight[rows] + np.log(odds))
    parent, contact_of, way_of, code_of, which = np.concatenate(ways, axis=1)
    sign = mixture.sign[parent]
    sign[np.arange(len(parent)), 3 * mount - 3 + contact_of] = code_of
    order, kept, total = probable(
        np.concatenate(log_weight), mixture.fault[parent], mixture.noise[parent], sign
    )
    after = take(mixture, parent[order], kept)
    notes = tuple(
        (*note[-3:], Note(done[n][3], mount, contacts[done[n][0]].name, event.screw)) if done[n][3] else note
        for note, n in zip(after.notes, which[order], strict=True)
    )
    after = replace(after, sign=sign[order], notes=notes, evidence=mixture.evidence + total)
    after = _turned(profile, after, mount, contact_of[order], way_of[order] * event.turns)
    return turned(after, 3 * mount - 3 + asked, event.turns)


def _turned(profile: Profile, mixture: Mixture, mount: int, contact: Array, turns: Array) -> Mixture:
    """Each hypothesis with one of a mount's screws turned; contact, turns : (H,)."""
    contacts, rows = profile.mount[mount - 1].contact, np.arange(len(turns))
    first = 3 * (mount - 1)
    pitch = np.array([c.clockwise * float(c.screw_pitch_mm or 0.0) for c in contacts])[contact]
    hands = [
        mixture.takes_hold(first + i, t) if t else (0.0, 0.0) for i, t in zip(contact, turns, strict=True)
    ]
    travel, spread = (np.array(hands) * np.stack([pitch, pitch**2], axis=1)).T
    own, cross = screws.tilts(profile, mount, contact, mixture.sign[rows, first + contact])  # (H, 3)
    at = m.contact_at(mount)
    responds = m.RESPONSE.start + 2 * (first + contact[:, None]) + np.arange(2)  # (H, 2)
    mean, cov = mixture.mean.copy(), mixture.cov.copy()
    response = mean[rows[:, None], responds]
    moves = (1 + response[:, :1]) * own + response[:, 1:] * cross  # (H, 3) per mm of travel
    mean[:, at] += travel[:, None] * moves
    by = travel[:, None, None] * np.stack([own, cross], axis=2)
    cov[:, at, :] += by @ cov[rows[:, None], responds, :]
    cov[:, :, at] += (by @ cov[rows[:, None], :, responds]).transpose(0, 2, 1)
    points = contact_points(profile, mount)
    locked = (LOCK_SD[mixture.noise] * (turns != 0)) ** 2
    cov[:, at, at] += spread[:, None, None] * moves[:, :, None] * moves[:, None, :]
    cov[:, at, at] += locked[:, None, None] * (points @ points.T)
    return replace(mixture, mean=mean, cov=cov)


def _split(mixture: Mixture, k: int, codes: Array, chances: Array) -> Mixture:
    """Hypotheses with column k of the signs unknown become one for each code; chances : (H, codes)."""
    unknown = np.flatnonzero(mixture.sign[:, k] == screws.UNKNOWN)
    if not unknown.size:
        return mixture
    whole = take(mixture, np.flatnonzero(mixture.sign[:, k]), mixture.log_weight[mixture.sign[:, k] != 0])
    for code, chance in zip(codes, chances[unknown].T, strict=True):
        one = take(mixture, unknown, mixture.log_weight[unknown] + np.log(chance))
        one.sign[:, k] = code
        whole = join(whole, one)
    return whole


def shift(mixture: Mixture, event: Shift) -> Mixture:
    """The mixture after a shift. The part may have moved as asked, the other way along some axes, or not at
    all, by a slip or because a base is stuck; these split each hypothesis."""
    free = np.ones(len(mixture.fault))
    if event.part.startswith("mirror-"):
        k = 8 + int(event.part[-1])
        mixture = _split(mixture, k, screws.BASES, screws.base_chances(mixture.sign[:, 9:]))
        free = (mixture.sign[:, k] != screws.DEAD).astype(float)
    asked = np.array(event.move_mm)
    ways = np.array([*product(*([1, -1] if axis else [1] for axis in asked)), (0, 0, 0)])
    slips, others = SLIPS[mixture.noise][:, None], len(ways) - 2
    share = np.hstack([1 - 2 * slips, np.repeat(slips / max(others, 1), others, axis=1), slips])
    parent, way = np.divmod(np.arange(share.size), len(ways))
    log_weight = (mixture.log_weight[:, None] + np.log(share)).reshape(-1)
    order, kept, total = probable(
        log_weight, mixture.fault[parent], mixture.noise[parent], mixture.sign[parent]
    )
    parent, way = parent[order], way[order]
    after = take(mixture, parent, kept)
    moves, free = ways[way] * asked, free[parent][:, None]
    mean = after.mean + free * (moves @ m.shift_matrix(event.part).T)
    spread = (free * shift_sd(moves)) ** 2  # (H, 3)
    noise = sum((one * spread[:, None, :]) @ one.T for one in m.hand_matrices(event.part))
    notes = tuple(
        (*note[-3:], Note("moved" if move.any() else "left", asked=event.part)) if slip else note
        for note, move, slip in zip(after.notes, moves, way, strict=True)
    )
    return replace(after, mean=mean, cov=after.cov + noise, notes=notes, evidence=mixture.evidence + total)


def mark_after_blanks(profile: Profile, mixture: Mixture, event: MarkSeen) -> Mixture:
    """The mixture after the mark that ends a series of blanks, if there was one.

    A blank truncates a Gaussian and so distorts it. If nothing was moved since the blanks, the mark is
    therefore applied before them. Otherwise the mixture with the blanks is joined by one without them.
    """
    blind, blanks = mixture.blind, mixture.blanks
    if blind is None:
        return mark(profile, mixture, event)
    found = mark(profile, blind, event)
    if not blanks:
        seen = mark(profile, replace(mixture, blind=None), event)
        return prune(join(seen, shifted(found, found.evidence - seen.evidence + np.log(FORGOTTEN))))
    doubt = found.doubt
    for blank in blanks:
        found = no_mark(profile, found, blank)
    return replace(found, doubt=doubt)


def mark(profile: Profile, mixture: Mixture, event: MarkSeen) -> Mixture:
    """The mixture after a mark: each hypothesis once corrected by it, and once with the mark misread."""
    station, head = m.station_index(event.station), np.array(event.head_mm)

    def foretold(mean: Array) -> Array:
        place = m.spot(profile, m.rays(profile, mean, head), station, event.below_mm)
        return m.on_card(place, mean)

    jacobian = _jacobians(profile, mixture, head, station, event.below_mm)  # (H, 2, SIZE)
    noise = pulse_noise(profile, mixture, jacobian, np.square(event.sigma_mm))
    loose = scatter(profile, mixture, jacobian)
    beam, jacobian = jacobian, jacobian.copy()
    jacobian[:, :, m.HANG] = m.hang_jacobian(foretold(mixture.mean))

    def passes(mean: Array, cov: Array) -> Array:
        place = m.spot(profile, m.rays(profile, mean, head), station)
        sd = np.sqrt(np.trace(beam @ cov @ beam.transpose(0, 2, 1), axis1=1, axis2=2) / 2)
        bore = profile.aperture.nozzle_mm / 2
        return log_ndtr((bore - np.hypot(*place.T)) / (sd + EDGE * bore))

    through = passes if event.station == "nozzle" else None  # no other card lies behind an opening of its own
    return _corrected(mixture, event, foretold, jacobian, noise, loose, through)


def difference(profile: Profile, mixture: Mixture, event: Difference) -> Mixture:
    """The mixture after two marks on one tape were compared; of the card's hanging only the roll matters."""
    station = m.station_index(event.station)
    heads = [np.array(head) for head in (event.from_head_mm, event.head_mm)]

    def foretold(mean: Array) -> Array:
        start, end = (m.rays(profile, mean, head).offset_mm[:, station, :] for head in heads)
        return m.on_card(end, mean) - m.on_card(start, mean)

    start, end = (_jacobians(profile, mixture, head, station) for head in heads)
    jacobian = end - start
    claimed = np.square(event.sigma_mm)
    noise = pulse_noise(profile, mixture, start, claimed) + pulse_noise(profile, mixture, end, 0 * claimed)
    loose = scatter(profile, mixture, start) + scatter(profile, mixture, end)
    jacobian[:, :, m.HANG.stop - 1] = np.stack(
        [-foretold(mixture.mean)[:, 1], foretold(mixture.mean)[:, 0]], 1
    )
    return _corrected(mixture, event, foretold, jacobian, noise, loose)


def pulse_noise(profile: Profile, mixture: Mixture, jacobian: Array, claimed: Array) -> Array:
    """(H, 2, 2) covariance of a mark from pulse to pulse, mm²: of the reading, the tape and the beam's
    direction, scaled as each hypothesis has learnt.

    jacobian : (H, 2, SIZE); claimed : (2,) the variance that the reading claims, mm².
    """
    gap = profile.tube.far_mount_mm - profile.tube.exit_mount_mm
    swung = jacobian[:, :, m.TUBE.start + 2 : m.TUBE.stop] * (gap * JITTER_SD[mixture.noise])[:, None, None]
    tape = (PULSE_VAR[mixture.noise] + MODEL_SD**2)[:, None, None] * np.eye(2)
    return mixture.pulse_scale[:, None, None] * (np.diag(claimed) + tape + swung @ swung.transpose(0, 2, 1))


def _corrected(
    mixture: Mixture,
    event: MarkSeen | Difference,
    foretold: Callable[[Array], Array],
    jacobian: Array,
    noise: Array,
    loose: Array,
    passes: Callable[[Array, Array], Array] | None = None,
) -> Mixture:
    """An extended Kalman update of all hypotheses by a mark or a difference.

    foretold : gives the predicted reading (H, 2) of state vectors (H, SIZE).
    noise, loose : (H, 2, 2) covariance from pulse to pulse, and of the scatter by a loose mount.
    passes : gives the log probability (H,) of any mark at all, from the means and covariances afterwards.
    """
    seen = np.array(event.offset_mm)
    crossed = mixture.cov @ jacobian.transpose(0, 2, 1)  # (H, SIZE, 2)
    inside = jacobian @ crossed + noise + loose
    inverse = np.linalg.inv(inside)
    gain = crossed @ inverse
    miss = seen - foretold(mixture.mean)
    mean = mixture.mean + (gain @ miss[:, :, None])[:, :, 0]
    # One Gauss–Newton repeat, because the path bends a large first correction.
    left = seen - foretold(mean) - (jacobian @ (mixture.mean - mean)[:, :, None])[:, :, 0]
    mean = mixture.mean + (gain @ left[:, :, None])[:, :, 0]
    likely = _log_normal(miss, inside)
    astray = np.log(ASTRAY[mixture.noise]) + _log_normal(miss, inside + ASTRAY_MM**2 * np.eye(2))
    # The part of the innovation that was scatter tells how large scatter is, as in ``rehung``.
    erred = (noise @ inverse @ miss[:, :, None])[:, :, 0]
    squared = (erred[:, None, :] @ np.linalg.solve(noise, erred[:, :, None]))[:, 0, 0]
    known = np.trace(noise @ inverse, axis1=1, axis2=2)
    pulse = mixture.pulse + np.stack([known, squared * mixture.pulse_scale], axis=1)
    told = gain @ crossed.transpose(0, 2, 1)
    if passes is not None:
        likely = likely + passes(mean, mixture.cov - told)
    return _weighed(mixture, likely, astray, mean, told, pulse)


def _log_normal(miss: Array, cov: Array) -> Array:
    """(H,) log density of a plane normal at (H, 2), its covariance (H, 2, 2)."""
    squared = (miss[:, None, :] @ np.linalg.solve(cov, miss[:, :, None]))[:, 0, 0]
    return np.asarray(-0.5 * squared - 0.5 * np.linalg.slogdet(2 * np.pi * cov)[1])


def _weighed(
    mixture: Mixture, likely: Array, astray: Array, mean: Array, known: Array, pulse: Array
) -> Mixture:
    """The mixture of each hypothesis corrected by the mark and of each without it; only probable ones stay.

    likely, astray : (H,) log likelihood of the mark, and of a mark that lies astray, its odds included.
    mean : (H, SIZE) corrected; known : (H, SIZE, SIZE) reduction of the covariance by the mark.
    pulse : (H, 2) ``Mixture.pulse`` corrected.
    """
    slips = SLIPS[mixture.noise]
    misread = np.log(slips / CARD_AREA)
    right = likely + np.log1p(-slips - ASTRAY[mixture.noise])
    log_weight = mixture.log_weight + np.stack([right, np.logaddexp(astray, misread)])
    shares = [np.logaddexp.reduce(some) for some in (mixture.log_weight + misread, log_weight[1])]
    doubt, beside = np.exp(np.minimum(shares - np.logaddexp.reduce(log_weight, axis=None), 0.0)).tolist()
    unlike = beside / float(mixture.weight @ (slips + ASTRAY[mixture.noise]))
    which, source, kept, total = _kept(mixture, log_weight)
    seen = which == 0
    after = take(mixture, source, kept)
    after.mean[seen], after.pulse[seen] = mean[source[seen]], pulse[source[seen]]
    cov = after.cov[seen] - known[source[seen]]
    after.cov[seen] = 0.5 * (cov + cov.transpose(0, 2, 1))
    notes = tuple(n if s else (*n[-3:], Note("reading")) for n, s in zip(after.notes, seen, strict=True))
    return replace(after, notes=notes, evidence=mixture.evidence + total, doubt=doubt, unlike=unlike)


def _kept(mixture: Mixture, log_weight: Array) -> tuple[Array, Array, Array, float]:
    """What is kept of all hypotheses, each in several ways: the index of the way, that of the hypothesis, the
    log weight; and the log of the sum of all weights before.

    log_weight : (ways, H).
    """
    kinds = (np.concatenate([of] * len(log_weight)) for of in (mixture.fault, mixture.noise, mixture.sign))
    order, kept, total = probable(log_weight.reshape(-1), *kinds)
    return *np.divmod(order, len(mixture.fault)), kept, total


def _jacobians(
    profile: Profile, mixture: Mixture, head: Array, station: int, below_mm: float = m.BELOW_MM
) -> Array:
    """(H, 2, SIZE) derivatives of a mark: those of the best hypothesis for all if they lie close together."""
    best = mixture.mean[mixture.best]
    if np.abs(mixture.mean[:, m.CONTACT] - best[m.CONTACT]).max() > CLOSE:
        return m.mark_jacobian(profile, mixture.mean, head, station, below_mm)
    one = m.mark_jacobian(profile, best, head, station, below_mm)
    return np.broadcast_to(one, (len(mixture.fault), 2, m.SIZE))


def scatter(profile: Profile, mixture: Mixture, jacobian: Array) -> Array:
    """(H, 2, 2) covariance of a mark by a loose mount, mm², zero for hypotheses without one; jacobian :
    (H, 2, SIZE)."""
    extra = np.zeros((len(mixture.fault), 2, 2))
    for mount in (1, 2, 3):
        loose = mixture.fault == LOOSE + mount - 1
        at = contact_points(profile, mount)
        shaken = jacobian[loose][:, :, m.contact_at(mount)] @ at * loose_sd(profile, mount)
        extra[loose] = shaken @ shaken.transpose(0, 2, 1)
    return extra


def no_mark(profile: Profile, mixture: Mixture, event: NoMark) -> Mixture:
    """The mixture after a blank: the beam passed the card on one of four sides, was stopped by an aperture
    before it, or the pulse was bad."""
    station, head = m.station_index(event.station), np.array(event.head_mm)
    limits = [*m.stops(profile, station), (station, CARD_HALF)]
    foretold = m.rays(profile, mixture.mean, head)
    ways = [_Blank.bad(mixture)]
    for at, limit in limits:
        jacobian = _jacobians(profile, mixture, head, at, event.below_mm)
        shaken = scatter(profile, mixture, jacobian)
        spot = m.spot(profile, foretold, at, event.below_mm)
        for axis, way in product((0, 1), (1.0, -1.0)):
            row, value = way * jacobian[:, axis], way * spot[:, axis]
            ways.append(_Blank.beyond(mixture, row, value, limit, shaken[:, axis, axis]))
    which, source, kept, total = _kept(mixture, np.stack([way.log_weight for way in ways]))
    move, gain, shrink = (
        np.stack([getattr(way, name) for way in ways])[which, source] for name in ("move", "gain", "shrink")
    )
    after = take(mixture, source, kept)
    after.mean[...] += move
    after.cov[...] -= shrink[:, None, None] * gain[:, :, None] * gain[:, None, :]
    misread = float(np.logaddexp.reduce(ways[0].log_weight))
    return replace(after, evidence=mixture.evidence + total, doubt=float(np.exp(misread - total)))


@dataclass(frozen=True)
class _Blank:
    """One reason for a blank. The covariances come later, and only of the hypotheses that are kept: those of
    all reasons are a hundred megabytes."""

    log_weight: Array  # (H,)
    move: Array  # (H, SIZE) of the mean
    gain: Array  # (H, SIZE); the covariance is reduced by shrink * gain * gain'
    shrink: Array  # (H,)

    @classmethod
    def bad(cls, mixture: Mixture) -> _Blank:
        """The pulse was bad and tells nothing of the beam."""
        none = np.zeros_like(mixture.mean)
        return cls(mixture.log_weight + np.log(SLIPS[mixture.noise]), none, none, none[:, 0])

    @classmethod
    def beyond(cls, mixture: Mixture, row: Array, value: Array, limit: float, loose: Array) -> _Blank:
        """``row·x`` (now ``value``) is beyond ``limit``: moments of a truncated Gaussian.

        loose : (H,) variance by which a loose mount scatters it, which is no part of the state.
        """
        crossed = (mixture.cov @ row[:, :, None])[:, :, 0]  # (H, SIZE)
        sigma = np.sqrt((crossed * row).sum(1) + MODEL_SD**2 + loose)
        alpha = (limit - value) / sigma
        tail = log_ndtr(-alpha)
        ratio = np.exp(-0.5 * alpha**2 - 0.5 * np.log(2 * np.pi) - tail)
        gain = crossed / sigma[:, None]
        shrink = np.clip(ratio * (ratio - alpha), 0.0, 1.0)
        return cls(mixture.log_weight + tail, gain * ratio[:, None], gain, shrink)

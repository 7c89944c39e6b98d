"""What is known about a machine: a mixture of Gaussian hypotheses that every event updates.

Each hypothesis is an extended Kalman filter over the state vector of ``model`` (Särkkä, Bayesian Filtering
and Smoothing, 2013, ch. 5): marks are measurements, turns and shifts are motions with hand error. The
hypotheses differ in what is not a number: which screws work backwards, which fault the machine has, which
reading was wrong, on which side of the card the beam passed when it left no mark. Their weights are their
posterior probabilities (a Gaussian sum filter, Alspach & Sorenson 1972).
"""

from __future__ import annotations

from dataclasses import replace
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.estimate.filter import difference, mark_after_blanks, no_mark, shift, turn
from server.solver.estimate.hypotheses import (
    CAUSES,
    DOUBT,
    FAULTS,
    LOOSE,
    NOISES,
    REPAIR_SHIFT_SD,
    REPAIR_TILT_SD,
    UNLIKE,
    UPSET,
    VOID,
    Mixture,
    Note,
    forget,
    join,
    knocked,
    loose_sd,
    loose_shares,
    prior,
    prune,
    rehung,
    shifted,
    split_far,
)
from server.solver.events import Alignment, Difference, Event, Inspected, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS, Profile
from server.solver.machine.trace import contact_points

Array = NDArray[Any]

_KNOWN: dict[tuple[Profile, tuple[Event, ...]], Mixture] = {}
_LOCK = Lock()  # held only while _KNOWN is read or written, not during the computation
MOST_KNOWN = 32
REST = 2.0  # least sd of racking and bow after a repair, in units of a sound machine's sd
TIGHTENED = 2.0  # sd of a loose mirror's position once it is tightened, in units of its scatter
WAYS, UNHEARD = 4, 1e-3  # after a repair: most ways kept in which the screws may work; least share of each
TOLD = 0.5  # if a loose mount is less probable than this, any mount may have been the one tightened
MAY_BE = 0.1  # least probability, relative to the likeliest, of a loose mount that may have been tightened
NOTHING_FOUND = 1e-3  # factor on the odds of a cause that somebody looked for and did not find


def believe(alignment: Alignment) -> Mixture:
    """The mixture after all events. It depends on the alignment only, not on earlier calls."""
    return _after(alignment.machine, alignment.events)


def _after(profile: Profile, events: tuple[Event, ...]) -> Mixture:
    """The mixture after all events; a cache of the newest alignments saves most of the work."""
    start, mixture = _remembered(profile, events)
    for i in range(start, len(events)):
        mixture = _step(profile, mixture, events[i])
        if i >= len(events) - 2:
            _remember(profile, events[: i + 1], mixture)
    return mixture


def _remember(profile: Profile, events: tuple[Event, ...], mixture: Mixture) -> None:
    with _LOCK:
        _KNOWN[(profile, events)] = mixture
        while len(_KNOWN) > MOST_KNOWN:
            del _KNOWN[next(iter(_KNOWN))]


def _remembered(profile: Profile, events: tuple[Event, ...]) -> tuple[int, Mixture]:
    """How many of the events have been processed already, and the mixture after them."""
    with _LOCK:
        for start in range(len(events), max(0, len(events) - 5), -1):
            known = _KNOWN.get((profile, events[:start]))
            if known is not None:
                return start, known
    return 0, prior(profile)


def _step(profile: Profile, known: Mixture, event: Event) -> Mixture:
    mixture = _advance(profile, known, event)
    if not isinstance(event, MarkSeen) or mixture.unlike <= UNLIKE:
        return mixture
    # Few hypotheses predicted this mark: something may have been knocked, or changed altogether.
    others = [knocked(profile, known)]
    if mixture.doubt > DOUBT:
        others.append(_changed(profile, known))
    for other in others:
        after = _advance(profile, other, event)
        mixture = join(mixture, shifted(after, after.evidence - mixture.evidence))
    return prune(mixture)


def _advance(profile: Profile, mixture: Mixture, event: Event) -> Mixture:
    if isinstance(event, MarkSeen | NoMark):
        mixture = _hung(profile, mixture, event)
        if mixture.blind is not None:
            mixture = replace(mixture, blind=_hung(profile, mixture.blind, event))
    blind = mixture.blind
    match event:
        case MarkSeen():
            return mark_after_blanks(profile, mixture, event)
        case NoMark():
            before = replace(mixture, blind=None, blanks=()) if blind is None else blind
            blanks = (*mixture.blanks, event)
            return replace(no_mark(profile, mixture, event), blind=before, blanks=blanks)
        case Turn():
            moved = turn(profile, mixture, event)
        case Shift():
            moved = shift(mixture, event)
        case Difference():
            return difference(profile, mixture, event)
        case Inspected():
            return replace(_inspected(profile, mixture, event), blind=None, blanks=())
    return moved if blind is None else replace(moved, blind=_advance(profile, blind, event), blanks=())


def _hung(profile: Profile, mixture: Mixture, event: MarkSeen | NoMark) -> Mixture:
    """The mixture once a card hangs for a pulse; parts that it shows for the first time may be far off."""
    station = min(m.station_index(event.station), len(STATIONS) - 1)
    return rehung(split_far(profile, mixture, station), (event.station, event.hanging))


def _inspected(profile: Profile, mixture: Mixture, event: Inspected) -> Mixture:
    """The mixture after an inspection.

    Something was fixed: earlier readings may be invalid, but what the screws do stays known. Nothing was
    found: that cause becomes less probable.
    """
    if event.outcome == "fixed":
        reached = _reached(mixture, event.cause)
        mixture = replace(mixture, repairs=(*mixture.repairs, min(reached)))
        forgotten = _forget_readings(profile, mixture)
        if event.cause not in CAUSES:
            return forgotten
        kept = _repaired(profile, mixture, event.cause, reached)
        forgotten = replace(forgotten, parts_seen=kept.parts_seen, evidence=kept.evidence)
        return prune(join(shifted(kept, np.log1p(-VOID)), shifted(forgotten, np.log(VOID))))
    guilty = np.array([FAULTS[f] == event.cause for f in mixture.fault])
    factor = np.log(NOTHING_FOUND) if event.outcome == "nothing-found" else np.log(1e3)
    if not guilty.any():
        return mixture
    return prune(replace(mixture, log_weight=mixture.log_weight + factor * guilty))


def _reached(mixture: Mixture, cause: str) -> tuple[int, ...]:
    """Numbers of the mirrors that a repair may have moved.

    A loose mount: the mirrors whose mount may have been the loose one, or all if it was not known to be
    loose. Another of CAUSES: the mirrors on the gantry. Any other cause: all.
    """
    if cause in CAUSES and cause != "loose-mount":
        return (2, 3)
    loose = loose_shares(mixture)
    if cause != "loose-mount" or loose.sum() < TOLD:
        return (1, 2, 3)
    return tuple(int(i) + 1 for i in np.flatnonzero(loose >= MAY_BE * loose.max()))


def _repaired(profile: Profile, mixture: Mixture, cause: str, reached: tuple[int, ...]) -> Mixture:
    """The mixture after a repair, in which each fault has its prior probability again.

    What the repair may have moved becomes less certain. The probable ways in which the screws work are kept.
    """
    guilty = np.flatnonzero([FAULTS[f] == cause for f in mixture.fault])
    guilty = guilty if guilty.size else np.array([mixture.best])
    _ways, which = np.unique(mixture.sign[guilty], axis=0, return_inverse=True)
    weight = np.bincount(which.reshape(-1), mixture.weight[guilty])
    likely = [k for k in np.argsort(-weight, kind="stable")[:WAYS] if weight[k] > UNHEARD * weight.sum()]
    repaired: Mixture | None = None
    for k in likely:
        these = guilty[which.reshape(-1) == k]
        one = _repaired_one(
            profile, mixture, cause, reached, int(these[np.argmax(mixture.log_weight[these])])
        )
        one = shifted(one, float(np.log(weight[k] / weight[likely].sum())))
        repaired = one if repaired is None else join(repaired, one)
    assert repaired is not None  # the most probable way is always among them
    repaired = replace(repaired, onward=mixture.onward, net_turns=mixture.net_turns)
    return replace(repaired, parts_seen=mixture.parts_seen, repairs=mixture.repairs)


def _repaired_one(
    profile: Profile, mixture: Mixture, cause: str, reached: tuple[int, ...], best: int
) -> Mixture:
    """One hypothesis after the repair, copied for each fault and noise that the machine may have then."""
    fresh = prior(profile)
    count = len(fresh.fault)
    mean, cov = np.repeat(mixture.mean[[best]], count, 0), np.repeat(mixture.cov[[best]], count, 0)
    carried = slice(m.RACK.start, m.BOW.stop)
    rest = np.maximum(fresh.cov, REST**2 * fresh.cov[0])[:, carried, carried]
    forget(mean, cov, carried, rest)
    forget(mean, cov, m.HANG, fresh.cov[:, m.HANG, m.HANG])
    for mount in reached:
        loose = cause == "loose-mount" and mixture.fault[best] == LOOSE + mount - 1
        at = contact_points(profile, mount)
        tilt = TIGHTENED * loose_sd(profile, mount) if loose else REPAIR_TILT_SD
        cov[:, m.contact_at(mount), m.contact_at(mount)] += tilt**2 * at @ at.T
        cov[:, m.shift_at(mount), m.shift_at(mount)] += REPAIR_SHIFT_SD**2 * np.eye(3)
    sign, log_weight = np.repeat(mixture.sign[[best]], count, axis=0), _noise_learnt(fresh, mixture)
    return replace(fresh, mean=mean, cov=cov, sign=sign, log_weight=log_weight)


def _noise_learnt(fresh: Mixture, mixture: Mixture) -> Array:
    """(H,) log weights of a fresh mixture, in which each noise is as probable as in another mixture."""
    count = len(NOISES)
    now, then = (np.bincount(one.noise, one.weight, count) + UNHEARD for one in (mixture, fresh))
    log_weight = fresh.log_weight + np.log(now / then)[fresh.noise]
    return np.asarray(log_weight - np.logaddexp.reduce(log_weight))


def _changed(profile: Profile, mixture: Mixture) -> Mixture:
    fresh = _forget_readings(profile, mixture)
    return replace(shifted(fresh, np.log(UPSET)), notes=((Note("upset"),),) * len(fresh.fault))


def _forget_readings(profile: Profile, mixture: Mixture) -> Mixture:
    """The prior, but with the screw responses of the best hypothesis."""
    fresh, best = prior(profile), mixture.best
    mean, cov = fresh.mean.copy(), fresh.cov.copy()
    mean[:, m.RESPONSE] = mixture.mean[best, m.RESPONSE]
    cov[:, m.RESPONSE, m.RESPONSE] = mixture.cov[best, m.RESPONSE, m.RESPONSE]
    sign = np.repeat(mixture.sign[best : best + 1], len(fresh.fault), axis=0)
    return replace(
        fresh,
        log_weight=_noise_learnt(fresh, mixture),
        mean=mean,
        cov=cov,
        sign=sign,
        onward=mixture.onward,
        net_turns=mixture.net_turns,
        evidence=mixture.evidence,
        repairs=mixture.repairs,
    )

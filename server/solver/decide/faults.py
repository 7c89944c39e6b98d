"""What no screw can correct: faults to look for, unexplained marks, a lost beam, when to stop."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide.move_choice import reach
from server.solver.decide.moves import room
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import (
    Choice,
    Place,
    View,
    last_position,
    missed,
    nearest,
    next_sigma,
    numbered,
    stays,
)
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate import screws
from server.solver.estimate.filter import pulse_noise, scatter
from server.solver.events import Difference, Inspected, MarkSeen, NoMark, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import Point

Array = NDArray[Any]


def causes(mixture: b.Mixture) -> dict[str, float]:
    """Probability of each fault that no screw can correct."""
    return {c: float(mixture.weight[[b.FAULTS[f] == c for f in mixture.fault]].sum()) for c in b.CAUSES}


def faulty(view: View) -> Choice | None:
    """Inspect a probable fault, or mark once more where one is only suspected; stop if it was not fixed.

    None if no fault needs attention now.
    """
    likely = causes(view.mixture)
    cause = max(likely, key=lambda c: likely[c])
    answers = _answers(view, cause)
    guilty = likely[cause] >= POLICY.blamed and _harmful(view, cause)
    guilty = guilty and answers.count("nothing-found") < POLICY.asked_again
    place, unmasked, doubted = None, 0.0, 0.0
    if likely[cause] < POLICY.certain and sum(likely.values()) > POLICY.suspect and not missed(view):
        place, unmasked, doubted = _telling(view)
    # For an almost certain fault the remaining doubt is below ``suspect``, so a smaller threshold is used.
    least = 1 - POLICY.certain if likely[cause] > 1 - POLICY.suspect else POLICY.suspect
    if doubted > least and unmasked > POLICY.telling * doubted:
        return Choice("mark", place=place, why="fault")
    if guilty:
        if "not-fixed" in answers:
            return Choice("stop", cause=cause, reason=f"{cause} was not fixed")
        return Choice("inspect", cause=cause)
    return None


def helpless(view: View, stage: int, least: float = POLICY.out_of_reach) -> Choice | None:
    """Stop if a dead screw, one at its end or a base that does not move keeps a stage's worst error above
    ``least``, whatever else is moved; None if nothing does.

    A screw that perhaps was not turned, or too little to be sure, is first turned once more.
    """
    blocked: list[str] = []
    doubted: Turn | None = None
    dead = view.mixture.weight @ (view.mixture.sign == screws.DEAD)
    for mount in view.profile.mount:
        first, base = 3 * (mount.mirror - 1), 8 + mount.mirror
        for k, name in enumerate((contact.name for contact in mount.contact), first):
            if 0.0 in room(view.profile, view.mixture, mount.mirror, k - first) and not missed(view):
                blocked.append(
                    f"screw '{name}' of mirror {mount.mirror}, at the end that the profile gives it,"
                )
            elif dead[k] > POLICY.even:
                blocked.append(f"screw '{name}' of mirror {mount.mirror}")
                if dead[k] < POLICY.certain or _turned_most(view, mount.mirror, name) < TELLS:
                    doubted = Turn(mount.mirror, name, _told_by(view.mixture, k))
        if dead[base] > POLICY.even or mount.base == "fixed":
            blocked.append(f"the base of mirror {mount.mirror}")
    if not blocked or reach(view, stage)[0] <= least:
        return None
    if doubted is None:
        return Choice(
            "stop", reason=f"{', '.join(blocked)} cannot be moved, and nothing else makes up for it"
        )
    for event in reversed(view.alignment.events):
        if isinstance(event, MarkSeen):
            break
        if isinstance(event, Turn) and (event.mount, event.screw) == (doubted.mount, doubted.screw):
            return Choice("mark", place=Place(doubted.mount, last_position(view)), stage=doubted.mount)
    return Choice("turn", event=doubted, stage=doubted.mount, why="dead")


TELLS = 1 / 16  # of a turn, in one go: more than hand error and a screw's play together can hide


def _turned_most(view: View, mount: int, screw: str) -> float:
    """The largest turn of a screw so far, either way."""
    turns = [e for e in view.alignment.events if isinstance(e, Turn) and (e.mount, e.screw) == (mount, screw)]
    return max((abs(turn.turns) for turn in turns), default=0.0)


def _told_by(mixture: b.Mixture, k: int) -> float:
    """The signed turn that shows whether a screw works: back to where it was found, or TELLS onward."""
    net = mixture.net_turns[k]
    return -net if abs(net) >= 2 * TELLS else float(np.copysign(TELLS, mixture.onward[k]))


def last_look(view: View) -> Choice | None:
    """One more mark before the alignment is called done, if a fault is still possible and a mark can show it;
    None otherwise."""
    if sum(causes(view.mixture).values()) <= POLICY.late_suspect:
        return None
    place, unmasked, _ = _telling(view)
    return Choice("mark", place=place, why="fault") if unmasked > POLICY.late_suspect else None


def doubtful(view: View) -> Choice | None:
    """Repeat a pulse that cannot be trusted yet; None if the newest one can.

    A mark that nothing explains is made once more before it is used; so is the very first pulse if it left no
    mark. A blank at a place that had a mark, with nothing moved since, is repeated up to ``blanks_again``
    times; then a person is asked to inspect the mount.
    """
    events = view.alignment.events
    if not events or not isinstance(events[-1], MarkSeen | NoMark):
        return None
    newest, before = events[-1], events[-2] if len(events) > 1 else None
    place = Place(m.station_index(newest.station), nearest(view.profile, newest.head_mm))
    blanks = _blanks_since_mark(view)
    if sum(isinstance(event, MarkSeen | NoMark) for event in events) == 1 and missed(view):
        return Choice("mark", place=place, why="first")
    if 0 < blanks <= POLICY.blanks_again:
        return Choice("mark", place=place, why="blank")
    if blanks == POLICY.blanks_again + 1 and not _answers(view, "loose-mount"):
        return Choice("inspect", cause="loose-mount")
    again = type(before) is type(newest) and _spot(before) == _spot(newest)
    if again or not view.mixture.fresh_note:
        return None
    return Choice("mark", place=place, why="doubt" if isinstance(newest, MarkSeen) else "blank")


def _blanks_since_mark(view: View) -> int:
    """Number of blanks at the newest pulse's place since a mark there, nothing moved since; 0 without one."""
    count, newest = 0, view.alignment.events[-1]
    for event in reversed(view.alignment.events):
        if not isinstance(event, MarkSeen | NoMark | Difference):
            return 0
        if isinstance(event, NoMark):
            count += isinstance(newest, NoMark) and _spot(event) == _spot(newest)
        elif isinstance(newest, NoMark) and _spot(event) == _spot(newest):
            return count
    return 0


def _spot(pulse: MarkSeen | NoMark | Difference) -> tuple[str, Point]:
    return pulse.station, pulse.head_mm


def _answers(view: View, cause: str) -> list[str]:
    """Outcomes of the inspections for a cause since something was last fixed."""
    found: list[str] = []
    for event in view.alignment.events:
        if isinstance(event, Inspected):
            found = [] if event.outcome == "fixed" else found + [event.outcome] * (event.cause == cause)
    return found


def _harmful(view: View, cause: str) -> bool:
    """Whether the fault alone moves marks by more than the tolerance can spare."""
    if cause == "loose-mount":
        return True
    guilty = [i for i, f in enumerate(view.mixture.fault) if b.FAULTS[f] == cause]
    mean = view.mixture.mean[guilty[int(np.argmax(view.mixture.log_weight[guilty]))]]
    alone = np.zeros(m.SIZE)
    alone[m.RACK], alone[m.BOW] = mean[m.RACK], mean[m.BOW]
    overlap = o.numbers(o.everywhere(view.profile, alone[None]))[0, [1, 3]].max()
    return bool(overlap > POLICY.harm * view.profile.tolerance.overlap_mm)


def _telling(view: View) -> tuple[Place, float, float]:
    """Where a mark best separates the most probable explanation (a fault, or none) from the others.

    Returns the place, the probability that a mark there shows one of the others to be true, and the
    probability of the others.
    """
    mixture = view.mixture
    look = b.SEEN_AS[mixture.fault]
    heads = [int(np.argmax(np.where(look == f, mixture.log_weight, -np.inf))) for f in np.unique(look)]
    shares = np.array([mixture.weight[look == look[i]].sum() for i in heads])
    order = [
        int(i)
        for i in np.argsort(-shares, kind="stable")
        if shares[i] > POLICY.negligible or shares[i] == shares.max()
    ]
    heads, shares = [heads[i] for i in order], shares[order]
    some = b.take(mixture, np.array(heads), mixture.log_weight[heads])
    best = (Place(2, 4), 0.0)
    for place in _places(view):
        means, covs = _foretold(view, some, place)
        apart = [_divergence(means[0], covs[0], means[i], covs[i]) for i in range(1, len(heads))]
        unmasked = float(shares[1:] @ (1.0 - np.exp(-np.array(apart))))
        if unmasked > best[1]:
            best = (place, unmasked)
    return *best, float(shares[1:].sum())


def _places(view: View) -> list[Place]:
    """Places where a mark may show a fault and is probable: along both rails and at the nozzle.

    Only the nozzle shows a loose mirror 3. Places of the station where the card hangs now are also listed
    with the card hung again.
    """
    found: list[Place] = []
    for station, along in ((1, o.ALONG_Y), (2, range(o.BED)), (3, range(5))):
        seen = o.hits(view.profile, view.rays, station).mean(0)
        found += [Place(station, i) for i in along if seen[i] > POLICY.probable]
    if numbered(view):
        found += [replace(place, anew=True) for place in found if place.station == view.here]
    return found


def _foretold(view: View, some: b.Mixture, place: Place) -> tuple[Array, Array]:
    """(H, 2) and (H, 2, 2): mean and covariance of the mark that each hypothesis predicts at a place."""
    head = o.grid(view.profile)[place.position]
    jacobian = m.mark_jacobian(view.profile, some.mean, head, place.station)
    noise = pulse_noise(view.profile, some, jacobian, np.full(2, next_sigma(view) ** 2))
    noise = noise + scatter(view.profile, some, jacobian)
    mean = m.rays(view.profile, some.mean, head).offset_mm[:, place.station]
    if stays(view, place):
        jacobian[:, :, m.HANG] = m.hang_jacobian(mean)
        mean = m.on_card(mean, some.mean)
    else:
        noise = noise + np.einsum("h,ij->hij", some.hang_var(place.station), np.eye(2))
    return mean, jacobian @ some.cov @ jacobian.transpose(0, 2, 1) + noise


def _divergence(mean: Array, cov: Array, other: Array, other_cov: Array) -> float:
    """Half the sum of both Kullback–Leibler divergences of two Gaussians, at most 10."""
    gap = other - mean
    inverse, other_inverse = np.linalg.inv(cov), np.linalg.inv(other_cov)
    spread = np.trace(other_inverse @ cov + inverse @ other_cov) - 2 * len(mean)
    return float(min(0.25 * (spread + gap @ (inverse + other_inverse) @ gap), 10.0))


def lost(view: View) -> Choice | None:
    """After every ``lost_again`` blanks in a row: mark near where the beam was last seen, one place further
    out each time. None otherwise. It goes on as long as there are no marks."""
    events = view.alignment.events
    pulses = [e for e in events if isinstance(e, MarkSeen | NoMark)]
    marks = [i for i, e in enumerate(pulses) if isinstance(e, MarkSeen)]
    blanks = len(pulses) - 1 - marks[-1] if marks else 0
    if not blanks or blanks % POLICY.lost_again or not isinstance(events[-1], NoMark):
        return None
    seen = pulses[marks[-1]]
    apart = np.hypot(*(np.array(o.grid(view.profile)) - seen.head_mm).T)
    outwards = np.argsort(apart, kind="stable")
    position = int(outwards[(blanks // POLICY.lost_again - 1) % len(outwards)])
    return Choice("mark", place=Place(min(m.station_index(seen.station), 3), position), why="lost")

"""The next step: kept to the order of the chain, the one that is expected to cut the remaining work most."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide.faults import doubtful, exhausted, faulty, last_look
from server.solver.decide.move_choice import GAIN, WORTH, Move, adjustments, best_move, singles
from server.solver.decide.proof import nozzle_unproved, unproved, worked
from server.solver.decide.search import chances, remaining, search
from server.solver.decide.situation import (
    Choice,
    Place,
    View,
    after_moves,
    blank_places,
    closer,
    kind,
    last_position,
    mark_variance,
    marks_at,
    missed,
    numbered,
    probability,
    pulse_sd,
    seen_stations,
)
from server.solver.estimate import samples as o
from server.solver.events import Event
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS

Array = NDArray[Any]

# Probability at which a stage counts as finished, and the bed; at 1.5 × tolerance before it is called done.
PASS, SURE = (0.8, 0.8, 0.8, 0.9, 0.97), 0.985
ERRS = 0.05  # of a probability told by 256 machines: two sd of a binomial share of 0.8
ROUGH = 0.2  # readings beyond this × overlap tolerance are coarse: to be as sure would cost too many pulses
ROUGH_PASS, ROUGH_SURE = (0.85, 0.85, 0.85, 0.85, 0.82), 0.97
# A move waits for a mark that tells, along the way of the move, more than 1/CHANGED of what it takes away.
CHANGED, TINY = 10.0, 1e-9
# A mark that tells less (tolerances²) is not worth a pulse; but several coarse readings together may be, and
# any is where the stage is within tolerance with less than ALMOST probability.
NOTHING, ROUGH_NOTHING, ALMOST = 0.2, 0.01, 0.9
LITTLE = 0.1  # a mark that tells less than this (tolerances²) is hardly worth a pulse
CATCH = 0.35  # chance of a mark below which the beam is searched for
# What acts take a practised person, minutes: our own guesses (common practice, no source).
PULSE_MIN, HANG_MIN, WALK_MIN, LENS_OUT_MIN = 0.5, 1.0, 0.3, 4.0
# By eye a mark is chosen for what is at risk; weight of what surely is not, and the least risk that counts.
NO_RISK, RARE = 0.05, 1e-3
PROVES = 1.25  # a mark counts for so much more where one of the five positions is yet to be proved
ENOUGH, EVEN, BETTER = 0.9, 0.5, 0.1
HARDLY, TRY = 0.75, 0.2  # a bed this probably good is tried once more where a move has such a chance
PATIENCE = 150  # events after which hopeless work is stopped
UNLIKELY, ABOUT, CLOSER_BY = 0.8, 0.7, 0.95  # another try by eye: how unlikely, how good, how much nearer
LAST_WORTH = 0.05  # share of the rest for which a lever is added to a try, where that helps nowhere else
CHANCE = 0.15  # a move that brings a stage to its end with less probability is not worth a try


def choose(view: View) -> Choice:
    """The next step for a view."""
    for ask in (exhausted, doubtful, faulty):
        choice = ask(view)
        if choice is not None:
            return choice
    stage = next((s for s in range(5) if not settled(view, s)), 5)
    return _work(view, stage) if stage < 5 else _end(view)


def _end(view: View) -> Choice:
    """Done, once every station has shown a mark."""
    seen = seen_stations(view)
    for station, name in enumerate(STATIONS):
        if name not in seen:
            return Choice("mark", place=Place(station, last_position(view)), stage=min(station, 3))
    if nozzle_unproved(view):
        return Choice("mark", place=Place(3, last_position(view)), stage=3, why="moved")
    return last_look(view) or Choice("done")


def settled(view: View, stage: int) -> bool:
    """Whether a stage is finished: its own numbers are probably within tolerance, the bed's all together."""
    if stage < 4:
        first = o.STAGE_KEYS[stage - 1] if stage else 0
        good = (view.numbers[:, first : o.STAGE_KEYS[stage]] <= 1.0).all(1)
        return float(good.mean()) >= (ROUGH_PASS if rough(view) else PASS)[stage]
    # Asked after every mark, a probability that errs would sooner or later err far enough: judged on more,
    # wherever the few at hand may be wrong about it.
    return good_enough(view, spare=ERRS) and not unproved(view) and good_enough(closer(view))


def good_enough(view: View, *, spare: float = 0.0) -> bool:
    """Whether all is probably within tolerance, with that much less probability if need be: what is still to
    come is proof, and no touching up."""
    enough, sure = (ROUGH_PASS[4], ROUGH_SURE) if rough(view) else (PASS[4], SURE)
    return probability(view, 4) >= enough - spare and probability(view, 4, 1.5) >= sure - spare


def rough(view: View) -> bool:
    """Whether readings are so coarse that it takes many to be sure."""
    return pulse_sd(view) > ROUGH * view.profile.tolerance.overlap_mm


def _another_try(view: View, stage: int) -> Event | None:
    """A move about as probable to bring the stage within tolerance as it is to be so already; None where it
    probably is.

    What is well known and rather too far off takes many marks to be sure of; what a hand has just done takes
    few.
    """
    chance = probability(view, stage)
    if chance >= UNLIKELY:
        return None
    keys = slice(o.STAGE_KEYS[stage - 1] if stage else 0, o.STAGE_KEYS[stage])
    worst = (o.numbers(view.best) / o.limits(view.profile))[0, keys].max()
    best: tuple[float, Event | None] = (max(CHANCE, ABOUT * chance), None)
    for events in _sets(view, stage):
        meant = np.sum([worked(view, event) for event in events], axis=0)[None]
        there = o.numbers(o.pushed(view.best, view.jacobian, meant)) / o.limits(view.profile)
        if there[0, keys].max() < CLOSER_BY * worst:
            after = probability(after_moves(view, events), stage)
            best = max(best, (after, events[0]), key=lambda option: option[0])
    return best[1]


def _work(view: View, stage: int) -> Choice:
    """Mark or move: a move where it takes away much of the error that is expected, else the best mark."""
    places = candidates(view, stage)
    tells_of, risky, chance = worth(view, stage, places)
    own = [i for i, place in enumerate(places) if place.station == min(stage, 3) and not place.anew]
    here = remaining(view, min(stage, 3)) if missed(view) else None
    if here is not None:
        chance[own] = np.minimum(chance[own], chances(view, here[1], [places[i] for i in own]))
    empty = blank_places(view)
    chance = chance * np.array([(place.station, place.position) not in empty for place in places])
    to_prove = unproved(view) if stage >= 2 else []
    proves = np.array([PROVES if place in to_prove else 1.0 for place in places])
    good = (risky if rough(view) else tells_of) * chance**2 / np.sqrt([minutes(view, p) for p in places])
    best = int(np.argmax(good * proves))
    if chance[own].max() < CATCH:
        return search(view, stage, [places[i] for i in own], here)
    move = None if good_enough(view) else best_move(view, stage)
    tells = float(tells_of[best] * chance[best])
    if move is not None and _move_first(view, stage, move, places[best], tells):
        return Choice(kind(move.event), place=places[best], event=move.event, stage=stage)
    again = _another_try(view, stage) if tells < LITTLE and stage < 4 and rough(view) else None
    if again is not None:
        return Choice(kind(again), place=places[best], event=again, stage=stage)
    proof = to_prove if stage == 4 else []
    nothing = ROUGH_NOTHING if rough(view) or probability(view, stage) < ALMOST else NOTHING
    if tells < nothing and move is None and not proof:
        return _as_good_as_known(view, stage, places[best])
    if proof:
        best = max(range(len(places)), key=lambda i: (places[i] in proof, good[i]))
    return Choice("mark", place=places[best], stage=stage, why="proof" if places[best] in proof else "")


def _move_first(view: View, stage: int, move: Move, place: Place, tells: float) -> bool:
    """Whether to move before the mark at a place: the move takes away much and the mark would hardly change
    it, for what it tells lies in other directions; or it would hardly tell anything."""
    if tells < LITTLE:
        return True
    if move.gain <= GAIN:
        return False
    does = _does(view, stage, move.event)
    return float(does @ does) > CHANGED * _told_along(view, stage, does, place)


def _does(view: View, stage: int, event: Event) -> Array:
    """(L,) what a move does to a stage's error, in units of the tolerances."""
    slopes = o.metric_vectors(view.profile, view.jacobian, min(stage, 3))
    return np.asarray(worked(view, event)[: len(slopes)] @ slopes)


def _as_good_as_known(view: View, stage: int, place: Place) -> Choice:
    """No mark tells much and no move surely helps: take the best chance, else go on where it is probably
    good."""
    now = probability(view, stage)
    chance, event = _best_chance(view, stage) if now < ENOUGH else (0.0, None)
    if event is not None:
        # What is surely hardly good enough is tried again: a mark or two tells how it went.
        enough = TRY if now < HARDLY and not rough(view) else max(CHANCE, now + BETTER)
        if chance > enough:
            return Choice(kind(event), event=event, stage=stage)
    if now < EVEN and probability(view, stage, 1.5) < ENOUGH:
        if event is not None and chance > now:
            return Choice(kind(event), event=event, stage=stage)
        if len(view.alignment.events) < PATIENCE:
            return Choice("mark", place=place, stage=stage)
        return Choice(
            "stop", reason=f"no mark and no move from here makes {(*STATIONS, 'the bed')[stage]} better"
        )
    later = next((s for s in range(stage + 1, 5) if not settled(view, s)), 5)
    return _end(view) if later == 5 else _work(view, later)


def _best_chance(view: View, stage: int) -> tuple[float, Event | None]:
    """The move after which, with those that belong to it, the stage is most probably within tolerance."""
    best: tuple[float, Event | None] = (0.0, None)
    for events in _sets(view, stage):
        after = after_moves(view, events)
        best = max(best, (probability(after, stage), events[0]), key=lambda option: option[0])
    return best


def _sets(view: View, stage: int) -> list[list[Event]]:
    """Moves worth a try: each lever by itself, and those that together bring the stage to nil."""
    sets = [[event] for event in singles(view, stage)]
    for only in (False, True):
        for share in (WORTH, LAST_WORTH):
            events = adjustments(view, stage, screws_only=only, small=0.0, worth=share)
            if events and events not in sets:
                sets.append(events)
    return sets


def minutes(view: View, place: Place) -> float:
    """What a mark at a place takes: the pulse, before it hanging the card, the walk, taking the lens out."""
    stays = place.station == view.here and not place.anew
    walk = WALK_MIN * (place.position != last_position(view))
    return PULSE_MIN + walk + (0.0 if stays else HANG_MIN + LENS_OUT_MIN * (place.station == m.BELOW_AT))


def candidates(view: View, stage: int) -> list[Place]:
    """Where a mark could be made in a stage."""
    last = last_position(view)
    places = [Place(0, last)]
    if stage >= 1:
        places = [Place(1, i) for i in _reachable(view, 1, (0, 1), (5, 9))] + (places if stage < 2 else [])
    if stage >= 2:
        places += [Place(2, i) for i in _reachable(view, 2, range(5), range(5, 12))]
    if stage >= 3:
        places += [Place(3, i) for i in range(5)]
        places += [Place(m.BELOW_AT, 2)] if view.profile.lens.comes_out else []
    if numbered(view):
        places += [replace(place, anew=True) for place in places if place.station == view.here]
    return places


def _reachable(view: View, station: int, first: Iterable[int], others: Iterable[int]) -> list[int]:
    """Positions to mark at a station: the first ones, and others where all but those at one end of the leg
    would probably be missed."""
    chance = o.hits(view.profile, view.rays, station).mean(0)
    found = list(first)
    along = {o.GRID[i][2 - station] for i in found if chance[i] > 0.5}
    return found if len(along) >= 2 else [*found, *others]


def worth(view: View, stage: int, places: list[Place]) -> tuple[Array, Array, Array]:
    """For each place: how much of the stage's variance (tolerances²) a mark there takes away; the same, each
    part weighed by the risk that it is beyond its tolerance; chance of a mark."""
    vectors = o.metric_vectors(view.profile, view.rays, min(stage, 3))
    risk, vectors = _risk(vectors), vectors - vectors.mean(0)
    hit = {s: o.hits(view.profile, view.rays, s).mean(0) for s in {place.station for place in places}}
    gains, chance = [], []
    for place in places:
        told = _told(vectors, marks_at(view, place), mark_variance(view, place))
        gains.append((max(float(told.sum()), 0.0), max(float(risk @ told), 0.0)))
        chance.append(float(hit[place.station][place.position]))
    tells_of, risky = np.array(gains).T
    return tells_of, risky, np.array(chance)


def _told(vectors: Array, mark: Array, noise: float) -> Array:
    """(L,) variance of each of (M, L) numbers, taken from their mean, that a mark takes away; mark : (M, 2)
    mm, where each machine makes it; noise : variance of its reading, mm².

    Machines drawn by chance seem to hang together a little where they do not: what that alone makes a mark
    tell, (variance of the marks that stands out of the noise) × the number's variance ÷ the pairs drawn, is
    taken off.
    """
    by_chance = (vectors * vectors).mean(0) / (len(vectors) / 2)
    mark = mark - mark.mean(0)
    shared = vectors.T @ mark / len(mark)
    spread = mark.T @ mark / len(mark)
    inverse = np.linalg.inv(spread + noise * np.eye(2))
    return np.asarray(((shared @ inverse) * shared).sum(1) - by_chance * float((inverse * spread).sum()))


def _told_along(view: View, stage: int, way: Array, place: Place) -> float:
    """Variance of a stage's error along a way, (L,) of any length, that a mark at a place takes away."""
    along = o.metric_vectors(view.profile, view.rays, min(stage, 3)) @ way / max(np.linalg.norm(way), TINY)
    told = _told((along - along.mean())[:, None], marks_at(view, place), mark_variance(view, place))
    return float(told[0])


def _risk(vectors: Array) -> Array:
    """(L,) how probably each part of a stage's error, a pair (u, v), is beyond what it may be, beside the
    one that most probably is; vectors : (M, L), as from metric_vectors."""
    pairs = vectors.reshape(len(vectors), -1, 2)
    beyond = (np.hypot(pairs[..., 0], pairs[..., 1]) > o.AT_MOST[: pairs.shape[1]]).mean(0)
    return np.repeat(NO_RISK + beyond / max(float(beyond.max()), RARE), 2)

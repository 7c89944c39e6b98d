"""The next step: in the first unfinished stage of the chain, the option with the greatest benefit.

Each stage lists its options, each a `Choice` with its expected benefit (tolerances²): the best mark for its
minutes, the best set of moves, another try. The option with the greatest benefit is taken; if none has any,
`_last_resort` decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.faults import doubtful, faulty, helpless, last_look, lost
from server.solver.decide.left_right import exchanged
from server.solver.decide.move_choice import (
    Move,
    adjustments,
    along_normal,
    best_move,
    pose,
    singles,
)
from server.solver.decide.policy import POLICY
from server.solver.decide.proof import unproved, unseen, worked
from server.solver.decide.search import chances, remaining, search
from server.solver.decide.situation import (
    Choice,
    Place,
    View,
    after_moves,
    blank_places,
    closer,
    hang_sd,
    kind,
    last_position,
    mark_variance,
    marks_at,
    missed,
    next_sigma,
    numbered,
    probability,
    pulse_sd,
    seen_stations,
)
from server.solver.estimate import samples as o
from server.solver.events import Event, MarkSeen, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS

Array = NDArray[Any]

TINY = 1e-9


@dataclass(frozen=True)
class Option:
    """What could be done next; ``brings``: its benefit, the error (tolerances²) that it should remove."""

    choice: Choice
    brings: float


@dataclass(frozen=True)
class Mark:
    """A mark that could be made.

    tells : variance (tolerances²) that it is expected to remove. weight : the figure by which marks are
    compared: the same with risk (coarse readings) and proof counted, over the square root of its minutes.
    """

    place: Place
    tells: float
    weight: float


def choose(view: View) -> Choice:
    """The next step for a view."""
    choice = _along_chain(view)
    place, plain = choice.place, choice.do == "mark" and not choice.why
    moved = any(isinstance(event, Turn | Shift) for event in view.alignment.events[-1:])
    here = place is not None and place.station == view.here == 3
    # Where readings are coarse, a further mark at the end is worth its pulse.
    if plain and moved and place and here and not rough(view) and _hung_once(view, STATIONS[3:]):
        return replace(choice, place=replace(place, anew=True), why="hung")
    return choice


def _along_chain(view: View) -> Choice:
    """The best option in the first stage that is not settled; else what is left to prove, or done."""
    for ask in (exchanged, lost, doubtful, faulty):
        choice = ask(view)
        if choice is not None:
            return choice
    for stage in range(len(POLICY.within)):
        if not settled(view, stage):
            choice = helpless(view, max(stage, _last_seen(view))) or _work(view, stage)
            if choice is not None:
                return choice
    return _end(view)


def _end(view: View) -> Choice:
    """Done, unless a station still needs a mark, a card a second hanging, or a fault a last look."""
    seen = seen_stations(view)
    for station, name in enumerate(STATIONS):
        if name not in seen:
            return Choice("mark", place=Place(station, last_position(view)), stage=min(station, 3))
    moved = unseen(view)
    if moved is not None:
        return Choice("mark", place=Place(moved, last_position(view)), stage=moved, why="moved")
    return _hung_again(view) or last_look(view) or Choice("done")


def _hung_again(view: View) -> Choice | None:
    """A mark on a card that is hung anew, if the nozzle, or each of the mirrors, has had only one hanging;
    None otherwise.

    With one hanging, all marks may agree and still be off by as much as cards hang off. At the nozzle, the
    first mark after a move is made on a card hung anew, which saves a pulse at the end.
    """
    for station, names in ((3, STATIONS[3:]), (2, STATIONS[:3])):
        if _hung_once(view, names):
            place = Place(station, last_position(view), anew=view.here == station)
            return Choice("mark", place=place, stage=3, why="hung")
    return None


def _hung_once(view: View, names: Sequence[str]) -> bool:
    """Whether no more than one numbered hanging of a card has shown a mark at any of some stations."""
    hung = {(e.station, e.hanging) for e in view.alignment.events if isinstance(e, MarkSeen)}
    again = Counter(station for station, _ in hung)
    return numbered(view) and max(again[name] for name in names) < 2


def settled(view: View, stage: int) -> bool:
    """Whether a stage is finished: its own numbers are probably within tolerance, the bed's all together."""
    if stage < 4:
        good = (view.numbers[:, _own_numbers(stage)] <= 1.0).all(1)
        return float(good.mean()) >= (POLICY.coarse_within if rough(view) else POLICY.within)[stage]
    # This is asked after every mark, so a sampling error would sooner or later be large enough to pass.
    # Wherever the few machines at hand may be wrong, it is judged again on many more.
    return good_enough(view, spare=POLICY.sampling) and not unproved(view) and good_enough(closer(view))


def _own_numbers(stage: int) -> slice:
    """Which of the verdict's numbers a stage adds to those before."""
    return slice(o.STAGE_KEYS[stage - 1] if stage else 0, o.STAGE_KEYS[stage])


def good_enough(view: View, *, spare: float = 0.0) -> bool:
    """Whether everything is probably within tolerance, so that only proof is missing and nothing is moved
    any more; ``spare`` is taken off the probabilities required."""
    enough, sure = POLICY.within[4], POLICY.surely
    if rough(view):
        enough = POLICY.hung_within if hang_sd(view, 3) > pulse_sd(view) else POLICY.coarse_within[4]
        sure = POLICY.coarse_surely
    return probability(view, 4) >= enough - spare and probability(view, 4, 1.5) >= sure - spare


def rough(view: View) -> bool:
    """Whether readings are so coarse that it takes many to be sure."""
    return pulse_sd(view) > POLICY.coarse * view.profile.tolerance.overlap_mm


def _work(view: View, stage: int) -> Choice | None:
    """The best option in a stage; None where nothing is left to do in it."""
    places = candidates(view, stage)
    own = [place for place in places if place.station == min(stage, 3) and not place.anew]
    here = remaining(view, min(stage, 3)) if missed(view) else None
    marks, seen = _marks(view, stage, places, None if here is None else chances(view, here[1], own))
    if max(seen[place] for place in own) < POLICY.catch:
        return _brought_back(view, stage) or search(view, stage, own, here)
    mark = max(marks, key=lambda one: one.weight)
    turn = along_normal(view, max(stage, _last_seen(view))) if mark.tells < POLICY.little else None
    if turn is not None:
        return _move(turn, stage, mark)
    move = None if good_enough(view) else _worth_moving(view, stage, mark)
    options = [_marked(view, stage, marks, mark)]
    if move is not None:
        again = _once_more(view, move.event)
        if again is not None:
            return Choice("mark", place=again, stage=stage, why="long")
        options.append(_moved(view, stage, move, mark))
    elif mark.tells < POLICY.little and stage < 4 and rough(view):
        options += [Option(_move(event, stage, mark), POLICY.little) for event in _another_try(view, stage)]
    best = max(options, key=lambda option: option.brings)
    return best.choice if best.brings > 0.0 else _last_resort(view, stage, mark.place)


def _worth_moving(view: View, stage: int, mark: Mark) -> Move | None:
    """The best move, or None. With coarse readings, half of an offset is reading error, and each move adds a
    hand's error: while a mark still tells something, a move must make the stage clearly more probable."""
    last = max(stage, _last_seen(view))
    move = best_move(view, last)
    if move is None or not rough(view) or mark.tells < POLICY.coarse_nothing:
        return move
    now = probability(view, last)
    far = now < POLICY.coarse_far
    better = now + POLICY.coarse_better
    return move if far or probability(after_moves(view, move.events), last) > better else None


def _brought_back(view: View, stage: int) -> Choice | None:
    """The next turn, if the last one has begun to move a mirror along its normal; None otherwise."""
    begun = any(isinstance(event, Turn) for event in view.alignment.events[-1:])
    if not begun or mv.bases_move(view.profile, view.mixture, stage):
        return None
    move = best_move(view, stage)
    return _move(move.event, stage) if move is not None and move.gain > POLICY.gain else None


def _marks(
    view: View, stage: int, places: list[Place], now: Array | None
) -> tuple[list[Mark], dict[Place, float]]:
    """All marks that could be made, and the probability that a pulse leaves a mark at each place.

    now : after a blank, the most that this probability can be at the stage's own station; else None.
    """
    tells, risky, chance = worth(view, stage, places)
    own = [i for i, place in enumerate(places) if place.station == min(stage, 3) and not place.anew]
    if now is not None:
        chance[own] = np.minimum(chance[own], now)
    empty = blank_places(view)
    chance = chance * np.array([(place.station, place.position) not in empty for place in places])
    left = unproved(view) if stage >= 2 else []
    weight = (risky if rough(view) else tells) * chance**2
    weight = weight * [POLICY.proves if place in left else 1.0 for place in places]
    weight = weight / np.sqrt([minutes(view, place) for place in places])
    marks = [Mark(*one) for one in zip(places, (tells * chance).tolist(), weight.tolist(), strict=True)]
    return marks, dict(zip(places, chance.tolist(), strict=True))


def _marked(view: View, stage: int, marks: list[Mark], mark: Mark) -> Option:
    """The mark as an option. Its benefit is zero if it tells next to nothing; but in the last stage, a
    position that still needs proof is marked whatever it tells."""
    left = unproved(view) if stage == 4 else []
    if left:
        proof = max(marks, key=lambda one: (one.place in left, one.weight))
        return Option(Choice("mark", place=proof.place, stage=stage, why="proof"), max(mark.tells, TINY))
    now = probability(view, stage)
    sure = not rough(view) and max(now, 1.0 - now) >= POLICY.as_good_as_done
    least = POLICY.nothing if sure else POLICY.coarse_nothing
    brings = mark.tells if mark.tells >= least else 0.0
    return Option(Choice("mark", place=mark.place, stage=stage), brings)


def _last_seen(view: View) -> int:
    """The last stage whose station has had a mark: moves are valued on everything seen so far."""
    seen = seen_stations(view)
    return max((i for i, name in enumerate(STATIONS) if name in seen), default=0)


def _moved(view: View, stage: int, move: Move, mark: Mark) -> Option:
    """The move as an option. It goes before the mark if the mark would hardly change it: if what the mark
    tells along the move's direction is little against what the move does."""
    change = _change(view, stage, move.event)
    removed = _removed_along(view, stage, change, mark.place)
    first = move.gain > POLICY.gain and float(change @ change) > POLICY.changed * removed
    brings = max(POLICY.little, 2.0 * mark.tells if first else 0.0)
    return Option(_move(move.event, stage, mark), brings)


def _once_more(view: View, event: Event) -> Place | None:
    """Where to make a second mark before a long shift that rests on a single one, which may be misread."""
    if not isinstance(event, Shift) or np.hypot.reduce(event.move_mm) <= POLICY.long_shift_mm:
        return None
    first = 0 if event.part.startswith("tube") else int(event.part[-1]) - 1
    shows: list[int] = []
    for past in reversed(view.alignment.events):
        if isinstance(past, Shift) and (past.part == event.part or (first == 0 and past.part[:4] == "tube")):
            break
        if isinstance(past, MarkSeen) and m.station_index(past.station) >= first:
            shows.append(m.station_index(past.station))
    return Place(shows[0], last_position(view)) if len(shows) == 1 else None


def _move(event: Event, stage: int, mark: Mark | None = None) -> Choice:
    return Choice(kind(event), place=mark.place if mark else None, event=event, stage=stage)


def _change(view: View, stage: int, event: Event) -> Array:
    """(L,) change of a stage's error by a move, in units of the tolerances."""
    slopes = o.metric_vectors(view.profile, view.jacobian, min(stage, 3))
    return np.asarray(worked(view, event)[: len(slopes)] @ slopes)


def _another_try(view: View, stage: int) -> list[Event]:
    """A list of one move after which the stage is more probably within tolerance than now; empty if there is
    none, or if the stage probably is within tolerance.

    An error that is well known and close to its limit takes many marks to judge; a new move takes few.
    """
    chance = probability(view, stage)
    if chance >= POLICY.coarse_try:
        return []
    keys = _own_numbers(stage)
    worst = o.ratios(view.profile, view.best)[0, keys].max()
    found: list[tuple[float, Event]] = []
    for events in _sets(view, stage):
        meant = np.sum([worked(view, event) for event in events], axis=0)[None]
        there = o.ratios(view.profile, o.pushed(view.best, view.jacobian, meant))
        if there[0, keys].max() < POLICY.coarse_closer * worst:
            found.append((probability(after_moves(view, events), stage), events[0]))
    after, event = max(found, key=lambda one: one[0], default=(0.0, None))
    return [event] if event and after > max(POLICY.chance, chance + POLICY.sampling) else []


def _last_resort(view: View, stage: int, place: Place) -> Choice | None:
    """The choice if no mark tells much and no move surely helps: the move with the best chance; None, to go
    on with the next stage, if this one is probably good."""
    now = probability(view, stage)
    if now >= POLICY.enough:
        return None
    after = [(probability(after_moves(view, events), stage), events[0]) for events in _sets(view, stage)]
    chance, event = max(after, key=lambda one: one[0], default=(0.0, None))
    # With fine readings, a stage that is not good enough is tried again: a mark or two show the result.
    again = now < POLICY.hardly and not rough(view)
    least = POLICY.try_again if again else max(POLICY.chance, now + POLICY.better)
    # Later stages may still correct this one, but no stage follows the bed.
    last = stage == len(POLICY.within) - 1
    hopeless = now < POLICY.even and (last or probability(view, stage, 1.5) < POLICY.enough)
    if event is not None and chance > (min(least, now + POLICY.sampling) if hopeless else least):
        return _move(event, stage)
    if not hopeless:
        return None
    turn = along_normal(view, max(stage, _last_seen(view)), least=0.0)
    if turn is not None:
        return _move(turn, stage)
    stop = helpless(view, stage, least=0.0)
    if stop is None and event is not None and chance > 0.0:
        return _move(event, stage)  # a small chance, but one more mark has none
    return stop or _given_up(view) or Choice("mark", place=place, stage=stage)


def _given_up(view: View) -> Choice | None:
    """Stop if several marks since the last move have shown nothing else to move; None otherwise."""
    events = view.alignment.events
    moved = max((i for i, event in enumerate(events) if not isinstance(event, MarkSeen)), default=-1)
    if len(events) - 1 - moved < POLICY.marks_again:
        return None
    return Choice("stop", reason="nothing that can still be moved brings the beam within tolerance")


def _sets(view: View, stage: int) -> list[list[Event]]:
    """Sets of moves worth a try: each lever alone, and those that together bring the error to zero."""
    problem = pose(view, stage, small=0.0)
    sets = [[event] for event in singles(pose(view, stage))]
    for only, share in product((False, True), (POLICY.lever_worth, POLICY.last_worth)):
        sets.append(adjustments(problem, screws_only=only, worth=share))
    return [events for events in sets if events]


def minutes(view: View, place: Place) -> float:
    """Minutes for a mark at a place: the pulse and, if needed, hanging the card, the walk, the lens."""
    stays = place.station == view.here and not place.anew
    walk = POLICY.walk_min * (place.position != last_position(view))
    return (
        POLICY.pulse_min
        + walk
        + (0.0 if stays else POLICY.hang_min + POLICY.lens_out_min * (place.station == m.BELOW_AT))
    )


def candidates(view: View, stage: int) -> list[Place]:
    """Where a mark could be made in a stage."""
    last = last_position(view)
    places = [Place(0, last)]
    if stage >= 1:
        # At the end mirror 1 may again be the least known, since its card may have hung only once.
        fine = next_sigma(view) <= POLICY.coarse * view.profile.tolerance.overlap_mm
        first = places if stage < 2 or (stage == 4 and fine) else []
        places = [Place(1, i) for i in _reachable(view, 1, (0, 1), (5, 9))] + first
    if stage >= 2:
        places += [Place(2, i) for i in _reachable(view, 2, range(5), range(5, 12))]
    if stage >= 3:
        places += [Place(3, i) for i in range(5)]
        places += [Place(m.BELOW_AT, 2)] if view.profile.lens.comes_out else []
    if numbered(view):
        places += [replace(place, anew=True) for place in places if place.station == view.here]
    return places


def _reachable(view: View, station: int, first: Iterable[int], others: Iterable[int]) -> list[int]:
    """Positions to mark at a station: ``first``, and ``others`` if only one end of the leg probably shows
    marks there."""
    chance = o.hits(view.profile, view.rays, station).mean(0)
    found = list(first)
    along = {o.GRID[i][2 - station] for i in found if chance[i] > 0.5}
    return found if len(along) >= 2 else [*found, *others]


def worth(view: View, stage: int, places: list[Place]) -> tuple[Array, Array, Array]:
    """Three (P,), for each place: the variance of the stage's error (tolerances²) that a mark there removes;
    the same, each part weighted by the risk that it is beyond its tolerance; the probability of a mark."""
    vectors = o.metric_vectors(view.profile, view.rays, min(stage, 3))
    risk, vectors = _risk(vectors), vectors - vectors.mean(0)
    hit = {s: o.hits(view.profile, view.rays, s).mean(0) for s in {place.station for place in places}}
    gains, chance = [], []
    for place in places:
        removed = _removed(vectors, marks_at(view, place), mark_variance(view, place))
        gains.append((max(float(removed.sum()), 0.0), max(float(risk @ removed), 0.0)))
        chance.append(float(hit[place.station][place.position]))
    tells_of, risky = np.array(gains).T
    return tells_of, risky, np.array(chance)


def _removed(vectors: Array, mark: Array, noise: float) -> Array:
    """(L,) variance of each number that a mark removes.

    vectors : (M, L) the numbers less their mean; mark : (M, 2) mm, where each machine makes the mark; noise :
    variance of its reading, mm².

    In a random sample, independent numbers seem a little correlated. What a mark would tell by that alone is
    subtracted: the number's variance ÷ the pairs drawn, for each axis times the share of the marks' variance
    that is not noise.
    """
    by_chance = (vectors * vectors).mean(0) / (len(vectors) / 2)
    mark = mark - mark.mean(0)
    shared = vectors.T @ mark / len(mark)
    spread = mark.T @ mark / len(mark)
    inverse = np.linalg.inv(spread + noise * np.eye(2))
    return np.asarray(((shared @ inverse) * shared).sum(1) - by_chance * float((inverse * spread).sum()))


def _removed_along(view: View, stage: int, way: Array, place: Place) -> float:
    """Variance of a stage's error along ``way``, (L,) of any length, that a mark at a place removes."""
    along = o.metric_vectors(view.profile, view.rays, min(stage, 3)) @ way / max(np.linalg.norm(way), TINY)
    removed = _removed((along - along.mean())[:, None], marks_at(view, place), mark_variance(view, place))
    return float(removed[0])


def _risk(vectors: Array) -> Array:
    """(L,) weight of each part of a stage's error, a pair (u, v), by its risk: the probability that it is
    beyond its limit, relative to the largest such probability; vectors : (M, L), from metric_vectors."""
    pairs = vectors.reshape(len(vectors), -1, 2)
    beyond = (np.hypot(pairs[..., 0], pairs[..., 1]) > o.AT_MOST[: pairs.shape[1]]).mean(0)
    return np.repeat(POLICY.no_risk + beyond / max(float(beyond.max()), POLICY.least_risk), 2)

"""Choose a move: a small set that together brings a stage's error to zero, valued on drawn machines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import View, after_moves, apart, probability
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.events import Event, Shift, Turn
from server.solver.machine import model as m

Array = NDArray[Any]

Moves = list[tuple[mv.Lever, Array]]  # levers, and how far each: turns, or mm

LAWSON, TINY = 30, 1e-6  # rounds of Lawson's algorithm; least factor of a weight in one round


@dataclass(frozen=True)
class Move:
    """A set of moves, what share of the expected error it takes away, and its effort (a turn is 1)."""

    events: list[Event]
    gain: float
    effort: float

    @property
    def event(self) -> Event:
        """The move to make now."""
        return self.events[0]


def best_move(view: View, stage: int) -> Move | None:
    """The set of moves that brings the stage's error to zero, or the single best; None if none helps.

    The best of many options partly wins because it happens to suit the machines that it was valued on (the
    winner's curse). So its gain is computed on other machines than those that chose it.
    """
    some, others = apart(view)
    move = _chosen(some, stage)
    move = move and _weighed(_now(others, stage), move.events)
    return move if move and move.gain > POLICY.least_gain else None


def _chosen(view: View, stage: int) -> Move | None:
    now, problem = _now(view, stage), pose(view, stage)
    sets: list[list[Event]] = []
    for screws_only, fine in product((False, True), (True, False)):
        events = adjustments(problem, screws_only=screws_only, fine=fine)
        if events and events not in sets:
            sets.append(events)
    needed = [_needed(now, events) for events in sets]
    best = max(needed, key=lambda move: move.gain - POLICY.effort * move.effort, default=None)
    if best is not None and best.gain > POLICY.gain:
        return best
    moves = [_weighed(now, [event]) for event in singles(problem)]
    return max(moves, key=lambda move: move.gain, default=None)


@dataclass(frozen=True)
class _Now:
    """The state before a move, against which moves are valued."""

    view: View
    stage: int
    caps: Array
    cost: float
    probability: float


def _now(view: View, stage: int) -> _Now:
    caps = 2.0 * np.maximum(np.median(view.numbers, axis=0), 5.0)
    return _Now(view, stage, caps, cost(view, stage, caps), probability(view, stage))


def _needed(now: _Now, events: list[Event]) -> Move:
    """The set without the moves that add hardly anything; the first of the rest is the one to make now."""
    move = _weighed(now, events)
    while len(events) > 1:
        fewer = [events[:i] + events[i + 1 :] for i in range(len(events))]
        weighed = [_weighed(now, some) for some in fewer]
        best = max(range(len(fewer)), key=lambda i: weighed[i].gain)
        if weighed[best].gain < move.gain - POLICY.spare:
            break
        events, move = fewer[best], weighed[best]
    return move


def _weighed(now: _Now, events: list[Event]) -> Move:
    """A few moves with their joint gain and effort."""
    after = after_moves(now.view, events)
    drop = now.cost - cost(after, now.stage, now.caps)
    better = probability(after, now.stage) - now.probability
    share = drop / now.cost if drop > POLICY.much else 0.0
    effort = sum(1.0 if isinstance(event, Turn) else POLICY.effort_shift for event in events)
    return Move(events, max(2.0 * better, share), effort)


def cost(view: View, stage: int, caps: Array) -> float:
    """Expected squared error of a stage's numbers, in units of the tolerances, each at most its cap."""
    count = o.STAGE_KEYS[stage]
    over = np.maximum(view.numbers[:, :count] - POLICY.good, 0.0)
    return float((np.minimum(over, caps[:count]) ** 2).sum(1).mean())


@dataclass(frozen=True)
class Problem:
    """A stage's error at the best hypothesis, and how each lever that moves changes it."""

    view: View
    levers: list[mv.Lever]
    columns: list[Array]  # for each lever, (n,) its columns of design
    residual: Array  # (L,) the error, in units of the tolerances
    design: Array  # (L, N) change of the error by each number of each lever
    gram: Array  # (N, N) design.T @ design
    pull: Array  # (N,) design.T @ residual
    errs: Array  # (N,) the error squared that one unit of a hand's error in each number adds
    coarse: Array  # (N,) variance that hand error adds even for the smallest move
    far: Array  # (N,) cost per square of each number

    @property
    def error(self) -> float:
        """The error squared."""
        return float(self.residual @ self.residual)

    def ended(self, i: int, amount: Array) -> bool:
        """Whether lever i comes to its end before half of an amount."""
        return mv.ended(self.view.profile, self.view.mixture, self.levers[i], amount)


def pose(view: View, stage: int, small: float | None = None) -> Problem:
    """The problem of bringing a stage's error to zero with levers not moved since the last pulse, and without
    a part that has just been moved to and fro."""
    least = POLICY.small if small is None else small
    return _posed(view, stage, _moved_since_mark(view) | _to_and_fro(view), least, POLICY.lens)


def _posed(view: View, stage: int, used: set[str], small: float, lens: float) -> Problem:
    profile, mixture, known = view.profile, view.mixture, min(stage, 3)
    residual = _beyond_small(o.metric_vectors(profile, view.best, known, lens)[0], small)
    slopes = o.metric_vectors(profile, view.jacobian, known, lens).T  # they are linear in the offsets
    ways = [(lever, mv.direction(profile, mixture, lever)[: m.OPTICS]) for lever in mv.levers(profile, known)]
    ways = [(lever, way) for lever, way in ways if lever.name(profile) not in used and way.any()]
    levers, moves = [lever for lever, _ in ways], [way for _, way in ways]
    sizes = [move.shape[1] for move in moves]
    columns = np.split(np.arange(sum(sizes)), np.cumsum(sizes)[:-1]) if levers else []
    design = slopes @ np.hstack(moves) if levers else np.zeros((len(residual), 0))
    errs = np.square(design).sum(0)
    at = {lever.part: some for lever, some in zip(levers, columns, strict=True)}
    if "tube" in at:  # the hand's errors at its two ends are independent
        errs[at["tube"]] = errs[at["tube-exit"]] + errs[at["tube-far"]]
    hand = [b.HAND_TURNS if lever.is_screw else b.SHIFT_HAND for lever in levers]
    far = [POLICY.per_turn if lever.is_screw else POLICY.per_mm for lever in levers]
    return Problem(
        view, levers, columns, residual, design, design.T @ design, design.T @ residual, errs,
        errs * np.repeat(np.square(hand), sizes), np.repeat(far, sizes),
    )  # fmt: skip


def adjustments(
    problem: Problem,
    *,
    screws_only: bool = False,
    fine: bool = False,
    worth: float = POLICY.lever_worth,
) -> list[Event]:
    """A small set of moves that together bring the stage's error to zero, the most upstream first.

    Orthogonal matching pursuit: the lever that removes most error for its effort is added to the set, until
    the rest is small or no lever removes a share of it that is ``worth`` its effort. The hand's relative
    error is part of the cost. With ``fine``, so is its constant error, which a smaller move does not reduce:
    near the end this favours the lever with the least error. A screw that is wanted beyond its end is left
    out, and the set is found again without it.
    """
    allowed = [i for i, lever in enumerate(problem.levers) if lever.is_screw or not screws_only]
    while True:
        chosen, amounts = _pursued(problem, allowed, fine, worth)
        ended = [i for i, some in _each(problem, chosen, amounts) if problem.ended(i, some)]
        if not ended:
            return _ordered(problem, chosen, amounts)
        allowed = [i for i in allowed if i not in ended]


def _pursued(problem: Problem, allowed: list[int], fine: bool, worth: float) -> tuple[tuple[int, ...], Array]:
    """The levers of the set in the order found, and the amounts of all their numbers."""
    levers = problem.levers
    chosen: tuple[int, ...] = ()
    now, amounts = problem.error, np.zeros(0)
    while now > POLICY.rest and len(chosen) < POLICY.most_levers:
        free = [
            i for i in allowed if i not in chosen and not any(_same(levers[i], levers[j]) for j in chosen)
        ]
        solved = _solved(problem, [(*chosen, i) for i in free], fine)
        gains = {some: (now - left) / levers[some[-1]].effort for some, (left, _) in solved.items()}
        best = max(gains, key=lambda some: gains[some], default=())
        if not best or gains[best] < worth * now:
            break
        chosen, (now, amounts) = best, solved[best]
    return chosen, amounts


def _each(problem: Problem, chosen: tuple[int, ...], amounts: Array) -> Iterator[tuple[int, Array]]:
    """Each lever of a set with its own amounts."""
    ends = np.cumsum([len(problem.columns[i]) for i in chosen])[:-1]
    return zip(chosen, np.split(amounts, ends), strict=True) if chosen else iter(())


def _beyond_small(residual: Array, small: float) -> Array:
    """The part of a stage's error that is worth a move: each (u, v) shortened by ``small``, in tolerances."""
    pairs = residual.reshape(-1, 2)
    length = np.hypot(*pairs.T)[:, None]
    return np.asarray(pairs * np.maximum(0.0, 1.0 - small / np.maximum(length, small + 1e-9))).reshape(-1)


def _moved_since_mark(view: View) -> set[str]:
    """Names of what was moved since the last pulse; its hand error must be measured before it moves again."""
    used: set[str] = set()
    for event in reversed(view.alignment.events):
        if not isinstance(event, Turn | Shift):
            break
        used |= _names(event)
    return used


def _to_and_fro(view: View) -> set[str]:
    """The names of the part of which the last two moves went one way and back; empty where they were others.

    A third move would most probably go the first way again: what is wrong lies elsewhere, or is smaller than
    a hand's error. The supply is off for each of these moves.
    """
    moves = [event for event in view.alignment.events if isinstance(event, Turn | Shift)]
    match moves[-2:]:
        case [Shift() as there, Shift() as back] if _names(there) == _names(back):
            first, last = np.array(there.move_mm), np.array(back.move_mm)
            if -first @ last > POLICY.back * (first @ first):
                return _names(back)
    return set()


def _names(event: Turn | Shift) -> set[str]:
    """The names of the levers that a move has used: of all three of the tube, if it was one of them."""
    if isinstance(event, Turn):
        return {f"{event.mount}:{event.screw}"}
    return {"tube", "tube-exit", "tube-far"} if event.part.startswith("tube") else {event.part}


def singles(problem: Problem) -> list[Event]:
    """For each lever that reduces the error by itself: the moves nearest to the best that a hand can make."""
    alone = _solved(problem, [(i,) for i in range(len(problem.levers))], fine=False)
    found: list[Event] = []
    for i, lever in enumerate(problem.levers):
        left, amount = alone[(i,)]
        if left < 0.9 * problem.error:
            found += mv.as_events(problem.view.profile, problem.view.mixture, lever, amount)
    return found


def reach(view: View, stage: int, *, along: bool = True) -> tuple[float, Moves]:
    """The smallest worst error of a stage that all movable levers can reach without hand error, and how.

    The error is in units of what it may be. It is found by least squares whose weights grow where the error
    is worst (Lawson's algorithm: Lawson & Hanson, Solving Least Squares Problems, 1974, ch. 26). Without
    ``along``, no mirror is moved along its normal: one of its three screws stays.
    """
    problem = _posed(view, stage, set(), small=0.0, lens=o.HALVED)
    kept = tuple(i for i, lever in enumerate(problem.levers) if along or lever.contact < 2)
    while True:
        left, moves = _reached(problem, kept)
        ended = [i for i, some in moves if problem.ended(i, some)]
        if not ended:
            return left, [(problem.levers[i], some) for i, some in moves]
        kept = tuple(i for i in kept if i not in ended)


def _reached(problem: Problem, kept: tuple[int, ...]) -> tuple[float, list[tuple[int, Array]]]:
    """The smallest worst error that some levers can reach, and how far each is moved."""
    columns = np.concatenate([problem.columns[i] for i in kept])
    design, damped = problem.design[:, columns], np.diag(np.sqrt(problem.far[columns]))
    weight, aim = np.ones(len(design) // 2), np.concatenate([problem.residual, np.zeros(len(columns))])
    for _ in range(LAWSON):
        root = np.concatenate([np.repeat(np.sqrt(weight), 2), np.ones(len(columns))])
        amounts = np.linalg.lstsq(root[:, None] * np.vstack([design, damped]), -root * aim, rcond=None)[0]
        left = np.hypot(*(problem.residual + design @ amounts).reshape(-1, 2).T) / o.AT_MOST[: len(weight)]
        weight = weight * np.maximum(left, TINY)
        weight = weight / weight.max()
    return float(left.max()), list(_each(problem, kept, amounts))


def along_normal(view: View, stage: int, least: float = POLICY.within_reach) -> Event | None:
    """The first of the turns that move a mirror along its normal, or None.

    They are made only if a base does not move, a stage's worst error stays above ``least`` (in units of what
    it may be) without them, and they bring it within what it may be. The turn of the first screw moves the
    beam away, and only the turns of the other two bring it back: the first is never worth a step by itself.
    """
    if mv.bases_move(view.profile, view.mixture, stage) or reach(view, stage, along=False)[0] <= least:
        return None
    left, moves = reach(view, stage)
    risen = np.zeros((3, 3))  # mount, contact: mm
    turns: dict[int, list[Event]] = {1: [], 2: [], 3: []}
    for lever, amount in moves:
        if lever.is_screw:
            way = mv.direction(view.profile, view.mixture, lever)[m.contact_at(lever.mount), 0]
            risen[lever.mount - 1] += way * amount
            turns[lever.mount] += mv.as_events(view.profile, view.mixture, lever, amount)[:1]
    alike = np.abs(risen).min(1) * (np.abs(np.sign(risen).sum(1)) == risen.shape[1])
    mount = int(np.argmax(alike)) + 1
    helps = left <= 1.0 and alike.max() >= POLICY.normal_mm and len(turns[mount]) == 3
    return turns[mount][0] if helps else None


def _same(one: mv.Lever, other: mv.Lever) -> bool:
    """Whether two levers move the same thing: both are the tube or one of its ends."""
    return not one.is_screw and not other.is_screw and one.part[:4] == other.part[:4] == "tube"


def _solved(
    problem: Problem, sets: list[tuple[int, ...]], fine: bool
) -> dict[tuple[int, ...], tuple[float, Array]]:
    """For each set of levers: the expected squared error left after the best amounts, and these amounts."""
    by_size: dict[int, list[tuple[tuple[int, ...], Array]]] = {}
    for some in sets:
        used = np.concatenate([problem.columns[i] for i in some])
        by_size.setdefault(len(used), []).append((some, used))
    found: dict[tuple[int, ...], tuple[float, Array]] = {}
    for size, group in by_size.items():
        used = np.array([columns for _, columns in group])  # (sets, size)
        gram, pull = problem.gram[used[:, :, None], used[:, None, :]], problem.pull[used]
        loose = b.HAND_RELATIVE**2 * problem.errs[used] + problem.far[used]
        damped = gram + loose[:, :, None] * np.eye(size)
        amounts = -np.linalg.solve(damped, pull[:, :, None])[:, :, 0]
        bent = (gram @ amounts[:, :, None])[:, :, 0]
        coarse = problem.coarse[used] * fine
        left = problem.error + ((2.0 * pull + bent + loose * amounts) * amounts + coarse).sum(1)
        found |= {some: (float(left[i]), amounts[i]) for i, (some, _) in enumerate(group)}
    return found


def _ordered(problem: Problem, chosen: tuple[int, ...], amounts: Array) -> list[Event]:
    found: list[tuple[int, float, Event]] = []
    for i, amount in _each(problem, chosen, amounts):
        lever, does = problem.levers[i], problem.design[:, problem.columns[i]] @ amount
        for event in mv.as_events(problem.view.profile, problem.view.mixture, lever, amount)[:1]:
            found.append((lever.order, -float(np.linalg.norm(does)), event))
    return [event for _, _, event in sorted(found, key=lambda item: item[:2])]

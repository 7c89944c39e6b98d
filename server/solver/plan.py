"""The next step: kept to the order of the chain, the one that is expected to cut the remaining work most."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import belief as b
from . import model as m
from . import moves as mv
from . import outlook as o
from .events import Alignment, Event, Inspected, MarkSeen, NoMark, Shift, Turn
from .profile import STATIONS, Point, Profile
from .trace import Rays

Array = NDArray[Any]

STAGES = ("mirror-1", "mirror-2", "mirror-3", "nozzle", "bed")
PASS = (0.85, 0.75, 0.75, 0.85, 0.85)  # probability at which a stage counts as finished
SURE = 0.985  # probability at 1.5 × tolerance before it is called done
MARK_FIRST = 0.5  # a mark that tells more than this × what a move takes away comes first
LITTLE = 0.1  # a mark that tells less than this (tolerances²) is hardly worth a pulse
CATCH = 0.35  # chance of a mark below which the beam is searched for
MUCH = 0.5  # error (tolerances²) below which only the chance of being within tolerance counts
SPARE = 0.1  # share of the error for which no further move is made
LEAST_GAIN = 0.1  # a move that takes away a smaller share is none
WORTH = 0.1  # share of the rest that a lever must take away for its effort to be added
DONE = 0.1  # rest (tolerances²) at which no further lever is added
EASY = 2.6  # effort above which a lever is not tried by itself
GAIN = 0.3  # share of the expected remaining error that a move must take away
STALE = 0.5  # a proof is void once turns have moved its mark by more than this × overlap tolerance
GUILTY, SUSPECT = 0.9, 0.12  # probability of a fault to inspect, to look for
TELLING = 0.3  # divergence of what two explanations foretell, below which a mark does not tell them apart
HARM = 0.4  # × overlap tolerance: a fault that moves marks less than this does not matter
CHANCE = 0.15  # a move that brings a stage to its end with less probability is not worth a try
FAR_MOVE = 1e-3  # cost (tolerances²) of a move per turn² or mm²: far moves that do little are not worth it
WEIGHED = 96  # samples on which moves are weighed
ENOUGH_PULSES, BLANKS = 120, 14


@dataclass(frozen=True)
class Place:
    """Where a card can hang: station index and index of the head position in the grid."""

    station: int
    position: int


@dataclass(frozen=True)
class View:
    """Everything that planning one step looks at."""

    alignment: Alignment
    bank: b.Bank
    samples: o.Samples
    rays: Rays
    numbers: Array  # (M, 7) in units of the tolerances
    jacobian: Rays  # derivatives at the best hypothesis

    @property
    def profile(self) -> Profile:
        """The laser."""
        return self.alignment.machine

    @property
    def loose(self) -> Array:
        """(M,) samples whose mount is loose: their marks will scatter whatever is turned."""
        return np.asarray(self.samples.fault >= o.LOOSE)


@dataclass(frozen=True)
class Choice:
    """What to do next, before it is put in words."""

    do: str
    place: Place | None = None
    event: Event | None = None
    cause: str = ""
    reason: str = ""
    stage: int = 4
    why: str = ""


def look(alignment: Alignment) -> View:
    """The belief after all events and what it means for the bed."""
    bank = b.believe(alignment)
    samples = o.draw(bank)
    rays = o.everywhere(alignment.machine, samples.x)
    numbers = o.numbers(rays) / o.limits(alignment.machine)
    jacobian = o.everywhere_jacobian(alignment.machine, bank.mean[bank.best])
    return View(alignment, bank, samples, rays, numbers, jacobian)


def thin(view: View) -> View:
    """The view with fewer samples, in their pairs of opposites: enough to weigh moves against each other."""
    half = len(view.samples.x) // 2
    rows = np.concatenate([np.arange(WEIGHED // 2), half + np.arange(WEIGHED // 2)])
    rays = Rays(view.rays.offset_mm[rows], view.rays.lens_mm[rows], view.rays.slope[rows])
    return replace(view, samples=view.samples.only(rows), rays=rays, numbers=view.numbers[rows])


def choose(view: View) -> Choice:
    """The next step for a view."""
    for ask in (_exhausted, _doubtful, _fault):
        choice = ask(view)
        if choice is not None:
            return choice
    stage = next((s for s in range(5) if not settled(view, s)), 5)
    if stage == 5:
        return Choice("done")
    return _work(view, stage)


def probability(view: View, stage: int, factor: float = 1.0) -> float:
    """Probability that all numbers up to a stage are within ``factor`` × tolerance."""
    good = (view.numbers[:, : o.STAGE_KEYS[stage]] <= factor).all(1)
    if stage >= 2:
        good &= ~view.loose
    return float(good.mean())


def settled(view: View, stage: int) -> bool:
    """Whether a stage is finished: its own numbers are probably within tolerance, the bed's all together."""
    if stage < 4:
        first = o.STAGE_KEYS[stage - 1] if stage else 0
        good = (view.numbers[:, first : o.STAGE_KEYS[stage]] <= 1.0).all(1)
        return float(good.mean()) >= PASS[stage]
    return probability(view, 4) >= PASS[4] and probability(view, 4, 1.5) >= SURE and not unproved(view)


# ── marks and turns ─────────────────────────────────────────────────────────────────────────────────────


def _work(view: View, stage: int) -> Choice:
    """Mark or move: a move where it takes away much of the error that is expected, else the best mark."""
    places = candidates(view, stage)
    worth, chance = _worth(view, stage, places)
    best = int(np.argmax(worth * chance**2))
    own = [i for i, place in enumerate(places) if place.station == min(stage, 3)]
    if chance[own].max() < CATCH:
        return _search(view, stage, [places[i] for i in own], chance[own])
    move = best_move(view, stage)
    tells = float(worth[best] * chance[best])
    if move is not None and _move_first(move, tells):
        return Choice(_kind(move.event), place=places[best], event=move.event, stage=stage)
    if tells < 0.02 and move is None and not (stage == 4 and unproved(view)):
        return _as_good_as_known(view, stage)
    proof = unproved(view) if stage == 4 else []
    if proof:
        best = max(range(len(places)), key=lambda i: (places[i] in proof, worth[i] * chance[i] ** 2))
    return Choice("mark", place=places[best], stage=stage)


def _move_first(move: Move, tells: float) -> bool:
    """Whether to move before the next mark: the move takes away much, or a mark would hardly tell anything."""
    if tells < LITTLE:
        return True
    return move.gain > GAIN and move.drop > MARK_FIRST * tells


def _as_good_as_known(view: View, stage: int) -> Choice:
    """No mark tells more and no move surely helps: take the best chance, else go on where it is probably good."""
    if probability(view, stage) < 0.5:
        moves = [
            (probability(after_move(view, event), stage), event)
            for event in _singles(view, stage, effort=9.0)
        ]
        best = max(moves, key=lambda move: move[0], default=None)
        if best is not None and best[0] > CHANCE:
            return Choice(_kind(best[1]), event=best[1], stage=stage)
    if probability(view, stage, 1.5) < 0.9:
        return Choice("stop", reason=f"no mark and no move from here makes {STAGES[stage]} better")
    later = next((s for s in range(stage + 1, 5) if not settled(view, s)), 5)
    return Choice("done") if later == 5 else _work(view, later)


def _kind(event: Event) -> str:
    return "turn" if isinstance(event, Turn) else "shift"


def candidates(view: View, stage: int) -> list[Place]:
    """Where a mark could be made in a stage."""
    last = _last_position(view)
    places = [Place(0, last)]
    if stage >= 1:
        places = [Place(1, i) for i in _reachable(view, 1, (0, 1), (5, 9))] + (places if stage < 2 else [])
    if stage >= 2:
        places += [Place(2, i) for i in _reachable(view, 2, range(5), range(5, 12))]
    if stage >= 3:
        places += [Place(3, i) for i in range(5)]
    return places


def _reachable(view: View, station: int, first: Iterable[int], others: Iterable[int]) -> list[int]:
    """Positions to mark at a station: the first ones, and others where those would probably be missed."""
    chance = o.hits(view.profile, view.rays, station).mean(0)
    found = list(first)
    return found if (chance[found] > 0.5).sum() >= 2 else [*found, *others]


def _last_position(view: View) -> int:
    heads = [e.head_mm for e in view.alignment.events if isinstance(e, MarkSeen | NoMark)]
    return _nearest(view.profile, heads[-1]) if heads else 0


def _nearest(profile: Profile, head: Point) -> int:
    return int(np.argmin([np.hypot(x - head[0], y - head[1]) for x, y in o.grid(profile)]))


def _worth(view: View, stage: int, places: list[Place]) -> tuple[Array, Array]:
    """For each place: how much of the stage's variance (tolerances²) a mark there takes away; chance of a mark."""
    vectors = o.metric_vectors(view.profile, view.rays, min(stage, 3))
    vectors = vectors - vectors.mean(0)
    noise = _next_sigma(view) ** 2
    worth, chance = [], []
    for place in places:
        mark = view.rays.offset_mm[:, place.position, place.station]
        mark = mark - mark.mean(0)
        shared = vectors.T @ mark / len(mark)
        inside = mark.T @ mark / len(mark) + noise * np.eye(2)
        worth.append(float(np.trace(shared @ np.linalg.solve(inside, shared.T))))
        chance.append(float(o.hits(view.profile, view.rays, place.station)[:, place.position].mean()))
    return np.array(worth), np.array(chance)


def _next_sigma(view: View) -> float:
    """How uncertain the next mark will be: as the last ones were."""
    seen = [max(e.sigma_mm) for e in view.alignment.events if isinstance(e, MarkSeen)]
    return float(np.median(seen[-3:])) if seen else 0.1


def cost(view: View, stage: int, caps: Array) -> float:
    """Expected squared error of a stage's numbers, in units of the tolerances, each at most its cap."""
    count = o.STAGE_KEYS[stage]
    return float((np.minimum(view.numbers[:, :count], caps[:count]) ** 2).sum(1).mean())


@dataclass(frozen=True)
class Move:
    """A move, how much of the expected error (tolerances²) it takes away, and what share of it."""

    event: Event
    drop: float
    gain: float


def best_move(view: View, stage: int) -> Move | None:
    """The most upstream move of a set that brings the stage to nil, or the single best; None where none helps."""
    view = thin(view)
    for screws_only in (True, False) if _angle_first(view, stage) else (False,):
        move = _needed(view, stage, adjustments(view, stage, screws_only=screws_only))
        if move is not None and move.gain > GAIN:
            return move
    moves = [_weighed(view, stage, [event]) for event in _singles(view, stage)]
    best = max(moves, key=lambda move: move.gain, default=None)
    return best if best is not None and best.gain > LEAST_GAIN else None


def _needed(view: View, stage: int, events: list[Event]) -> Move | None:
    """The set without the moves that it can do without; the first of the rest is the one to make now."""
    if not events:
        return None
    move = _weighed(view, stage, events)
    while len(events) > 1:
        fewer = [events[:i] + events[i + 1 :] for i in range(len(events))]
        weighed = [_weighed(view, stage, some) for some in fewer]
        best = max(range(len(fewer)), key=lambda i: weighed[i].gain)
        if weighed[best].gain < move.gain - SPARE:
            break
        events, move = fewer[best], weighed[best]
    return move


def _weighed(view: View, stage: int, events: list[Event]) -> Move:
    """What a few moves take away together; the first of them is the one to make now."""
    after = view
    for event in events:
        after = after_move(after, event)
    caps = 2.0 * np.maximum(np.median(view.numbers, axis=0), 5.0)
    now = cost(view, stage, caps)
    drop = now - cost(after, stage, caps)
    better = probability(after, stage) - probability(view, stage)
    return Move(events[0], drop, max(2.0 * better, drop / now if drop > MUCH else 0.0))


def after_move(view: View, event: Event) -> View:
    """The view as it will be after a move; an untried screw is taken to work as the profile says."""
    samples = mv.apply(view.profile, view.bank, view.samples, event)
    rows = np.arange(len(samples.x))
    if isinstance(event, Turn):
        k = 3 * (event.mount - 1) + view.profile.contact_index(event.mount, event.screw)
        rows = np.flatnonzero(samples.sign[:, k] == _likely_sign(samples.sign[:, k]))
    rays = Rays(view.rays.offset_mm[rows], view.rays.lens_mm[rows], view.rays.slope[rows])
    rays = o.pushed(rays, view.jacobian, samples.x[rows] - view.samples.x[rows])
    return replace(
        view, samples=samples.only(rows), rays=rays, numbers=o.numbers(rays) / o.limits(view.profile)
    )


def _likely_sign(signs: Array) -> float:
    return 1.0 if signs.sum() >= 0 else -1.0


def adjustments(view: View, stage: int, *, screws_only: bool = False) -> list[Event]:
    """A small set of moves that together bring the stage's error to nil, the most upstream first.

    Orthogonal matching pursuit: the lever that takes away most for its effort is added to the set until the rest
    is small; the relative error of a hand is part of the cost.
    """
    residual, choices = _problem(view, stage, screws_only=screws_only)
    chosen: list[int] = []
    now, amounts = float(residual @ residual), np.zeros(0)
    while now > DONE and len(chosen) < 6:
        scored = []
        for i, (lever, _) in enumerate(choices):
            if i in chosen or any(_same(lever, choices[j][0]) for j in chosen):
                continue
            left, found = _solve(residual, [choices[j] for j in (*chosen, i)])
            scored.append(((now - left) / lever.effort, i, left, found))
        if not scored:
            break
        score, i, left, found = max(scored, key=lambda item: item[0])
        if score < WORTH * now:
            break
        chosen.append(i)
        now, amounts = left, found
    return _ordered(view, [choices[i] for i in chosen], amounts)


def _angle_first(view: View, stage: int) -> bool:
    """Whether the marks of a leg still wander too far: a screw turns the beam, an offset is dealt with after that."""
    overlaps = [i for i in (1, 3) if i < o.STAGE_KEYS[stage]]
    return bool((np.median(view.numbers[:, overlaps], axis=0) > 1.0).any())


def _problem(
    view: View, stage: int, *, screws_only: bool = False, effort: float = EASY
) -> tuple[Array, list[tuple[mv.Lever, Array]]]:
    """The stage's error (L,) at the best hypothesis, and for each lever how it changes that (L, n)."""
    profile, bank, stage = view.profile, view.bank, min(stage, 3)
    mean = bank.mean[bank.best : bank.best + 1]
    residual = o.metric_vectors(profile, o.everywhere(profile, mean), stage)[0]
    slopes = o.metric_vectors(profile, view.jacobian, stage).T  # the metrics are linear in the offsets
    used = _moved_since_mark(view)
    levers = [
        lever
        for lever in mv.levers(profile, stage)
        if lever.name(profile) not in used and (lever.is_screw or not screws_only) and lever.effort <= effort
    ]
    moves = [(lever, mv.direction(profile, bank, lever)[: m.OPTICS]) for lever in levers]
    return residual, [(lever, slopes @ columns) for lever, columns in moves]


def _moved_since_mark(view: View) -> set[str]:
    """What was moved since the last pulse: moving it again before a mark would be adjusting a hand's error blindly."""
    used: set[str] = set()
    for event in reversed(view.alignment.events):
        if isinstance(event, Turn):
            used.add(f"{event.mount}:{event.screw}")
        elif isinstance(event, Shift):
            used |= {"tube", "tube-exit", "tube-far"} if event.part.startswith("tube") else {event.part}
        else:
            break
    return used


def _singles(view: View, stage: int, *, effort: float = EASY) -> list[Event]:
    """For each lever that can take something away by itself: the moves that a hand can do nearest to the best."""
    residual, choices = _problem(view, stage, effort=effort)
    now = float(residual @ residual)
    found: list[Event] = []
    for lever, columns in choices:
        left, amount = _solve(residual, [(lever, columns)])
        if left < 0.9 * now:
            found += mv.as_events(view.profile, view.bank, lever, amount)
    return found


def _same(one: mv.Lever, other: mv.Lever) -> bool:
    """Levers that would undo each other: parts of the tube, or one part twice."""
    return not one.is_screw and not other.is_screw and one.part[:4] == other.part[:4] == "tube"


def _solve(residual: Array, chosen: list[tuple[mv.Lever, Array]]) -> tuple[float, Array]:
    """Expected squared error left after the best amounts, and the amounts side by side."""
    design = np.hstack([columns for _, columns in chosen])
    size = (design**2).sum(0)
    gram = design.T @ design + np.diag(b.HAND_RELATIVE**2 * size + FAR_MOVE)
    amounts = np.linalg.solve(gram, -design.T @ residual)
    left = residual + design @ amounts
    return float(left @ left + size @ (b.HAND_RELATIVE * amounts) ** 2), amounts


def _ordered(view: View, chosen: list[tuple[mv.Lever, Array]], amounts: Array) -> list[Event]:
    found: list[tuple[int, float, Event]] = []
    start = 0
    for lever, columns in chosen:
        amount = amounts[start : start + columns.shape[1]]
        start += columns.shape[1]
        for event in mv.as_events(view.profile, view.bank, lever, amount)[:1]:
            found.append((lever.order, -float(np.linalg.norm(columns @ amount)), event))
    return [event for _, _, event in sorted(found, key=lambda item: item[:2])]


# ── proof over the bed ──────────────────────────────────────────────────────────────────────────────────


def unproved(view: View) -> list[Place]:
    """The five positions (at mirror 3) without a mark that still holds."""
    events = view.alignment.events
    start = max(
        (i for i, e in enumerate(events) if isinstance(e, Inspected) and e.outcome == "fixed"), default=-1
    )
    return [Place(2, i) for i in range(5) if not _proved(view, events[start + 1 :], i)]


def _proved(view: View, events: tuple[Event, ...], position: int) -> bool:
    profile, head = view.profile, o.grid(view.profile)[position]
    near = 0.06 * max(profile.bed.width_mm, profile.bed.depth_mm)
    marked = [
        i
        for i, e in enumerate(events)
        if isinstance(e, MarkSeen)
        and e.station == "mirror-3"
        and np.hypot(e.head_mm[0] - head[0], e.head_mm[1] - head[1]) <= near
    ]
    if not marked:
        return False
    jacobian = view.jacobian.offset_mm[:, position, 2].T
    moved = sum((jacobian @ _done(view, e)[: m.OPTICS] for e in events[marked[-1] + 1 :]), np.zeros(2))
    return bool(np.hypot(*moved) <= STALE * profile.tolerance.overlap_mm)


def _done(view: View, event: Event) -> Array:
    """(SIZE,) what an earlier move did to the state, under the best hypothesis."""
    if isinstance(event, Shift):
        return np.asarray(m.shift_matrix(event.part) @ np.array(event.move_mm))
    if isinstance(event, Turn):
        contact = view.profile.contact_index(event.mount, event.screw)
        lever = mv.Lever(0, 0, mount=event.mount, contact=contact)
        return np.asarray(mv.direction(view.profile, view.bank, lever)[:, 0] * event.turns)
    return np.zeros(m.SIZE)


# ── the beam is nowhere to be seen ──────────────────────────────────────────────────────────────────────


def _search(view: View, stage: int, places: list[Place], chance: Array) -> Choice:
    """The move after which a mark is most probable, which way first follows from what was missed so far; or the
    most probable place for a mark where no move makes one more probable."""
    blank = bool(view.alignment.events) and isinstance(view.alignment.events[-1], NoMark)
    least = 0.02 if blank else float(chance.max()) + 0.08
    best = (least, Choice("mark", place=places[int(np.argmax(chance))], stage=stage, why="search"))
    for event in _tries(view, stage):
        moved = mv.apply(view.profile, view.bank, view.samples, event)
        rays = o.pushed(view.rays, view.jacobian, moved.x - view.samples.x)
        for place in places:
            found = float(o.hits(view.profile, rays, place.station)[:, place.position].mean())
            if found > best[0] + 1e-9:
                best = (found, Choice(_kind(event), place=place, event=event, stage=stage, why="search"))
    return best[1]


def _tries(view: View, stage: int) -> list[Event]:
    if stage == 0:
        ways = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))
        return [Shift("tube", (0.0, size * y, size * z)) for y, z in ways for size in (8.0, 16.0)]
    mount = min(stage, 3)
    screws = [c.name for c in view.profile.mount[mount - 1].contact if c.screw_pitch_mm is not None]
    sizes = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
    return [Turn(mount, name, way * size) for name in screws for size in sizes for way in (-1, 1)]


# ── what no screw cures ─────────────────────────────────────────────────────────────────────────────────


def causes(bank: b.Bank) -> dict[str, float]:
    """Probability of each fault that no screw cures."""
    return {c: float(bank.weight[[b.FAULTS[f] == c for f in bank.fault]].sum()) for c in b.CAUSES}


def _fault(view: View) -> Choice | None:
    """Inspect what is probably to blame; look closer at what may be; stop at what was not fixed."""
    likely = causes(view.bank)
    cause = max(likely, key=lambda c: likely[c])
    answers = _answers(view, cause)
    if likely[cause] >= GUILTY and _harmful(view, cause):
        if "not-fixed" in answers or answers.count("nothing-found") >= 2:
            return Choice("stop", cause=cause, reason=f"{cause} was not fixed")
        return Choice("inspect", cause=cause)
    if sum(likely.values()) - likely[cause] * (likely[cause] >= GUILTY) > SUSPECT:
        place, tells = _telling(view)
        if tells > TELLING:
            return Choice("mark", place=place, why="fault")
    return None


def _doubtful(view: View) -> Choice | None:
    """A mark that nothing explains is made again, once, before anything is built on it."""
    events = view.alignment.events
    if not events or not isinstance(events[-1], MarkSeen) or not view.bank.fresh_note:
        return None
    newest = events[-1]
    before = events[-2] if len(events) > 1 else None
    if isinstance(before, MarkSeen) and (before.station, before.head_mm) == (newest.station, newest.head_mm):
        return None
    place = Place(STATIONS.index(newest.station), _nearest(view.profile, newest.head_mm))
    return Choice("mark", place=place, why="doubt")


def _answers(view: View, cause: str) -> list[str]:
    """Outcomes of looking for a cause since something was last fixed."""
    found: list[str] = []
    for event in view.alignment.events:
        if isinstance(event, Inspected):
            found = [] if event.outcome == "fixed" else found + [event.outcome] * (event.cause == cause)
    return found


def _harmful(view: View, cause: str) -> bool:
    """Whether the fault alone moves marks by more than the tolerance can spare."""
    if cause == "loose-mount":
        return True
    guilty = [i for i, f in enumerate(view.bank.fault) if b.FAULTS[f] == cause]
    mean = view.bank.mean[guilty[int(np.argmax(view.bank.log_weight[guilty]))]]
    alone = np.zeros(m.SIZE)
    alone[m.RACK], alone[m.BOW] = mean[m.RACK], mean[m.BOW]
    overlap = o.numbers(o.everywhere(view.profile, alone[None]))[0, [1, 3]].max()
    return bool(overlap > HARM * view.profile.tolerance.overlap_mm)


def _telling(view: View) -> tuple[Place, float]:
    """The place whose mark tells the most probable fault from what is next to it in probability."""
    bank = view.bank
    heads = [
        int(np.argmax(np.where(bank.fault == f, bank.log_weight, -np.inf))) for f in np.unique(bank.fault)
    ]
    heads = sorted(heads, key=lambda i: -bank.log_weight[i])[:3]
    best = (Place(2, 4), 0.0)
    noise = np.eye(2) * (_next_sigma(view) ** 2 + b.MODEL_SD**2)
    for place in [Place(1, i) for i in o.ALONG_Y] + [Place(2, i) for i in range(o.BED)]:
        head = o.grid(view.profile)[place.position]
        some = replace(bank, mean=bank.mean[heads], cov=bank.cov[heads], fault=bank.fault[heads])
        jacobian = m.mark_jacobian(view.profile, some.mean, head, place.station)
        cov = (
            jacobian @ some.cov @ jacobian.transpose(0, 2, 1)
            + noise
            + b.scatter(view.profile, some, jacobian)
        )
        mean = m.rays(view.profile, bank.mean[heads], head).offset_mm[:, place.station]
        tells = sum(_divergence(mean[0], cov[0], mean[i], cov[i]) for i in range(1, len(heads)))
        if tells > best[1]:
            best = (place, tells)
    return best


def _divergence(mean: Array, cov: Array, other: Array, other_cov: Array) -> float:
    """Half the sum of both Kullback–Leibler divergences of two Gaussians, at most 10."""
    gap = other - mean
    inverse, other_inverse = np.linalg.inv(cov), np.linalg.inv(other_cov)
    spread = np.trace(other_inverse @ cov + inverse @ other_cov) - 2 * len(mean)
    return float(min(0.25 * (spread + gap @ (inverse + other_inverse) @ gap), 10.0))


def _exhausted(view: View) -> Choice | None:
    """Too many pulses without an end, or pulse after pulse without a mark where the beam must be."""
    events = view.alignment.events
    pulses = [e for e in events if isinstance(e, MarkSeen | NoMark)]
    if len(pulses) >= ENOUGH_PULSES:
        return Choice("stop", reason=f"no end in sight after {len(pulses)} pulses")
    tail = pulses[-BLANKS:]
    if len(tail) == BLANKS and all(isinstance(e, NoMark) for e in tail):
        return Choice("stop", reason=f"{BLANKS} pulses one after the other left no mark")
    return None

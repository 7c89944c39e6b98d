"""What is tried if no mark adds much and no move surely helps, and the small functions that this uses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from server.solver import DocumentError, say
from server.solver.decide import faults, move_choice, next_step, proof, search, situation
from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate import screws
from server.solver.events import Event, Shift, Turn
from server.solver.machine import model as m
from tests.solver.test_situation import at, blank, mark, seen

Patch = pytest.MonkeyPatch
A, B, C = Turn(1, "top", 0.5), Turn(2, "top", 1.0), Shift("tube", (0.0, 1.0, 0.0))
PLACE = Place(2, 3)
OWN = replace(
    POLICY,
    enough=0.9,
    even=0.5,
    hardly=0.7,
    try_again=0.25,
    chance=0.15,
    better=0.1,
    sampling=0.05,
    coarse_try=0.8,
    coarse_closer=0.9,
)
TURNED, STOP = Choice("turn", event=A, stage=2), Choice("stop", reason="it is out of reach")


def says(value: Any) -> Callable[..., Any]:
    return lambda *_, **__: value


def told(monkeypatch: Patch, now: float, wide: float, sets: dict[tuple[Event, ...], float]) -> None:
    """Set how probably a stage is good: now, within 1.5 times the tolerance, after each set of moves."""

    def probability(view: Any, _: int, factor: float = 1.0) -> float:
        if isinstance(view, View):
            return wide if factor == 1.5 else now
        return sets[view]

    monkeypatch.setattr(next_step, "POLICY", OWN)
    monkeypatch.setattr(next_step, "probability", probability)
    monkeypatch.setattr(next_step, "_sets", says([list(some) for some in sets]))
    monkeypatch.setattr(next_step, "after_moves", lambda _, events: tuple(events))


@pytest.mark.parametrize(
    ("now", "wide", "after", "coarse", "found"),
    [
        (0.9, 1.0, 1.0, False, None),  # probably good
        (0.89, 1.0, 1.0, False, TURNED),
        (0.8, 1.0, 0.9, False, None),  # not more probable by enough
        (0.8, 1.0, 0.91, False, TURNED),
        (0.7, 1.0, 0.5, False, None),
        (0.69, 1.0, 0.25, False, None),  # hardly good: a small chance is enough, but not so small
        (0.69, 1.0, 0.26, False, TURNED),
        (0.69, 1.0, 0.78, True, None),  # readings by eye: it must be better than now
        (0.69, 1.0, 0.80, True, TURNED),
        (0.01, 1.0, 0.15, True, None),
        (0.01, 1.0, 0.16, True, TURNED),
        (0.02, 0.95, 0.24, False, None),  # later stages may make up for it
        (0.4, 0.89, 0.26, False, TURNED),
        (0.1, 0.89, 0.16, False, TURNED),  # hopeless as it is: any better chance
    ],
)
def test_the_best_chance_is_taken_if_it_is_good_enough(
    now: float, wide: float, after: float, coarse: bool, found: Choice | None, monkeypatch: Patch
) -> None:
    told(monkeypatch, now, wide, {(A,): after, (B, C): after - 0.01})
    monkeypatch.setattr(next_step, "rough", says(coarse))
    assert next_step._last_resort(at(), 2, PLACE) == found


@pytest.mark.parametrize(
    ("now", "wide", "stage", "after", "turn", "stop", "found"),
    [
        (0.4, 0.95, 2, 0.05, B, STOP, None),
        (0.4, 0.89, 2, 0.05, B, STOP, "turn"),
        (0.5, 0.89, 2, 0.05, B, STOP, None),
        (0.4, 0.95, 4, 0.05, B, STOP, "turn"),  # nothing lies behind the bed
        (0.4, 0.89, 2, 0.05, None, STOP, "stop"),
        (0.4, 0.89, 2, 0.05, None, None, "try"),
        (0.4, 0.89, 2, 0.0, None, None, "mark"),
        (0.4, 0.89, 2, None, None, None, "mark"),
        (0.4, 0.89, 2, None, None, STOP, "stop"),
    ],
)
def test_what_is_hopeless_is_turned_along_a_normal_or_given_up_or_marked(
    now: float,
    wide: float,
    stage: int,
    after: float | None,
    turn: Event | None,
    stop: Choice | None,
    found: str | None,
    monkeypatch: Patch,
) -> None:
    told(monkeypatch, now, wide, {} if after is None else {(A,): after})
    monkeypatch.setattr(next_step, "rough", says(False))
    # whatever error all levers together leave: here even a little is too much
    monkeypatch.setattr(next_step, "along_normal", lambda *_, least: turn if least == 0.0 else TURNED)
    monkeypatch.setattr(next_step, "helpless", lambda *_, least: stop if least == 0.0 else TURNED)
    expected = {
        "turn": Choice("turn", event=B, stage=stage),
        "try": Choice("turn", event=A, stage=stage),
        "mark": Choice("mark", place=PLACE, stage=stage),
        "stop": stop,
        None: None,
    }
    assert next_step._last_resort(at(), stage, PLACE) == expected[found]


@pytest.mark.parametrize(
    ("moved", "marks", "stops"),
    [(0, 0, False), (0, 3, False), (0, 4, True), (1, 3, False), (1, 4, True), (1, 9, True)],
)
def test_it_is_given_up_where_nothing_can_be_moved_and_marks_tell_nothing_new(
    moved: int, marks: int, stops: bool, monkeypatch: Patch
) -> None:
    told(monkeypatch, 0.4, 0.89, {})
    monkeypatch.setattr(next_step, "along_normal", lambda *_, least: None)
    monkeypatch.setattr(next_step, "helpless", lambda *_, least: None)
    assert POLICY.marks_again == 4
    found = next_step._last_resort(at(*[mark()] * 9 * moved, *[A] * moved, *[mark()] * marks), 2, PLACE)
    assert found is not None and found.do == ("stop" if stops else "mark")


@pytest.mark.parametrize(
    ("now", "sets", "found"),
    [
        (0.79, {(A,): (0.5, 0.85)}, [A]),
        (0.8, {(A,): (0.5, 0.9)}, []),  # it is probably good as it is
        (0.79, {(A,): (0.5, 0.83)}, []),  # more probable than now by no more than the sampling error
        (0.79, {(A,): (1.79, 0.85)}, [A]),
        (0.79, {(A,): (1.8, 0.85)}, []),  # no closer: nine tenths of 2 tolerances
        (0.09, {(A,): (0.5, 0.16)}, [A]),
        (0.09, {(A,): (0.5, 0.15)}, []),
        (0.5, {(A,): (0.5, 0.6), (B, C): (0.7, 0.7)}, [B]),
        (0.5, {(A,): (0.5, 0.6), (B, C): (1.9, 0.7)}, [A]),
        (0.5, {}, []),
    ],
)
def test_by_eye_another_try_is_made_where_it_comes_closer_and_is_more_probable(
    now: float, sets: dict[tuple[Event, ...], tuple[float, float]], found: list[Event], monkeypatch: Patch
) -> None:
    """``sets``: for each, the worst of the stage's own numbers after it, in tolerances, and the probability
    that the stage is good after it."""
    view = at()
    told(monkeypatch, now, 1.0, {some: chance for some, (_, chance) in sets.items()})
    alone = {some[0]: to for some, (to, _) in sets.items()}
    monkeypatch.setattr(next_step, "worked", lambda _, event: np.array([alone.get(event, 0.0)]))
    monkeypatch.setattr(o, "pushed", lambda rays, jacobian, change: change)

    def ratios(_: Any, rays: Any) -> Any:
        numbers = np.full((1, 7), 9.0)  # 9.0: numbers that do not belong to leg 2-3
        numbers[0, 3:5] = 2.0 if rays is view.best else rays[0, 0]
        return numbers

    monkeypatch.setattr(o, "ratios", ratios)
    assert next_step._another_try(view, 2) == found


@pytest.mark.parametrize(
    ("station", "first", "others", "hit", "found"),
    [
        (1, (0, 1), (5, 9), {0, 1}, [0, 1]),
        (1, (0, 1), (5, 9), {0, 5}, [0, 1, 5, 9]),
        (1, (0, 1), (5, 9), {5, 9}, [0, 1, 5, 9]),
        (2, range(5), (5, 6), {0, 2}, [0, 1, 2, 3, 4]),
        (2, range(5), (5, 6), {0, 1}, [0, 1, 2, 3, 4, 5, 6]),  # both at one end of the gantry
        (2, range(5), (5, 6), {3, 4}, [0, 1, 2, 3, 4, 5, 6]),
        (2, range(5), (5, 6), {1, 4}, [0, 1, 2, 3, 4]),
    ],
)
def test_other_places_are_looked_at_where_all_would_be_missed_but_one_end_of_the_leg(
    station: int, first: Any, others: Any, hit: set[int], found: list[int], monkeypatch: Patch
) -> None:
    def hits(_: Any, __: Any, at_station: int) -> Any:
        caught = np.zeros((16, 12), dtype=bool)
        caught[:8] = at_station == station  # half of the machines are not enough
        caught[8, sorted(hit)] = True
        return caught

    monkeypatch.setattr(o, "hits", hits)
    assert next_step._reachable(at(), station, first, others) == found


def normal(
    monkeypatch: Patch,
    amounts: dict[tuple[int, int], float],
    *,
    moves: bool = False,
    without: float = 2.0,
    left: float = 0.9,
) -> Event | None:
    """The turn that moves a mirror along its normal; ``amounts``: (mount, contact) → how far it rises, mm."""
    levers = [
        (mv.Lever(2 * mount, 1.0, mount=mount, contact=contact), np.array([rise / 0.5]))
        for (mount, contact), rise in amounts.items()
    ]
    levers.insert(1, (mv.Lever(0, 1.0, "tube", axes=(1, 2)), np.array([1.0, 2.0])))

    def direction(_: Any, __: Any, lever: mv.Lever) -> Any:
        column = np.zeros((m.SIZE, 1))
        column[4 + 3 * (lever.mount - 1) + lever.contact, 0] = 0.5  # mm per turn
        return column

    def as_events(_: Any, __: Any, lever: mv.Lever, amount: Any) -> list[Event]:
        turns = float(amount[0])
        names = ("top", "side", "corner")
        some: list[Event] = [Turn(lever.mount, names[lever.contact], turns) for turns in (turns, 9.0)]
        return some if abs(turns) > 0.01 else []

    def reach(_: Any, __: Any, *, along: bool = True) -> Any:
        return (left, levers) if along else (without, [])

    monkeypatch.setattr(mv, "bases_move", says(moves))
    monkeypatch.setattr(mv, "direction", direction)
    monkeypatch.setattr(mv, "as_events", as_events)
    monkeypatch.setattr(move_choice, "reach", reach)
    monkeypatch.setattr(move_choice, "POLICY", replace(POLICY, normal_mm=0.2))
    return move_choice.along_normal(at(), 2, least=1.5)


RISING = {(1, 0): 0.3, (1, 1): 0.4, (1, 2): 0.25}


def test_the_mirror_that_rises_most_evenly_is_turned_first_screw_first(monkeypatch: Patch) -> None:
    assert normal(monkeypatch, RISING) == Turn(1, "top", 0.6)
    fallen = {(2, contact): -rise for (_, contact), rise in RISING.items()}
    assert normal(monkeypatch, fallen) == Turn(2, "top", -0.6)
    higher = {(3, contact): 2 * rise for (_, contact), rise in RISING.items()}
    assert normal(monkeypatch, RISING | higher) == Turn(3, "top", 1.2)


def test_no_mirror_goes_along_its_normal_where_that_is_not_needed_or_does_not_help(
    monkeypatch: Patch,
) -> None:
    assert normal(monkeypatch, RISING, moves=True) is None
    assert normal(monkeypatch, RISING, without=1.5) is None
    assert normal(monkeypatch, RISING, without=1.51) is not None
    assert normal(monkeypatch, RISING, left=1.01) is None
    assert normal(monkeypatch, RISING, left=1.0) is not None
    assert normal(monkeypatch, RISING | {(1, 2): 0.19}) is None
    assert normal(monkeypatch, RISING | {(1, 2): 0.2}) is not None
    assert normal(monkeypatch, RISING | {(1, 1): -0.4}) is None
    assert normal(monkeypatch, {(1, 0): 0.3, (1, 1): 0.4, (2, 2): 0.3}) is None


def test_moves_are_made_from_the_tube_on_and_at_one_place_the_largest_first(monkeypatch: Patch) -> None:
    levers = [
        mv.Lever(2, 1.0, mount=1, contact=0),
        mv.Lever(2, 1.0, mount=1, contact=1),
        mv.Lever(0, 1.0, "tube", axes=(1, 2)),
        mv.Lever(4, 1.0, mount=2, contact=0),
    ]
    columns = [np.array([0]), np.array([1]), np.array([2, 3]), np.array([4])]
    design = np.array([[1.0, 0.0, 0.1, 0.0, 9.0], [0.0, 1.0, 0.0, 0.1, 9.0]])
    problem: Any = SimpleNamespace(levers=levers, columns=columns, design=design, view=at())

    def as_events(_: Any, __: Any, lever: mv.Lever, amount: Any) -> list[Any]:
        return [(lever, amount.tolist()), "second"] if amount.any() else []

    monkeypatch.setattr(mv, "as_events", as_events)
    found: list[Any] = move_choice._ordered(problem, (3, 0, 2, 1), np.array([1.0, 2.0, 1.0, 1.0, -3.0]))
    assert found == [
        (levers[2], [1.0, 1.0]),
        (levers[1], [-3.0]),
        (levers[0], [2.0]),
        (levers[3], [1.0]),
    ]
    one: list[Any] = move_choice._ordered(problem, (1, 0), np.array([0.0, 1.0]))
    assert one == [(levers[0], [1.0])]


def test_machines_are_followed_through_turns_whose_play_depends_on_the_one_before(
    monkeypatch: Patch,
) -> None:
    view, tried = at(), Turn(2, "bottom", 0.5)
    tail = (blank(), tried, blank(), Turn(2, "bottom", -0.25), mark())
    seen_by: list[tuple[Any, Event]] = []

    def apply(_: Any, mixture: Any, samples: o.Samples, event: Event) -> o.Samples:
        seen_by.append((mixture, event))
        return samples

    monkeypatch.setattr(mv, "apply", apply)
    struck = iter([np.arange(len(view.samples.x)) % 4 == 0, np.arange(192) % 3 == 0])
    monkeypatch.setattr(search, "_reached", lambda *_: next(struck))
    left, blanks = search._followed(view, view.mixture, view.samples, tail, most=0)
    assert len(left.x) == len(blanks) == 128 and not blanks.any()
    (first, _), (second, event) = seen_by
    assert first is view.mixture and event == tail[3]
    before = view.mixture.onward
    assert second.onward == (*before[:4], 0.5, *before[5:])
    assert second.net_turns[4] == view.mixture.net_turns[4] + 0.5


def test_how_many_blanks_contradict_a_machine_is_counted(monkeypatch: Patch) -> None:
    view = at()
    struck = iter([np.arange(256) < 10, np.arange(256) < 5, np.arange(253) < 1])
    monkeypatch.setattr(search, "_reached", lambda *_: next(struck).astype(int))
    left, blanks = search._followed(view, view.mixture, view.samples, (blank(), blank()), most=1)
    assert blanks.tolist() == [1] * 5 + [0] * 246
    np.testing.assert_array_equal(left.x, view.samples.x[5:])


@pytest.mark.parametrize(
    ("codes", "likely"),
    [
        ({-1: 4, 1: 252}, -1),  # as in the best hypothesis, if enough machines agree
        ({-1: 3, 1: 253}, 1),
        ({-1: 3, -2: 200, 1: 53}, -2),
        ({-1: 3, 2: 100, -2: 153}, -2),
        ({-1: 256}, -1),
        ({-1: 10, 1: 246}, -1),
    ],
)
def test_a_screw_is_taken_to_work_as_in_the_best_or_else_in_most_machines(
    codes: dict[int, int], likely: int, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(situation, "POLICY", replace(POLICY, sign_least=4))
    mixture = replace(seen().mixture, sign=seen().mixture.sign.copy())
    mixture.sign[mixture.best, 4] = -1
    sign = np.ones((256, 12), dtype=np.int8)
    sign[:, 4] = np.repeat(list(codes), list(codes.values()))
    samples = replace(seen().samples, sign=sign)
    assert situation._likely_code(at(mixture=mixture), samples, 2, 4) == likely


def test_how_probably_a_screw_works_in_a_way_is_the_weight_of_what_supposes_it() -> None:
    mixture = b.take(b.prior(seen().profile), np.arange(3), np.log([0.5, 0.3, 0.2]))
    mixture.sign[:, 3] = (-1, screws.DEAD, -1)
    shares = {code: say._share(mixture, 3, code) for code in (-1, screws.DEAD, 1, 2)}
    assert shares == pytest.approx({-1: 0.7, screws.DEAD: 0.3, 1: 0.0, 2: 0.0})


@pytest.mark.parametrize("hung", ["mirror-1", "mirror-2", "mirror-3", "nozzle", None])
@pytest.mark.parametrize("anew", [False, True])
def test_a_mark_is_foretold_less_surely_on_a_card_that_is_hung_for_it(hung: str | None, anew: bool) -> None:
    """Compared with a mark on a card whose hanging is known exactly; only the error of hanging is added."""
    mixture, place = seen().mixture, Place(1, 4)
    mean, cov = mixture.mean.copy(), mixture.cov.copy()
    b.forget(mean, cov, m.HANG, np.zeros((3, 3)))
    exact = replace(mixture, mean=mean, cov=cov, hung=("mirror-2", 1))
    means, covs = faults._foretold(at(mark(), mixture=exact), exact, place)
    view = at(mark(), mixture=replace(exact, hung=(hung, 1) if hung else None))
    same, wider = faults._foretold(view, exact, replace(place, anew=anew))
    np.testing.assert_allclose(means, same, atol=1e-12)
    stays = hung == "mirror-2" and not anew
    hang = 0.0 if stays else exact.hang_var(1)[:, None, None] * np.eye(2)
    np.testing.assert_allclose(wider - covs, hang + 0 * covs, atol=1e-9)


def test_a_mark_is_foretold_where_the_card_has_it_that_hangs() -> None:
    mixture, place = seen().mixture, Place(1, 4)
    mean, cov = mixture.mean.copy(), mixture.cov.copy()
    b.forget(mean, cov, m.HANG, np.diag([0.04, 0.09, 0.0]))
    exact = replace(mixture, mean=mean, cov=cov, hung=("mirror-2", 1))
    off = replace(exact, mean=mean + np.eye(m.SIZE)[m.HANG.start] * 0.3)
    (there, covs), (moved, _) = (faults._foretold(at(mixture=one), one, place) for one in (exact, off))
    np.testing.assert_allclose(moved - there, np.tile([0.3, 0.0], (len(there), 1)), atol=1e-12)
    b.forget(mean, cov, m.HANG, np.zeros((3, 3)))
    known = replace(exact, cov=cov)
    _, narrower = faults._foretold(at(mixture=known), known, place)
    np.testing.assert_allclose(covs - narrower, np.diag([0.04, 0.09]) + 0 * covs, atol=1e-9)


def test_a_fault_in_a_document_is_said_with_its_place_if_it_has_one() -> None:
    assert str(DocumentError("events.0", "no kind")) == "events.0: no kind"
    assert str(DocumentError("", "must be an object")) == "must be an object"
    assert DocumentError("a", "b").as_json() == {"error": {"path": "a", "message": "b"}}


@pytest.mark.parametrize(("screw", "column"), [("top", 3), ("bottom", 4)])
def test_an_untried_screw_that_is_turned_works_in_one_way_in_all_machines(screw: str, column: int) -> None:
    before = seen().samples.sign
    moved = situation.after_moves(seen(), [Turn(2, screw, 0.25)]).samples.sign
    assert len(np.unique(moved[:, column])) == 1
    for other in set(range(12)) - {column}:
        assert set(moved[:, other]) <= set(before[:, other])
    assert len(moved) < len(before)


def test_each_stage_asks_for_its_own_places_first_and_for_all_others_behind(monkeypatch: Patch) -> None:
    asked: list[tuple[int, list[int], list[int]]] = []

    def reachable(_: Any, station: int, first: Any, others: Any) -> list[int]:
        asked.append((station, list(first), list(others)))
        return list(first)

    monkeypatch.setattr(next_step, "_reachable", reachable)
    next_step.candidates(at(mark()), 3)
    assert asked == [(1, [0, 1], [5, 9]), (2, [0, 1, 2, 3, 4], [5, 6, 7, 8, 9, 10, 11])]
    assert len(o.GRID) == 12


@pytest.mark.parametrize(
    ("stage", "coarse", "left", "weights"),
    [
        (1, False, [0, 1], [1.0, 0.5, 0.0, 1.0]),
        (2, False, [0], [2.0, 0.5, 0.0, 1.0]),  # it also proves a position
        (2, False, [], [1.0, 0.5, 0.0, 1.0]),
        (3, False, [1], [1.0, 1.0, 0.0, 1.0]),
        (4, False, [0, 1, 3], [2.0, 1.0, 0.0, 2.0]),
        (2, True, [0], [0.4, 0.1, 0.0, 0.2]),  # readings by eye: what is at risk
    ],
)
def test_a_mark_weighs_what_it_tells_by_its_chance_its_proof_and_its_minutes(
    stage: int, coarse: bool, left: list[int], weights: list[float], monkeypatch: Patch
) -> None:
    places = [Place(2, i) for i in range(4)]
    tells, risky = np.array([2.0, 4.0, 9.0, 2.0]), np.array([0.4, 0.8, 9.0, 0.4])
    chance = np.array([1.0, 0.5, 1.0, 1.0])
    monkeypatch.setattr(next_step, "POLICY", replace(POLICY, proves=2.0))
    monkeypatch.setattr(next_step, "worth", says((tells, risky, chance)))
    monkeypatch.setattr(next_step, "unproved", says([places[i] for i in left]))
    monkeypatch.setattr(next_step, "rough", says(coarse))
    monkeypatch.setattr(next_step, "minutes", says(4.0))
    marks, seen_at = next_step._marks(at(blank(head=o.grid(seen().profile)[2])), stage, places, None)
    assert [one.weight for one in marks] == pytest.approx(weights)
    assert [one.tells for one in marks] == pytest.approx([2.0, 2.0, 0.0, 2.0])
    assert list(seen_at.values()) == [1.0, 0.5, 0.0, 1.0]


def test_after_a_blank_no_place_of_the_stage_is_more_probable_than_the_blanks_leave_it(
    monkeypatch: Patch,
) -> None:
    places = [Place(2, 0), Place(1, 0), Place(2, 1), Place(2, 0, anew=True)]
    ones = np.ones(4)
    monkeypatch.setattr(next_step, "worth", says((ones, ones, ones.copy())))
    monkeypatch.setattr(next_step, "unproved", says([]))
    _, chance = next_step._marks(at(mark()), 2, places, np.array([0.25, 1.0]))
    assert chance == {places[0]: 0.25, places[1]: 1.0, places[2]: 1.0, places[3]: 1.0}


@pytest.mark.parametrize(
    ("stage", "tells", "coarse", "asked"),
    [
        (2, 0.1, True, True),
        (3, 0.1, True, True),
        (4, 0.1, True, False),  # the bed is judged all together
        (2, 0.1, False, False),
        (2, 0.2, True, False),
    ],
)
def test_another_try_is_asked_for_where_marks_by_eye_tell_little(
    stage: int, tells: float, coarse: bool, asked: bool, monkeypatch: Patch
) -> None:
    tried: list[int] = []
    one = next_step.Mark(PLACE, tells, tells)
    nothing = next_step.Option(Choice("mark", place=PLACE), 0.0)
    everywhere = {Place(min(stage, 3), i): 1.0 for i in range(12)} | {Place(2, i): 1.0 for i in range(12)}
    monkeypatch.setattr(next_step, "POLICY", replace(POLICY, little=0.15))
    monkeypatch.setattr(next_step, "_marks", says(([one], everywhere)))
    for name, value in (("along_normal", None), ("good_enough", False), ("best_move", None)):
        monkeypatch.setattr(next_step, name, says(value))
    monkeypatch.setattr(next_step, "_marked", says(nothing))
    monkeypatch.setattr(next_step, "rough", says(coarse))

    def another_try(_: Any, at_stage: int) -> list[Event]:
        tried.append(at_stage)
        return [A]

    monkeypatch.setattr(next_step, "_another_try", another_try)
    monkeypatch.setattr(next_step, "_last_resort", says(STOP))
    found = next_step._work(at(mark()), stage)
    assert found == (Choice("turn", event=A, place=PLACE, stage=stage) if asked else STOP)
    assert tried == [stage] * asked


@pytest.mark.parametrize("station", ["mirror-1", "mirror-2", "nozzle", "below"])
def test_only_a_mark_at_mirror_3_proves_a_position_there(station: str) -> None:
    assert proof._moves_since(at(mark(station), A), 2, 1) is None
    assert proof._moves_since(at(mark("mirror-3"), A), 2, 1) is not None


def test_a_place_that_was_not_pulsed_keeps_its_chance_in_a_search() -> None:
    laser = seen().profile
    view = at(blank("mirror-1", o.grid(laser)[1]))
    x = seen().samples.x + m.shift_matrix("tube") @ [0.0, 27.0, 0.0]
    lost = (seen().samples.moved(x), o.everywhere(laser, x))
    found = search.search(view, 0, [Place(0, 0)], lost)
    assert found.do == "shift" and found.place == Place(0, 0)
    here = (seen().samples, seen().rays)
    assert search.search(view, 0, [Place(0, 1), Place(0, 0)], here).place == Place(0, 0)


@pytest.mark.parametrize(
    ("coarse", "tells", "now", "after", "moves"),
    [
        (True, 0.1, 0.5, 0.71, True),
        (True, 0.1, 0.5, 0.69, False),  # half of the offset may be error: a mark first
        (True, 0.1, 0.19, 0.2, True),  # too far off for that
        (True, 0.005, 0.5, 0.51, True),  # a mark would add nothing either
        (False, 0.1, 0.5, 0.51, True),
    ],
)
def test_by_eye_a_move_has_to_bring_the_stage_nearer_to_done(
    coarse: bool, tells: float, now: float, after: float, moves: bool, monkeypatch: Patch
) -> None:
    view, move = at(), move_choice.Move([A, B], gain=0.5, effort=2.0)
    monkeypatch.setattr(next_step, "rough", says(coarse))
    monkeypatch.setattr(next_step, "best_move", says(move))
    monkeypatch.setattr(next_step, "after_moves", lambda _, events: tuple(events))
    chances = {(A, B): after}
    monkeypatch.setattr(next_step, "probability", lambda one, _: now if one is view else chances[one])
    assert next_step._worth_moving(view, 3, next_step.Mark(PLACE, tells, 1.0)) == (move if moves else None)

"""Which of the options is taken: each question of the chain by itself, its neighbours told what to answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.solver.decide import faults, move_choice, next_step
from server.solver.decide.move_choice import Move
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View
from server.solver.estimate import samples as o
from server.solver.estimate import screws
from server.solver.events import Event, Inspected, MarkSeen, Shift, Turn
from server.solver.machine.profile import STATIONS
from tests.solver.test_situation import at, blank, mark, seen

Patch = pytest.MonkeyPatch
PLACE, TURN, OTHER = Place(2, 3), Turn(1, "top", 0.5), Turn(2, "top", 0.5)
FOUND = Inspected("gantry-racking", "nothing-found")
LITTLE = 1e-6


def says(value: Any) -> Callable[..., Any]:
    return lambda *_, **__: value


@pytest.mark.parametrize(
    ("share", "harmful", "events", "chosen"),
    [
        (POLICY.blamed, True, [], Choice("inspect", cause="gantry-racking")),
        (POLICY.blamed - LITTLE, True, [], None),
        (0.99, True, [], Choice("inspect", cause="gantry-racking")),
        (0.99, False, [], None),
        (0.99, True, [FOUND], Choice("inspect", cause="gantry-racking")),
        (0.99, True, [FOUND, FOUND], None),
        (
            0.99,
            True,
            [FOUND, FOUND, Inspected("rail-bow", "fixed")],
            Choice("inspect", cause="gantry-racking"),
        ),
        (
            0.99,
            True,
            [Inspected("gantry-racking", "not-fixed")],
            Choice("stop", cause="gantry-racking", reason="gantry-racking was not fixed"),
        ),
    ],
)
def test_what_is_surely_to_blame_is_looked_for(
    share: float, harmful: bool, events: list[Event], chosen: Choice | None, monkeypatch: Patch
) -> None:
    told = {"gantry-racking": share, "rail-bow": 0.005, "loose-mount": 0.0}
    monkeypatch.setattr(faults, "causes", says(told))
    monkeypatch.setattr(faults, "_harmful", says(harmful))
    monkeypatch.setattr(faults, "_telling", says((PLACE, 0.0, 0.0)))
    assert faults.faulty(at(*events)) == chosen


@pytest.mark.parametrize(
    ("share", "other", "missed", "unmasked", "doubted", "marks"),
    [
        (0.5, 0.0, False, 0.2, 0.5, True),
        (0.5, 0.0, True, 0.2, 0.5, False),  # a beam that is not seen tells nothing
        (0.5, 0.0, False, POLICY.telling * 0.5, 0.5, False),  # no mark settles enough of the doubt
        (0.5, 0.0, False, 0.1, POLICY.suspect, False),
        (0.5, 0.0, False, 0.1, POLICY.suspect + 0.01, True),
        (POLICY.suspect / 2, POLICY.suspect / 2, False, 0.2, 0.5, False),  # too improbable, both together
        (POLICY.suspect / 2, POLICY.suspect / 2 + 0.01, False, 0.2, 0.5, True),
        (
            1.01 - POLICY.suspect,
            0.0,
            False,
            0.06,
            1.01 - POLICY.certain,
            True,
        ),  # almost sure: less is doubted
        (1.01 - POLICY.suspect, 0.0, False, 0.06, 0.99 - POLICY.certain, False),
        (0.99 - POLICY.suspect, 0.0, False, 0.06, 1.01 - POLICY.certain, False),
        (POLICY.certain, 0.0, False, 0.2, 0.5, False),
    ],
)
def test_what_may_be_to_blame_is_told_by_a_mark(
    share: float, other: float, missed: bool, unmasked: float, doubted: float, marks: bool, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(faults, "causes", says({"gantry-racking": share, "rail-bow": other}))
    monkeypatch.setattr(faults, "_harmful", says(False))
    monkeypatch.setattr(faults, "missed", says(missed))
    monkeypatch.setattr(faults, "_telling", says((PLACE, unmasked, doubted)))
    assert faults.faulty(at()) == (Choice("mark", place=PLACE, why="fault") if marks else None)


@pytest.mark.parametrize(
    ("possible", "unmasked", "marks"), [(1.1, 1.1, True), (1.1, 0.9, False), (0.9, 1.1, False)]
)
def test_a_last_look_is_taken_where_a_fault_is_possible_and_a_mark_tells(
    possible: float, unmasked: float, marks: bool, monkeypatch: Patch
) -> None:
    half = possible * POLICY.late_suspect / 2
    monkeypatch.setattr(faults, "causes", says({"rail-bow": half, "loose-mount": half}))
    monkeypatch.setattr(faults, "_telling", says((PLACE, unmasked * POLICY.late_suspect, 0.5)))
    assert faults.last_look(at()) == (Choice("mark", place=PLACE, why="fault") if marks else None)


def with_dead(column: int, share: float, net: float = 0.0) -> View:
    """A view of which so much of the weight has one screw or base not moving."""
    mixture = seen().mixture
    sign = mixture.sign.copy()
    order = np.argsort(-mixture.weight)
    dead = order[: int(np.searchsorted(np.cumsum(mixture.weight[order]), share)) + 1]
    sign[:, column] = 1
    sign[dead, column] = screws.DEAD
    told = mixture.weight[dead].sum()
    log_weight = mixture.log_weight.copy()
    rest = np.setdiff1d(order, dead)
    log_weight[dead] += np.log(share / told)
    log_weight[rest] += np.log((1 - share) / (1 - told))
    turned = tuple(net if i == column else 0.0 for i in range(9))
    return at(mixture=replace(mixture, sign=sign, log_weight=log_weight, net_turns=turned, onward=turned))


@pytest.mark.parametrize(
    ("column", "share", "reach", "net", "chosen"),
    [
        (3, 0.4, 9.0, 0.0, None),
        (3, 0.95, 1.0, 0.0, None),  # the others make up for it
        (3, 0.95, 1.1, 0.0, "screw 'top' of mirror 2"),
        (10, 0.95, 1.1, 0.0, "the base of mirror 2"),
        (9, 0.6, 1.1, 0.0, "the base of mirror 1"),
        (3, 0.7, 1.1, 0.0, Turn(2, "top", 1 / 16)),  # it may only not have been turned
        (3, 0.7, 1.1, -1 / 16, Turn(2, "top", -1 / 16)),
        (3, 0.7, 1.1, 0.5, Turn(2, "top", -0.5)),
        (3, 0.95, 1.1, -1 / 32, Turn(2, "top", -1 / 16)),  # or by so little that play may have swallowed it
    ],
)
def test_what_does_not_move_and_keeps_it_out_of_reach_is_named_or_tried_again(
    column: int, share: float, reach: float, net: float, chosen: str | Turn | None, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(faults, "reach", says((reach * POLICY.out_of_reach, [])))
    dead = with_dead(column, share, net)
    largest = Turn(2, "top", net or 0.25)
    dead = replace(dead, alignment=replace(dead.alignment, events=(largest, mark())))
    found = faults.helpless(dead, 4)
    match chosen:
        case None:
            assert found is None
        case Turn():
            assert found == Choice("turn", event=chosen, stage=2, why="dead")
        case _:
            assert found is not None and found.do == "stop" and found.reason.startswith(chosen)


@pytest.mark.parametrize(
    ("net", "events", "stops"),
    [
        (3.0, (mark(),), True),
        (-3.0, (mark(),), True),
        (2.9, (mark(),), False),
        (3.0, (mark(), blank()), False),  # a beam that is not seen may be anywhere
    ],
)
def test_a_screw_at_its_end_without_which_it_cannot_be_done_is_named(
    net: float, events: tuple[Event, ...], stops: bool, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(faults, "reach", says((9.0, [])))
    found = faults.helpless(replace(with_dead(3, 0.1, net), alignment=at(*events).alignment), 4)
    assert (found is not None) is stops
    assert found is None or found.reason.startswith(
        "screw 'top' of mirror 2, at the end that the profile gives"
    )


def test_a_screw_that_was_tried_again_is_judged_by_a_mark(monkeypatch: Patch) -> None:
    monkeypatch.setattr(faults, "reach", says((9.0, [])))
    view, tried = with_dead(3, 0.7), Turn(2, "top", 0.25)
    cases: list[tuple[list[Event], str]] = [
        ([tried], "mark"),
        ([mark(), tried], "mark"),
        ([tried, mark()], "turn"),
        ([TURN], "turn"),
    ]
    for events, do in cases:
        found = faults.helpless(replace(view, alignment=replace(view.alignment, events=tuple(events))), 4)
        assert found is not None and found.do == do
        assert do == "turn" or (found.place is not None and found.place.station == found.stage == 2)


@pytest.mark.parametrize("answers", [None, "lost", "doubtful", "faulty", "helpless", "_work", "_end"])
def test_the_questions_are_asked_in_their_order(answers: str | None, monkeypatch: Patch) -> None:
    order = ["lost", "doubtful", "faulty", "helpless", "_work", "_end"]
    for name in order:
        late = answers is not None and order.index(name) >= order.index(answers)
        monkeypatch.setattr(next_step, name, says(Choice(name) if late else None))
    monkeypatch.setattr(next_step, "settled", says(answers == "_end"))
    if answers is None:
        monkeypatch.setattr(next_step, "_end", says(Choice("done")))
    assert next_step.choose(at()).do == (answers or "done")


@pytest.mark.parametrize("unsettled", range(5))
def test_the_first_stage_that_is_not_settled_is_worked_on(unsettled: int, monkeypatch: Patch) -> None:
    for name in ("lost", "doubtful", "faulty"):
        monkeypatch.setattr(next_step, name, says(None))
    asked: list[int] = []
    monkeypatch.setattr(next_step, "settled", lambda _, stage: stage < unsettled)
    monkeypatch.setattr(next_step, "helpless", lambda _, stage: asked.append(stage))
    monkeypatch.setattr(next_step, "_work", lambda _, stage: Choice("mark", stage=stage))
    assert next_step.choose(at(mark("mirror-2"))).stage == unsettled
    assert asked == [max(unsettled, 1)]


def test_at_the_end_each_station_has_shown_a_mark_and_again_after_moves(monkeypatch: Patch) -> None:
    monkeypatch.setattr(next_step, "unseen", says(3))
    monkeypatch.setattr(next_step, "_hung_again", says(None))
    monkeypatch.setattr(next_step, "last_look", says(None))
    marks: list[MarkSeen] = []
    for i, station in enumerate(STATIONS):
        choice = next_step._end(at(*marks))
        assert (choice.do, choice.stage, choice.why) == ("mark", i, "")
        assert choice.place == Place(i, 1 if marks else 0)
        marks.append(mark(station))
    moved = next_step._end(at(*marks))
    assert (moved.do, moved.place, moved.why, moved.stage) == ("mark", Place(3, 1), "moved", 3)
    monkeypatch.setattr(next_step, "unseen", says(None))
    assert next_step._end(at(*marks)).do == "done"
    monkeypatch.setattr(next_step, "last_look", says(Choice("look")))
    assert next_step._end(at(*marks)).do == "look"
    monkeypatch.setattr(next_step, "_hung_again", says(Choice("hang")))
    assert next_step._end(at(*marks)).do == "hang"


@pytest.mark.parametrize(
    ("events", "hangs", "chosen", "anew"),
    [
        ([mark("nozzle", hanging=1), Turn(3, "top", 0.5)], "nozzle", Place(3, 1), True),
        (
            [mark("nozzle", hanging=1), Turn(3, "top", 0.5)],
            "nozzle",
            Place(2, 1),
            False,
        ),  # not where it hangs
        ([mark("nozzle", hanging=1)], "nozzle", Place(3, 1), False),  # nothing was moved
        ([mark("nozzle"), Turn(3, "top", 0.5)], "nozzle", Place(3, 1), False),  # hangings are not numbered
        (
            [mark("nozzle", hanging=1), mark("nozzle", hanging=2), Turn(3, "top", 0.5)],
            "nozzle",
            Place(3, 1),
            False,
        ),
        ([mark("mirror-3", hanging=1), Turn(2, "top", 0.5)], "mirror-3", Place(2, 1), False),
        ([], None, Place(0, 0), False),
    ],
)
def test_the_first_mark_at_the_nozzle_after_a_move_is_the_second_hanging_there(
    events: list[Event], hangs: str | None, chosen: Place, anew: bool, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(next_step, "_along_chain", says(Choice("mark", place=chosen, stage=3)))
    hung = None if hangs is None else (hangs, 1)
    choice = next_step.choose(at(*events, mixture=replace(seen().mixture, hung=hung)))
    assert choice == Choice("mark", place=replace(chosen, anew=anew), stage=3, why="hung" if anew else "")


def beyond(share: float, key: int = 3, by: float = 1.2) -> View:
    """The view with that share of its machines beyond one of the verdict's tolerances."""
    numbers = np.zeros_like(seen().numbers)
    numbers[: round(share * len(numbers)), key] = by
    samples = replace(seen().samples, fault=np.zeros(len(numbers), dtype=int))
    return replace(seen(), numbers=numbers, samples=samples)


@pytest.mark.parametrize("coarse", [False, True])
@pytest.mark.parametrize("stage", range(4))
def test_a_stage_is_settled_where_its_own_numbers_probably_are(
    stage: int, coarse: bool, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(next_step, "rough", says(coarse))
    least = (POLICY.coarse_within if coarse else POLICY.within)[stage]
    own = range(o.STAGE_KEYS[stage - 1] if stage else 0, o.STAGE_KEYS[stage])
    for key in range(7):
        assert next_step.settled(beyond(1 - least + 0.02, key), stage) is (key not in own)
        assert next_step.settled(beyond(1 - least - 0.02, key), stage)
        assert next_step.settled(beyond(0.9, key, by=1.0), stage)


@pytest.mark.parametrize(
    ("coarse", "hung_mm", "enough"),
    [
        (False, 0.1, POLICY.within[4]),
        (False, 0.6, POLICY.within[4]),
        (True, 0.4, POLICY.coarse_within[4]),
        (True, 0.6, POLICY.hung_within),  # cards hang off by more than pulses err
    ],
)
def test_the_bed_is_good_where_all_are_probably_within_and_surely_not_far_beyond(
    coarse: bool, hung_mm: float, enough: float, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(next_step, "rough", says(coarse))
    monkeypatch.setattr(next_step, "pulse_sd", says(0.5))
    monkeypatch.setattr(next_step, "hang_sd", lambda _, station: {3: hung_mm}[station])
    sure = POLICY.coarse_surely if coarse else POLICY.surely
    for share, by, good in (
        (1 - enough - 0.01, 1.4, True),
        (1 - enough + 0.01, 1.4, False),
        (1 - sure - 0.006, 1.6, True),
        (1 - sure + 0.006, 1.6, False),
    ):
        assert next_step.good_enough(beyond(share, 6, by)) is good
        assert next_step.good_enough(beyond(share + 0.05, 6, by), spare=0.05) is good
    monkeypatch.setattr(next_step, "closer", lambda view: view)
    for left, settled in (([], True), ([PLACE], False)):
        monkeypatch.setattr(next_step, "unproved", says(left))
        assert next_step.settled(beyond(0.0), 4) is settled
    monkeypatch.setattr(next_step, "unproved", says([]))
    monkeypatch.setattr(next_step, "closer", lambda _: beyond(0.5))
    assert not next_step.settled(beyond(0.0), 4)


@pytest.mark.parametrize(("share", "rough"), [(0.99, False), (1.01, True)])
def test_readings_are_rough_that_err_by_a_fifth_of_the_overlap(
    share: float, rough: bool, monkeypatch: Patch
) -> None:
    profile = replace(seen().profile, tolerance=replace(seen().profile.tolerance, overlap_mm=2.0))
    view = replace(seen(), alignment=replace(seen().alignment, machine=profile))
    monkeypatch.setattr(next_step, "pulse_sd", says(share * POLICY.coarse * 2.0))
    assert next_step.rough(view) is rough


def now_of(view: View, cost: float, probability: float) -> move_choice._Now:
    return move_choice._Now(view, 2, np.full(7, 9.0), cost, probability)


@pytest.mark.parametrize(
    ("before", "after", "was", "then", "gain"),
    [
        (10.0, 4.0, 0.1, 0.1, 0.6),  # the share of the cost that it takes away
        (10.0, 4.0, 0.1, 0.5, 0.8),  # or twice the probability that it adds
        (0.2, 0.1, 0.1, 0.2, 0.2),  # of little cost only the probability counts
        (0.2, 0.0, 0.1, 0.1, 1.0),
        (10.0, 12.0, 0.3, 0.2, 0.0),
        (0.0, 0.0, 0.9, 0.95, 0.1),
    ],
)
def test_moves_are_weighed_by_what_they_take_away(
    before: float, after: float, was: float, then: float, gain: float, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(move_choice, "after_moves", says(seen()))
    monkeypatch.setattr(move_choice, "cost", says(after))
    monkeypatch.setattr(move_choice, "probability", says(then))
    events: list[Event] = [TURN, OTHER, Shift("tube", (0.0, 1.0, 0.0))]
    move = move_choice._weighed(now_of(seen(), before, was), events)
    assert move.gain == pytest.approx(gain)
    assert move.effort == 2.0 + POLICY.effort_shift and move.event == TURN


def weights(monkeypatch: Patch, gains: dict[tuple[Event, ...], float]) -> None:
    monkeypatch.setattr(
        move_choice,
        "_weighed",
        lambda _, events: Move(events, gains.get(tuple(events), 0.0), float(len(events))),
    )


def test_a_set_is_made_without_the_moves_that_it_can_do_without(monkeypatch: Patch) -> None:
    third = Turn(3, "top", 0.5)
    weights(
        monkeypatch,
        {
            (TURN, OTHER, third): 0.9,
            (TURN, OTHER): 0.8,
            (OTHER, third): 0.7,
            (TURN,): 0.6,
            (OTHER,): 0.5,
        },
    )
    now = now_of(seen(), 1.0, 0.0)
    assert move_choice._needed(now, [TURN, OTHER, third]).events == [TURN, OTHER]
    weights(monkeypatch, {(TURN, OTHER): 0.8, (TURN,): 0.81 - POLICY.spare, (OTHER,): 0.1})
    assert move_choice._needed(now, [TURN, OTHER]).events == [TURN]
    weights(monkeypatch, {(TURN, OTHER): 0.8, (TURN,): 0.79 - POLICY.spare, (OTHER,): 0.1})
    assert move_choice._needed(now, [TURN, OTHER]).events == [TURN, OTHER]
    assert move_choice._needed(now, [third]).events == [third]


@pytest.mark.parametrize(
    ("gains", "chosen"),
    [
        ({(TURN,): 0.5, (OTHER,): 0.4, (TURN, OTHER): 0.7}, [TURN, OTHER]),
        ({(TURN,): 0.58, (OTHER,): 0.4, (TURN, OTHER): 0.6}, [TURN]),
        (
            {(TURN,): 0.2, (OTHER,): 0.25, (TURN, OTHER): POLICY.gain - 0.02},
            [OTHER],
        ),  # no set will do: the best single
        ({(TURN,): 0.2, (OTHER,): 0.25, (TURN, OTHER): POLICY.gain}, [OTHER]),
    ],
)
def test_the_set_that_takes_away_most_for_its_effort_is_chosen(
    gains: dict[tuple[Event, ...], float], chosen: list[Event], monkeypatch: Patch
) -> None:
    weights(monkeypatch, gains)
    monkeypatch.setattr(move_choice, "_needed", lambda now, events: move_choice._weighed(now, events))
    sets = {(False, True): [TURN, OTHER], (False, False): [TURN], (True, True): [], (True, False): [TURN]}
    monkeypatch.setattr(move_choice, "adjustments", lambda _, *, screws_only, fine: sets[screws_only, fine])
    monkeypatch.setattr(move_choice, "singles", says([TURN, OTHER]))
    move = move_choice._chosen(seen(), 2)
    assert move is not None and move.events == chosen


@pytest.mark.parametrize(
    ("told", "made"), [(POLICY.least_gain + 0.01, True), (POLICY.least_gain, False), (0.0, False)]
)
def test_what_a_move_takes_away_is_told_by_machines_that_did_not_choose_it(
    told: float, made: bool, monkeypatch: Patch
) -> None:
    asked: list[int] = []

    def chosen(view: View, _: int) -> Move:
        asked.append(len(view.samples.x))
        return Move([TURN], 0.9, 1.0)

    def weighed(now: move_choice._Now, events: list[Event]) -> Move:
        asked.append(len(now.view.samples.x))
        return Move(events, told, 1.0)

    monkeypatch.setattr(move_choice, "_chosen", chosen)
    monkeypatch.setattr(move_choice, "_weighed", weighed)
    assert (move_choice.best_move(seen(), 2) is not None) is made
    assert asked == [96, 160]
    monkeypatch.setattr(move_choice, "_chosen", says(None))
    assert move_choice.best_move(seen(), 2) is None


def test_a_number_far_off_counts_no_more_than_its_cap() -> None:
    numbers = np.ones((4, 7))
    numbers[:, 2] = 20.0
    now = move_choice._now(replace(seen(), numbers=numbers, samples=seen().samples.only(np.arange(4))), 1)
    np.testing.assert_allclose(now.caps, [10.0, 10.0, 40.0, 10.0, 10.0, 10.0, 10.0])
    assert now.cost == pytest.approx(2 * 0.4**2 + 19.4**2)
    assert (now.stage, now.probability) == (1, 0.0)


def option(brings: float, name: str = "mark") -> next_step.Option:
    return next_step.Option(Choice(name), brings)


@pytest.mark.parametrize(
    ("marked", "moved", "chosen"),
    [(0.5, None, "mark"), (0.5, 0.6, "turn"), (0.6, 0.5, "mark"), (0.0, None, "rest"), (0.0, 0.1, "turn")],
)
def test_the_option_that_brings_most_is_taken_and_the_last_resort_where_none_does(
    marked: float, moved: float | None, chosen: str, monkeypatch: Patch
) -> None:
    one = next_step.Mark(PLACE, 0.5, 0.5)
    everywhere = {Place(2, i): 1.0 for i in range(12)}
    monkeypatch.setattr(next_step, "_marks", says(([one], everywhere)))
    monkeypatch.setattr(next_step, "good_enough", says(False))
    monkeypatch.setattr(next_step, "best_move", says(None if moved is None else Move([TURN], 0.5, 1.0)))
    monkeypatch.setattr(next_step, "_marked", says(option(marked)))
    monkeypatch.setattr(next_step, "_moved", says(option(moved or 0.0, "turn")))
    monkeypatch.setattr(next_step, "_last_resort", says(Choice("rest")))
    monkeypatch.setattr(next_step, "rough", says(False))
    found = next_step._work(at(mark()), 2)
    assert found is not None and found.do == chosen


@pytest.mark.parametrize(("chance", "searches"), [(POLICY.catch - 0.01, True), (POLICY.catch + 0.01, False)])
@pytest.mark.parametrize("begun", [False, True])
def test_a_beam_that_would_hardly_leave_a_mark_is_searched_for(
    chance: float, searches: bool, begun: bool, monkeypatch: Patch
) -> None:
    one = next_step.Mark(PLACE, 0.5, 0.5)
    monkeypatch.setattr(next_step, "_marks", says(([one], {Place(2, i): chance for i in range(12)})))
    monkeypatch.setattr(next_step, "good_enough", says(True))
    monkeypatch.setattr(next_step, "_marked", says(option(0.5)))
    monkeypatch.setattr(next_step, "search", says(Choice("search")))
    monkeypatch.setattr(next_step, "_brought_back", says(Choice("back") if begun else None))
    found = next_step._work(at(mark()), 2)
    assert found is not None
    assert found.do == (("back" if begun else "search") if searches else "mark")


@pytest.mark.parametrize(
    ("tells", "now", "coarse", "worth"),
    [
        (POLICY.nothing, 0.5, False, True),
        (POLICY.nothing - LITTLE, 0.5, False, True),
        (POLICY.nothing - LITTLE, POLICY.as_good_as_done, False, False),  # too little there
        (POLICY.nothing - LITTLE, 1 - POLICY.as_good_as_done, False, False),
        (POLICY.nothing, POLICY.as_good_as_done, False, True),
        (POLICY.nothing - LITTLE, POLICY.as_good_as_done, True, True),
        (POLICY.coarse_nothing - LITTLE, 0.5, True, False),
        (POLICY.coarse_nothing, 0.5, True, True),
    ],
)
def test_a_mark_that_tells_next_to_nothing_brings_nothing(
    tells: float, now: float, coarse: bool, worth: bool, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(next_step, "probability", says(now))
    monkeypatch.setattr(next_step, "rough", says(coarse))
    one = next_step.Mark(PLACE, tells, 0.5)
    found = next_step._marked(at(), 2, [one], one)
    assert found == next_step.Option(Choice("mark", place=PLACE, stage=2), tells if worth else 0.0)


def test_a_position_to_be_proved_at_the_end_is_marked_whatever_it_tells(monkeypatch: Patch) -> None:
    left = [Place(2, 1), Place(2, 4)]
    monkeypatch.setattr(next_step, "unproved", says(left))
    marks = [next_step.Mark(Place(2, i), 0.0, float(i)) for i in (1, 4, 3)]
    marks.append(next_step.Mark(PLACE, 0.7, 9.0))
    found = next_step._marked(at(), 4, marks, marks[-1])
    assert found.choice == Choice("mark", place=Place(2, 4), stage=4, why="proof") and found.brings == 0.7
    assert next_step._marked(at(), 4, marks, marks[0]).brings > 0.0
    monkeypatch.setattr(next_step, "rough", says(True))
    assert next_step._marked(at(), 3, marks, marks[-1]).choice.why == ""


@pytest.mark.parametrize(
    ("gain", "told", "brings"),
    [
        (0.5, 0.9, 1.0),
        (0.5, 1.1, POLICY.little),
        (POLICY.gain, 0.9, POLICY.little),
        (POLICY.gain + 0.01, 0.9, 1.0),
    ],
)
def test_a_move_comes_before_a_mark_that_would_not_change_it(
    gain: float, told: float, brings: float, monkeypatch: Patch
) -> None:
    """What the move does is 1 tolerances²; told : of what the mark would have to tell to change it."""
    monkeypatch.setattr(next_step, "_change", says(np.array([0.6, 0.8])))
    monkeypatch.setattr(next_step, "_removed_along", says(told / POLICY.changed))
    found = next_step._moved(at(), 2, Move([TURN], gain, 1.0), next_step.Mark(PLACE, 0.5, 1.0))
    assert found.brings == pytest.approx(brings)
    assert found.choice == Choice("turn", place=PLACE, event=TURN, stage=2)

"""The reason for a step and the words that go with it, for each kind of choice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.solver import say
from server.solver.decide.situation import Choice, Place
from server.solver.estimate import hypotheses as b
from server.solver.events import Event, Shift, Turn
from server.solver.machine import model as m
from server.solver.steps import Verdict
from tests.solver.test_situation import at, mark, seen

Patch = pytest.MonkeyPatch
TURN = Turn(2, "top", -0.1875)


def says(value: Any) -> Callable[..., Any]:
    return lambda *_, **__: value


@pytest.mark.parametrize(
    ("choice", "coarse", "events", "said"),
    [
        (Choice("mark", place=Place(2, 1), why="proof"), False, [], "(3 to go)"),
        (Choice("mark", place=Place(m.BELOW_AT, 2)), True, [], "where the beam meets the lens"),
        (Choice("mark", place=Place(2, 1, anew=True)), True, [mark()], "each hanging puts the card"),
        (Choice("mark", place=Place(2, 1)), True, [mark()], "one reading errs by 0.4 mm"),
        (Choice("mark", place=Place(2, 1)), False, [mark()], "a mark here tells most"),
        (Choice("mark", place=Place(2, 1)), True, [mark("nozzle")], "a mark here tells most"),
        (Choice("mark", place=Place(2, 1)), True, [mark(), TURN], "a mark here tells most"),
        (Choice("mark", place=Place(2, 1), why="doubt"), True, [mark()], "nothing explains the last mark"),
        (Choice("mark", place=Place(2, 1), why="hung"), True, [mark()], "has hung here only once"),
        (Choice("turn", event=TURN), False, [], "takes away most of the error that is left"),
        (Choice("turn", event=TURN, why="dead"), False, [], "seemed to do nothing"),
        (Choice("shift", event=Shift("tube", (0.0, 1.0, 0.0))), False, [], "no single screw can"),
        (Choice("turn", event=TURN, why="search"), False, [], "the beam missed the card, and after this"),
        (Choice("inspect", cause="rail-bow"), False, [], "but this fault does"),
        (Choice("done"), False, [], "every number is within tolerance"),
        (Choice("stop", reason="x"), False, [], "nothing that can be done"),
    ],
)
def test_each_choice_has_a_reason_of_its_own(
    choice: Choice, coarse: bool, events: list[Event], said: str, monkeypatch: Patch
) -> None:
    monkeypatch.setattr(say, "unproved", says([Place(2, i) for i in range(3)]))
    monkeypatch.setattr(say, "rough", says(coarse))
    monkeypatch.setattr(say, "pulse_sd", says(0.44))
    words = say.why(at(*events), choice)
    assert said in words and not words.endswith(".") and words[0].islower()


@pytest.mark.parametrize(
    ("choice", "order"),
    [
        (Choice("turn", event=TURN), "Turn the 'top' screw of mirror 2 by 3/16 turn anticlockwise"),
        (
            Choice("shift", event=Shift("mirror-2", (0.0, 0.5, -1.0))),
            "With the supply off and discharged, move",
        ),
        (Choice("stop", cause="rail-bow", reason="x"), "Stop: a rail is bowed, and until that is repaired"),
        (Choice("stop", reason="it is out of reach"), "Stop: it is out of reach"),
        (Choice("done"), "Done: the beam is aligned over the whole bed"),
    ],
)
def test_each_choice_is_an_order(choice: Choice, order: str) -> None:
    words = say.parts(at(), choice, None, None)
    assert words.order.startswith(order) and words.then == ""
    assert words.why == say.why(at(), choice)


@pytest.mark.parametrize(
    ("power", "said"), [(0.874, "gets 87 %"), (0.9943, "gets 99.4 %"), (0.9999, "gets > 99.9 %"), (None, "")]
)
def test_done_says_what_the_weakest_corner_gets_and_whether_the_lens_was_seen(
    power: float | None, said: str
) -> None:
    verdict = power and Verdict(True, {}, {}, None, 0.0, power, (0.0, 0.0), ())
    words = say.parts(at(mark()), Choice("done"), None, verdict or None)
    assert (said in words.what) if said else words.what.endswith("whole bed")
    assert "lens is assumed centred" in words.care
    assert say.parts(at(mark("below")), Choice("done"), None, None).care == ""


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_a_loose_mount_is_looked_for_at_the_likeliest_mirror_first(mount: int) -> None:
    mixture = b.take(b.prior(seen().profile), np.arange(3), np.log([0.5, 0.3, 0.2]))
    mixture = replace(mixture, fault=np.array([0, b.LOOSE + mount - 1, b.LOOSE + mount % 3]))
    words = say._made(at(mixture=mixture), Choice("inspect", cause="loose-mount"), None)
    assert f"mirror {mount}'s first" in words.care


def test_what_was_weighed_is_told_in_per_cent(monkeypatch: Patch) -> None:
    monkeypatch.setattr(say, "_odds", says([0.5, 0.25, 1.0, 0.123]))
    monkeypatch.setattr(say, "causes", says({"gantry-racking": 0.1, "rail-bow": 0.31, "loose-mount": 0.2}))
    assert say.weighed(at()) == (
        "Probability of being within tolerance: mirror 1 50%, leg 1–2 25%, leg 2–3 100%, nozzle 12%; "
        "most probable fault: rail-bow 31%."
    )


def test_the_odds_of_a_leg_need_all_its_numbers() -> None:
    numbers = np.zeros((10, 7))
    for key, bad in ((0, 1), (1, 2), (2, 3), (3, 4), (4, 2), (5, 5), (6, 6)):
        numbers[:bad, key] = 1.1
    numbers[9, :] = 1.0  # just within
    odds = say._odds(replace(seen(), numbers=numbers))
    assert odds == pytest.approx([0.9, 0.7, 0.6, 0.4])

"""Whether it is noticed that left and right are exchanged, and nothing else is taken for it."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.solver import answer
from server.solver.decide import left_right
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import look
from server.solver.estimate.belief import believe
from server.solver.estimate.hypotheses import Note
from server.solver.events import Difference, MarkSeen
from tests.machines import Machine, draw_machine
from tests.solver.test_choice import TURN, says
from tests.solver.test_situation import at, blank, mark, seen

Json = dict[str, Any]
CORNER = "the tube is at the back right, not where the profile has it"
READ = "offsets are noted with left and right exchanged"


def as_noted(machine: Machine, mistake: str) -> Json:
    """The document as somebody notes it who makes that mistake."""
    document = copy.deepcopy(machine.document())
    if mistake == "corner":
        document["machine"]["path"]["corner"] = "back-right"
    for event in document["events"]:
        if mistake == "read" and "offset_mm" in event:
            event["offset_mm"][0] *= -1
    return document


def followed(seed: int, mistake: str, most: int = 60) -> tuple[str, str, int]:
    """How an alignment ends under that mistake, why, and after how many events."""
    machine = draw_machine(seed, severity="rebuilt", bed="600", corner="back-left", fault=None)
    for _ in range(most):
        step = answer(as_noted(machine, mistake))
        if step["do"] in ("done", "stop"):
            return step["do"], step.get("reason", ""), len(machine.events)
        machine.obey(step)
    return "given up", "", len(machine.events)


@pytest.mark.parametrize(("mistake", "named"), [("corner", CORNER.replace("right", "left")), ("read", READ)])
def test_it_stops_and_names_the_mistake_before_the_beam_is_driven_away(mistake: str, named: str) -> None:
    do, reason, events = followed(0, mistake)
    assert do == "stop" and named in reason
    assert events <= POLICY.exchanged_events


def test_without_a_mistake_nothing_is_suspected() -> None:
    assert followed(0, "")[0] == "done"


def test_the_other_worlds_exchange_left_and_right_and_nothing_else() -> None:
    between = Difference("mirror-3", (0.0, 0.0), (600.0, 0.0), (0.7, 0.2), (0.1, 0.1))
    one = MarkSeen("mirror-1", (0.0, 0.0), (1.5, -0.5), (0.05, 0.05))
    alignment = at(one, TURN, between, blank()).alignment
    read = left_right._read_exchanged(alignment)
    assert read.machine == alignment.machine
    assert read.events == (
        replace(one, offset_mm=(-1.5, -0.5)),
        TURN,
        replace(between, offset_mm=(-0.7, 0.2)),
        blank(),
    )
    built = left_right._other_corner(alignment)
    assert built.events == alignment.events
    corners = {alignment.machine.path.corner, built.machine.path.corner}
    assert corners == {"back-left", "back-right"}
    path = replace(built.machine.path, corner=alignment.machine.path.corner)
    assert replace(built.machine, path=path) == alignment.machine


@pytest.mark.parametrize(
    ("events", "sign", "noted", "odd"),
    [
        ([TURN, mark()], -1, False, True),
        ([TURN, mark()], 1, True, True),
        ([TURN, mark()], 1, False, False),  # all works as in the profile
        ([mark()], -1, True, False),  # nothing was moved
        ([mark(), TURN], -1, True, False),  # no mark has shown yet what that did
        ([TURN, *[mark()] * POLICY.exchanged_events], -1, True, False),
        ([], -1, True, False),
    ],
)
def test_it_is_asked_only_where_a_move_did_something_else(
    events: list[Any], sign: int, noted: bool, odd: bool
) -> None:
    mixture = seen().mixture
    signs = mixture.sign.copy()
    signs[mixture.best, :9] = 1
    signs[mixture.best, 4] = sign
    notes = ((Note("none", 1, "top", "top"),) * noted,) * len(signs)
    assert left_right._odd(at(*events, mixture=replace(mixture, sign=signs, notes=notes))) is odd


@pytest.mark.parametrize(
    ("built", "read", "words"),
    [
        (13.8, 0.0, None),  # 0.01 e^13.8 is odds of 9852 to 1
        (13.9, 0.0, [CORNER]),
        (0.0, 13.9, [READ]),
        (13.1, 13.1, None),
        (13.2, 13.2, [CORNER, READ]),
        (20.0, 15.5, [CORNER, READ]),
        (20.0, 15.3, [CORNER]),
        (30.0, 20.0, [CORNER]),
        (2e3, 10.0, [CORNER]),
    ],
)
def test_the_evidence_decides(
    built: float, read: float, words: list[str] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(left_right, "_odd", says(True))
    view = seen()
    ways = iter([built, read])
    monkeypatch.setattr(
        left_right,
        "believe",
        lambda _: replace(view.mixture, evidence=view.mixture.evidence + next(ways)),
    )
    if view.profile.path.corner != "back-left":
        pytest.skip("the words are those of a tube at the back left")
    found = left_right.exchanged(view)
    assert (found is None) is (words is None)
    if found is not None and words is not None:
        assert found.do == "stop"
        assert [name for name in (CORNER, READ) if name in found.reason] == words


def test_outside_the_evidence_is_that_of_the_marks_under_one_gaussian() -> None:
    """Of two marks on one hanging, nothing moved, exchanging left and right changes the evidence only by how
    the prior is skewed: a prior that is even in u leaves it as it is (mirror 1 sees the tube alone)."""
    one = MarkSeen("mirror-1", (0.0, 0.0), (1.5, -0.5), (0.05, 0.05))
    alignment = at(one).alignment
    here = believe(alignment).evidence
    assert believe(left_right._read_exchanged(alignment)).evidence == pytest.approx(here, abs=1e-6)
    assert np.isfinite(here) and look(alignment).mixture.evidence == here

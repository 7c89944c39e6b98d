"""What decides the value of a mark or a move: proofs still missing, the lens, marks that add little."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.solver import answer, parse_alignment
from server.solver.decide import move_choice as weigh
from server.solver.decide import next_step as plan
from server.solver.decide.policy import POLICY
from server.solver.decide.proof import unproved, worked
from server.solver.decide.situation import Place, View, look
from server.solver.estimate import samples as o
from server.solver.events import Turn
from tests.machines import Machine, draw_machine
from tests.solver.test_proof import FIVE

SEEDS = range(2)
MORE_SEEDS = range(5, 9)  # several, because a missing proof does not always change which mark is chosen


def machine(seed: int) -> Machine:
    return draw_machine(seed, severity="rebuilt", bed="600", corner="back-left", fault=None)


def viewed(of: Machine) -> View:
    return look(parse_alignment(of.document()))


@cache
def known(seed: int) -> View:
    """A machine whose every place has been marked."""
    one = machine(seed)
    for station, heads in (
        ("mirror-1", FIVE[:1]),
        ("mirror-2", FIVE[:2]),
        ("mirror-3", FIVE),
        ("nozzle", FIVE),
    ):
        for head in heads:
            one.pulse(station, head)
    return viewed(one)


def lens_after(view: View) -> float:
    """Planned offset (mm) of the beam at the lens after the moves that bring the bed's error to zero."""
    moves = weigh.adjustments(weigh.pose(view, 4, small=0.0), worth=0.01)
    meant = np.sum([worked(view, event) for event in moves], axis=0)[None]
    return float(np.hypot(*o.pushed(view.best, view.jacobian, meant).lens_mm[0, : o.BED].mean(0)))


def test_moves_lean_toward_the_lens(monkeypatch: pytest.MonkeyPatch) -> None:
    views = [known(seed) for seed in SEEDS]
    leaning = sum(map(lens_after, views))
    monkeypatch.setattr(weigh, "POLICY", replace(POLICY, lens=4.0))
    assert leaning < sum(map(lens_after, views))


def test_a_mark_that_also_proves_is_made_before_one_that_tells_a_little_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    swayed = 0
    for seed in MORE_SEEDS:
        one = machine(seed)
        for _ in range(40):
            view = viewed(one)
            choice = plan.choose(view)
            if (choice.do, choice.stage) == ("mark", 2) and choice.place is not None and unproved(view):
                with monkeypatch.context() as patched:
                    patched.setattr(plan, "POLICY", replace(POLICY, proves=1.0))
                    plain = plan.choose(view)
                if plain.place != choice.place:
                    assert choice.place in unproved(view) and plain.place not in unproved(view)
                    swayed += 1
            if swayed or one.obey(answer(one.document())) is None:
                break
        if swayed:
            break
    assert swayed


@pytest.mark.parametrize("probable", [True, False])
def test_a_mark_that_tells_little_is_made_only_where_the_bed_is_probably_not_good(
    probable: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    view = known(0)
    monkeypatch.setattr(plan, "best_move", lambda *_: None)
    monkeypatch.setattr(plan, "_sets", lambda *_: [])
    monkeypatch.setattr(plan, "unproved", lambda *_: [])
    chance = 0.95 if probable else 0.7
    monkeypatch.setattr(
        plan, "probability", lambda _view, _stage, factor=1.0: chance if factor == 1 else 0.99
    )
    places = plan.candidates(view, 4)
    little, sure = np.full(len(places), 0.03), np.ones(len(places))
    monkeypatch.setattr(plan, "worth", lambda *_: (little, little, sure))
    choice = plan._work(view, 4)
    assert choice is None if probable else choice is not None and choice.do == "mark"


def test_mirror_1_is_looked_at_again_at_the_end_where_readings_are_fine(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    view = known(0)
    stations = [{place.station for place in plan.candidates(view, stage)} for stage in range(5)]
    assert [0 in of for of in stations] == [True, True, False, False, True]
    monkeypatch.setattr(plan, "next_sigma", lambda _view: 0.4)  # mm, as by eye
    assert 0 not in {place.station for place in plan.candidates(view, 4)}


def test_a_mark_tells_of_the_screw_that_was_turned_and_not_of_the_one_across() -> None:
    """The mark shows which way an untried screw works; it says less about the other screw."""
    laser = draw_machine(3, severity="rebuilt", bed="600", corner="back-left", fault=None)
    for station, head in (("mirror-1", [0.0, 400.0]), ("mirror-2", [0.0, 400.0]), ("mirror-2", [0.0, 0.0])):
        laser.pulse(station, head)
    laser.turn(1, "top", 0.25)
    view = viewed(laser)
    assert told_along(view, "top") > 2 * told_along(view, "side")


def told_along(view: View, screw: str) -> float:
    """Variance (tolerances²) that the far mark removes along the effect of turning a screw of mirror 1."""
    does = plan._change(view, 1, Turn(1, screw, 1.0))
    return plan._removed_along(view, 1, does, Place(1, 1))

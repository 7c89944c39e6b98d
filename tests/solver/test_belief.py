"""What the solver learns: screws that work backwards, turns of the wrong screw, causes, searches, the aim
point."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.solver import answer, explain, next_step, parse_alignment, parse_profile
from server.solver.decide.faults import _foretold, _telling, causes
from server.solver.decide.situation import Place, look
from server.solver.estimate.belief import believe
from server.solver.estimate.hypotheses import BOWS, FAULTS, Note, prune, take
from server.solver.estimate.screws import CODES, DEAD, chances
from server.solver.machine import model as m
from tests.machines import Machine, disturbance, draw_machine, profile
from tests.machines.faults import Fault

Json = dict[str, Any]
FRONT_LEFT = [0.0, 0.0]
BACK_LEFT = [0.0, 400.0]


def machine(seed: int = 3, *, fault: str | None = None) -> Machine:
    return draw_machine(seed, severity="drifted", bed="600", corner="back-left", fault=fault)


def marked(seed: int = 3) -> Machine:
    laser = machine(seed)
    for station, head in (("mirror-1", BACK_LEFT), ("mirror-2", BACK_LEFT), ("mirror-2", FRONT_LEFT)):
        laser.pulse(station, head)
    return laser


def obeyed(laser: Machine, screw: str, turns: float, *, instead: str = "", way: int = 1) -> Json:
    """The document after a turn that was asked for and what was done instead, and one more mark."""
    laser.turn(1, instead or screw, way * turns)
    laser.events[-1] = {"kind": "turn", "mount": 1, "screw": screw, "turns": turns}
    laser.pulse("mirror-2", FRONT_LEFT)
    return laser.document()


def sign_of(document: Json, mount: int, contact: int) -> float:
    mixture = believe(parse_alignment(document))
    return float(mixture.weight @ mixture.sign[:, 3 * (mount - 1) + contact])


@pytest.mark.parametrize("seed", [3, 4, 7])
def test_one_turn_shows_which_way_a_screw_works(seed: int) -> None:
    laser = marked(seed)
    true = laser.screws[1, "top"].clockwise
    assert sign_of(obeyed(laser, "top", 0.25), 1, 0) * true > 0.9


def test_a_screw_once_taken_for_backwards_is_found_to_work_forwards() -> None:
    """The first turn was done the wrong way round: what it seemed to teach is unlearned."""
    laser = marked()
    true = laser.screws[1, "top"].clockwise
    assert sign_of(obeyed(laser, "top", 0.25, way=-1), 1, 0) * true < -0.9
    for turns in (0.25, -0.25):
        document = obeyed(laser, "top", turns)
    assert sign_of(document, 1, 0) * true > 0.9


@pytest.mark.parametrize("seed", [3, 4, 7])
def test_a_first_turn_the_wrong_way_is_found_by_a_later_mark_whatever_lies_between(seed: int) -> None:
    """Both explain the first mark: a screw that works backwards, or a hand that did."""
    laser = marked(seed)
    true = laser.screws[1, "top"].clockwise
    obeyed(laser, "top", -0.125, way=-1)
    laser.turn(1, "top", 0.22)
    for station, head in (("mirror-3", [300.0, 200.0]), ("mirror-3", BACK_LEFT), ("mirror-2", FRONT_LEFT)):
        laser.pulse(station, head)
    mixture = believe(parse_alignment(laser.document()))
    other_way = [Note("way", 1, "top", "top") in notes for notes in mixture.notes]
    assert mixture.weight[other_way].sum() > 0.9
    assert causes(mixture)["loose-mount"] < 0.1
    # Which of both turns it was, the next tells.
    assert sign_of(obeyed(laser, "top", -0.125), 1, 0) * true > 0.9


@pytest.mark.parametrize(
    ("tried", "code", "least", "most"),
    [
        ((0, 0, 0), -1, 0.13, 0.2),
        ((1, 0, 0), -1, 0.03, 0.08),
        ((-1, 0, 0), -1, 0.6, 0.85),
        ((0, 2, 0), 2, 0.5, 1.0),
        ((1, 0, 0), 2, 0.0, 0.02),
        ((1, 1, 0), DEAD, 0.005, 0.05),
    ],
)
def test_how_a_screw_works_is_foretold_by_the_others_of_its_mount(
    tried: tuple[int, ...], code: int, least: float, most: float
) -> None:
    given = parse_profile(profile("1600"))
    chance = chances(given, 1, np.array(tried), tried.index(0))
    assert chance.sum() == pytest.approx(1.0)
    assert least < float(chance[list(CODES).index(code)]) < most


def test_a_turn_of_the_wrong_screw_is_noticed_and_asked_about() -> None:
    laser = marked()
    obeyed(laser, "top", 0.25)
    obeyed(laser, "side", 0.25)
    obeyed(laser, "corner", 0.25)
    document = obeyed(laser, "top", 0.5, instead="side")
    notes = believe(parse_alignment(document)).notes
    assert any(note == Note("screw", 1, "side", "top") for kept in notes for note in kept)
    assert "side" in answer(document)["say"] or answer(document)["do"] == "mark"


@pytest.mark.parametrize(
    ("way", "kind"), [([1, -1, -1], "moved"), ([1, 1, -1], "moved"), ([0, 0, 0], "left")]
)
def test_a_part_moved_the_wrong_way_or_not_at_all_is_found_by_the_next_mark(
    way: list[int], kind: str
) -> None:
    laser = machine()
    laser.pulse("mirror-1", BACK_LEFT)
    asked = [0.0, 1.5, 2.5]
    laser.shift("tube-exit", [w * a for w, a in zip(way, asked, strict=True)])
    laser.events[-1]["move_mm"] = asked
    for _ in range(2):
        laser.pulse("mirror-1", BACK_LEFT)
    mixture = believe(parse_alignment(laser.document()))
    so = [Note(kind, asked="tube-exit") in notes for notes in mixture.notes]
    assert mixture.weight[so].sum() > 0.9


def test_the_far_mark_is_led_to_where_the_near_mark_will_be() -> None:
    """Turning mirror 1 moves the near mark too: the aim is not where the near mark is now."""
    laser = marked()
    step = answer(laser.document())
    while step["do"] == "mark":
        laser.obey(step)
        step = answer(laser.document())
    expect = step["expect"]
    laser.obey(step)
    true = laser.true_offsets(expect["head_mm"])[expect["station"]]
    assert np.hypot(*(np.array(expect["offset_mm"]) - true)) < max(4 * expect["sigma_mm"], 0.5)


@pytest.mark.parametrize(
    ("outcome", "ends"), [("not-fixed", "stop"), ("fixed", "mark"), ("nothing-found", "")]
)
def test_what_an_inspection_found_counts(outcome: str, ends: str) -> None:
    laser = machine(3, fault="gantry-racking")
    step = answer(laser.document())
    for _ in range(80):
        if step["do"] == "inspect":
            break
        laser.obey(step)
        step = answer(laser.document())
    assert step == step | {"do": "inspect", "cause": "gantry-racking"}
    before = causes(believe(parse_alignment(laser.document())))["gantry-racking"]
    document = laser.document()
    document["events"].append({"kind": "inspected", "cause": "gantry-racking", "outcome": outcome})
    after = causes(believe(parse_alignment(document)))["gantry-racking"]
    assert after >= before if outcome == "not-fixed" else after < before
    if ends:
        assert answer(document)["do"] == ends


def test_a_beam_that_is_nowhere_is_searched_for_by_turning() -> None:
    """Blank after blank: it does not pulse at one place for ever, it goes back to where the beam was seen,
    and it does not give up."""
    laser = machine()
    for station, head in (("mirror-1", BACK_LEFT), ("mirror-2", BACK_LEFT), ("mirror-2", FRONT_LEFT)):
        laser.events.append(
            {"kind": "mark", "station": station, "head_mm": head, "offset_mm": [0.1, 0.1], "sigma_mm": 0.05}
        )
    document, done, back = laser.document(), [], []
    for _ in range(26):
        step = answer(document)
        done.append(step["do"])
        if step["do"] == "mark":
            document["events"].append(
                {"kind": "no-mark", "station": step["station"], "head_mm": step["head_mm"]}
            )
        elif step["do"] == "turn":
            document["events"].append({"kind": "turn"} | {k: step[k] for k in ("mount", "screw", "turns")})
        elif step["do"] == "shift":
            document["events"].append({"kind": "shift"} | {k: step[k] for k in ("part", "move_mm")})
        else:
            break
        if "last seen" in step["why"]:
            back.append((step["station"], step["head_mm"]))
    assert "stop" not in done and "inspect" not in done
    assert done.count("turn") >= 3
    assert back[0] == ("mirror-2", FRONT_LEFT) and len(set(map(str, back))) == len(back)


def test_the_same_document_gets_the_same_step_whatever_was_asked_before() -> None:
    document = marked().document()
    once = answer(document)
    answer(machine(4).document())
    assert answer(document) == once


def test_why_is_two_sentences_with_numbers() -> None:
    words = explain(marked().document())
    assert "%" in words
    assert len([part for part in words.rstrip(".").split(". ") if part]) == 2
    assert words.endswith(next_step(parse_alignment(marked().document())).why)


@pytest.mark.parametrize(("what", "rail"), [("y-rail", "Y"), ("x-rail-up", "X"), ("x-rail-back", "X")])
def test_a_bow_is_taken_for_a_bow_of_one_rail(what: str, rail: str) -> None:
    laser = machine()
    laser.fault = Fault("rail-bow", what, 2.0)
    laser.pulse("mirror-1", BACK_LEFT)
    for y in (400.0, 0.0, 200.0):
        laser.pulse("mirror-2", [0.0, y])
    for head in ([0.0, 400.0], [600.0, 400.0], [300.0, 400.0], [600.0, 0.0], [300.0, 200.0]):
        laser.pulse("mirror-3", head)
    document = parse_alignment(laser.document())
    assert causes(believe(document))["rail-bow"] > 0.9
    mixture = believe(document)
    y_rail, x_rail = (np.abs(mixture.mean[mixture.best, m.BOW][bows]).max() for bows in BOWS.values())
    bowed, straight = (y_rail, x_rail) if rail == "Y" else (x_rail, y_rail)
    assert bowed == pytest.approx(2.0, abs=0.3)
    assert straight < 0.1


def test_which_rail_is_bowed_needs_no_mark_where_all_else_is_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """A person looks along both: a mark that would tell one rail from the other tells nothing."""
    laser = machine()
    laser.pulse("mirror-1", BACK_LEFT)
    view = look(parse_alignment(laser.document()))
    only = np.isin(view.mixture.fault, list(BOWS))
    mixture = take(view.mixture, np.flatnonzero(only), view.mixture.log_weight[only])
    undecided = replace(view, mixture=prune(mixture))
    assert set(undecided.mixture.fault) == set(BOWS)
    assert _telling(undecided)[1:] == (0.0, 0.0)
    monkeypatch.setattr("server.solver.estimate.hypotheses.SEEN_AS", np.arange(len(FAULTS)))
    assert _telling(undecided)[1] > 0.0


def test_a_repeat_is_foretold_where_the_marks_on_its_card_lie() -> None:
    """However the card hangs: all hypotheses agree on that, so a repeat tells no fault from the others."""
    laser = machine()
    laser.disturbed = disturbance("hung 2 mirrors")
    for station, head in (("mirror-1", BACK_LEFT), ("mirror-2", BACK_LEFT), ("mirror-2", FRONT_LEFT)):
        laser.pulse(station, head)
    laser.hung = np.array([1.5, -1.5, 0.0])
    marks = [laser.pulse("mirror-2", FRONT_LEFT)["offset_mm"] for _ in range(8)]
    view = look(parse_alignment(laser.document()))
    likely = take(view.mixture, np.flatnonzero(view.mixture.weight > 1e-3), np.zeros(1))
    here, anew = (_foretold(view, likely, Place(1, 1, anew=anew)) for anew in (False, True))
    assert here[0] == pytest.approx(np.tile(np.mean(marks, axis=0), (len(here[0]), 1)), abs=0.3)
    assert (np.trace(here[1], axis1=1, axis2=2) <= np.trace(anew[1], axis1=1, axis2=2)).all()


def test_no_mark_is_made_again_and_again_where_cards_hang_off() -> None:
    """What a mark on the same card at the same place can tell, it has told after a few."""
    laser = draw_machine(
        95058, severity="drifted", bed="600", corner="back-left", fault=None, sigma_mm=0.05,
        disturbed=disturbance("hung 2 mirrors"),
    )  # fmt: skip
    asked: list[tuple[str, ...]] = []
    for _ in range(40):
        step = answer(laser.document())
        asked.append((step["do"], str(step.get("station")), str(step.get("head_mm")), str(step.get("hang"))))
        if laser.obey(step) is None:
            break
    assert all(len(set(asked[i : i + 5])) > 1 for i in range(len(asked) - 5))

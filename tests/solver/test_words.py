"""Words for directions, compared with the interface's frames worked out by hand; the parts of a sentence."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.solver import answer
from server.solver.steps import Expect, Parts, Step
from server.solver.words import (
    card_axis_words,
    direction_words,
    fraction_of_turn,
    head_words,
    move_phrases,
    move_words,
    offset_words,
    part_words,
    place_words,
    station_words,
    turns_words,
)
from tests.machines import draw_machine, profile

UNIT = {
    "to the machine's right": (1, 0, 0),
    "to the machine's left": (-1, 0, 0),
    "to the back": (0, 1, 0),
    "to the front": (0, -1, 0),
    "up": (0, 0, 1),
    "down": (0, 0, -1),
}
BEAM = {
    "back-left": {
        "mirror-1": (-1, 0, 0),
        "mirror-2": (0, -1, 0),
        "mirror-3": (1, 0, 0),
        "nozzle": (0, 0, -1),
    },
    "back-right": {
        "mirror-1": (1, 0, 0),
        "mirror-2": (0, -1, 0),
        "mirror-3": (-1, 0, 0),
        "nozzle": (0, 0, -1),
    },
}


@given(st.integers(1, 64 * 20))
def test_every_64th_is_said_exactly(count: int) -> None:
    said = fraction_of_turn(count / 64)
    assert sum(Fraction(part) for part in said.split()) == Fraction(count, 64)


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
@pytest.mark.parametrize("station", ["mirror-1", "mirror-2", "mirror-3", "nozzle"])
def test_the_sides_of_a_card_are_u_and_v_of_the_frames(corner: str, station: str) -> None:
    v = np.array([0, 1, 0] if station == "nozzle" else [0, 0, 1])
    u = np.cross(BEAM[corner][station], v)
    words = card_axis_words(station, corner)
    assert UNIT[words["right"]] == tuple(u)
    assert UNIT[words["left"]] == tuple(-u)
    assert UNIT[words["up"]] == tuple(v)
    assert UNIT[words["down"]] == tuple(-v)


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
@pytest.mark.parametrize("station", ["mirror-1", "mirror-2", "mirror-3", "nozzle"])
@pytest.mark.parametrize("side", ["right", "left", "up", "down"])
def test_a_way_on_the_card_is_the_machines_way_beside_it(corner: str, station: str, side: str) -> None:
    """Both words of one direction point the same way: (u, v) as a vector of the machine."""
    u_mm, v_mm = {"right": (1.0, 0.0), "left": (-1.0, 0.0), "up": (0.0, 1.0), "down": (0.0, -1.0)}[side]
    v = np.array([0, 1, 0] if station == "nozzle" else [0, 0, 1])
    u = np.cross(BEAM[corner][station], v)
    machine = next(word for word, way in UNIT.items() if way == tuple((u_mm * u + v_mm * v).astype(int)))
    beside = "" if machine == side else f" ({machine})"
    assert direction_words(station, corner, (u_mm, v_mm)) == f"1.0 mm {side}{beside}"


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.1875, "3/16 turn clockwise"),
        (-0.125, "1/8 turn anticlockwise"),
        (1.25, "1 1/4 turns clockwise"),
        (-2.0, "2 turns anticlockwise"),
        (1.0, "1 turn clockwise"),
    ],
)
def test_turns_are_clockwise_where_they_are_more_than_nil(turns: float, words: str) -> None:
    assert turns_words(turns) == words


@pytest.mark.parametrize(
    ("move", "words"),
    [
        ((2.0, 0.0, 0.0), "2.0 mm to the right"),
        ((-2.0, 0.0, 0.0), "2.0 mm to the left"),
        ((0.0, 0.5, 0.0), "0.5 mm to the back"),
        ((0.0, -0.5, 0.0), "0.5 mm to the front"),
        ((0.0, 0.0, 1.2), "1.2 mm up"),
        ((0.0, 0.4, -1.2), "0.4 mm to the back and 1.2 mm down"),
    ],
)
def test_a_move_is_said_in_the_machine_frame(move: tuple[float, ...], words: str) -> None:
    """X to the right, Y to the back, Z up, for an operator at the front."""
    assert move_words(move) == words


@pytest.mark.parametrize(
    ("offset", "words"),
    [
        ((0.4, 0.1), "0.4 mm right and 0.1 mm above"),
        ((-0.4, 0.1), "0.4 mm left and 0.1 mm above"),
        ((0.4, -0.1), "0.4 mm right and 0.1 mm below"),
    ],
)
def test_a_mark_lies_right_where_u_and_above_where_v_is_more_than_nil(
    offset: tuple[float, float], words: str
) -> None:
    assert offset_words(offset) == words


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ((0.0, 0.0), "front left"),
        ((1600.0, 0.0), "front right"),
        ((0.0, 1000.0), "back left"),
        ((800.0, 500.0), "centre"),
        ((0.0, 500.0), "left edge, half-way"),
        ((800.0, 1000.0), "back edge, half-way"),
        ((0.0, 800.0), "left edge, 800 mm from the front"),
        ((320.0, 1000.0), "back edge, 320 mm from the left"),
        ((320.0, 90.0), "320 mm from the left, 90 mm from the front"),
    ],
)
def test_the_head_stands_where_an_operator_at_the_front_sees_it(
    head: tuple[float, float], words: str
) -> None:
    assert head_words(head, 1600.0, 1000.0) == words


def test_stations_and_parts_have_names_of_their_own() -> None:
    stations = [station_words(s) for s in ("mirror-1", "mirror-2", "mirror-3", "nozzle", "below")]
    parts = [part_words(p) for p in ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")]
    assert stations[1] == "mirror 2" and "mirror 2" in parts[4] and "far" in parts[2] and "exit" in parts[1]
    assert len(set(stations)) == 5 and len(set(parts)) == 6
    assert place_words("mirror-3", (0.0, 0.0), 600.0, 400.0) == "mirror 3, head at the front left"
    assert place_words("mirror-1", (0.0, 0.0), 600.0, 400.0) == "mirror 1"


def test_a_sentence_is_its_parts_one_after_the_other() -> None:
    turn = Parts("turn the 'top:in' screw", how_much="1/8 turn", way="clockwise", then="look", noticed="Odd.")
    assert turn.sentence == "Odd. Turn the 'top:in' screw by 1/8 turn clockwise; look."
    shift = Parts("move the tube", first="with the supply off", how_much="1.2 mm up")
    assert shift.sentence == "With the supply off, move the tube 1.2 mm up."
    mark = Parts("mark mirror 2", where="head at the front left", care="lid closed")
    assert mark.sentence == "Mark mirror 2, head at the front left: lid closed."


@given(st.text(min_size=1, max_size=20), st.text(max_size=20))
def test_every_part_comes_out_of_the_json_as_it_went_in(what: str, why: str) -> None:
    step = Step("turn", parts=Parts(what, why=why), expect=Expect("mirror-2", (0.0, 0.0), (0.0, 0.0), 0.1))
    data = step.as_json()
    assert (data["parts"]["what"], data["parts"]["why"], data["say"]) == (what, why, step.parts.sentence)


@pytest.mark.parametrize("severity", ["drifted", "rebuilt"])
def test_the_first_steps_of_an_alignment_say_what_where_and_why(severity: str) -> None:
    machine = draw_machine(4, severity=severity, bed="600", fault=None)
    width, depth = (profile("600")["bed"][key] for key in ("width_mm", "depth_mm"))
    for _ in range(12):
        step = answer(machine.document())
        parts = step["parts"]
        assert step["why"].endswith(".") and step["why"][0].isupper() and len(step["why"]) > 20
        if step["do"] == "turn":
            assert step["screw"] in parts["what"] and str(step["mount"]) in parts["what"]
            assert f"{parts['how_much']} {parts['way']}" == turns_words(step["turns"])
            assert offset_words(step["expect"]["offset_mm"]) in parts["then"]
        elif step["do"] == "shift":
            assert parts["first"].startswith("with the supply off")
            assert parts["how_much"] == move_words(step["move_mm"])
        elif step["do"] == "mark":
            assert "lid closed" in parts["care"] and station_words(step["station"]) in parts["what"]
            if step["station"] != "mirror-1":
                assert head_words(step["head_mm"], width, depth) in parts["where"]
        if machine.obey(step) is None:
            break


def test_a_direction_names_card_and_machine() -> None:
    said = direction_words("mirror-1", "back-left", (2.13, -0.42))
    assert said == "2.1 mm right (to the back), 0.4 mm down"


@pytest.mark.parametrize(
    ("move", "words"),
    [
        ([0, 0, 1.2], ["up 1.2 mm"]),
        ([0.5, -0.8, 0], ["to the machine's right 0.5 mm", "to the front 0.8 mm"]),
        ([0, 0, 0], []),
    ],
)
def test_moves_are_said_axis_by_axis(move: list[float], words: list[str]) -> None:
    assert move_phrases(move) == words


@pytest.mark.parametrize(("value", "said"), [(0.05, True), (0.04, False), (-0.05, True), (-0.04, False)])
def test_what_rounds_to_nothing_is_not_said(value: float, said: bool) -> None:
    assert (move_words((value, 0.0, 0.0)) != "not at all") is said
    assert (move_phrases((0.0, value, 0.0)) != []) is said
    assert (direction_words("nozzle", "back-left", (0.0, value)) != "no way to go") is said


@pytest.mark.parametrize("away", [1.0, -1.0, 1.1, -1.1])
def test_a_head_within_a_millimetre_of_a_place_stands_there(away: float) -> None:
    there = abs(away) <= 1.0
    assert (head_words((800.0 + away, 500.0), 1600.0, 1000.0) == "centre") is there
    assert (head_words((800.0, 500.0 + away), 1600.0, 1000.0) == "centre") is there
    assert (head_words((1600.0 + away, 1000.0), 1600.0, 1000.0) == "back right") is there

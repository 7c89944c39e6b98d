"""Words for numbers; the sides follow from u = d × v (shared frames), worked out by hand."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.pages.words import controller_words, head_words, the_place
from server.session.notes import saved_words
from server.solver.machine.profile import Bed
from server.solver.words import (
    card_axis_words,
    direction_words,
    fraction_of_turn,
    move_phrases,
)

BED = Bed(1600.0, 1000.0)
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


def test_a_mark_that_was_saved_is_said_above_or_below_the_centre() -> None:
    assert saved_words((1.5, -0.5)) == "Saved: the mark lies 1.5 mm right and 0.5 mm below the centre"


def test_the_place_has_an_article_where_it_is_no_number() -> None:
    assert the_place([0, 0], BED) == "the front left"
    assert the_place([320, 90], BED) == "320 mm from the left, 90 mm from the front"


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


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ([0, 1000], "back left"),
        ([1600, 0], "front right"),
        ([800, 500], "centre"),
        ([0, 500], "left edge, half-way"),
        ([800, 1000], "back edge, half-way"),
        ([320, 1000], "back edge, 320 mm from the left"),
        ([1600, 200], "right edge, 200 mm from the front"),
        ([123, 456], "123 mm from the left, 456 mm from the front"),
    ],
)
def test_the_head_stands_in_words(head: list[float], words: str) -> None:
    assert head_words(head, BED) == words


@pytest.mark.parametrize(
    ("zero", "words"),
    [
        ("front-left", "X 320, Y 1000"),
        ("front-right", "X 1280, Y 1000"),
        ("back-left", "X 320, Y 0"),
        ("back-right", "X 1280, Y 0"),
    ],
)
def test_the_controllers_own_corner_is_respected(zero: str, words: str) -> None:
    assert controller_words([320, 1000], Bed(1600.0, 1000.0, zero)) == words

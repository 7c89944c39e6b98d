"""Words for numbers; the sides follow from u = d × v (shared frames), worked out by hand."""

from __future__ import annotations

import pytest

from server.pages.words import controller_words, head_words, the_place
from server.session.notes import saved_words
from server.solver.machine.profile import Bed

BED = Bed(1600.0, 1000.0)


def test_a_mark_that_was_saved_is_said_above_or_below_the_centre() -> None:
    assert saved_words((1.5, -0.5)) == "Saved: the mark lies 1.5 mm right and 0.5 mm below the centre"


def test_the_place_has_an_article_where_it_is_no_number() -> None:
    assert the_place([0, 0], BED) == "the front left"
    assert the_place([320, 90], BED) == "320 mm from the left, 90 mm from the front"


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

"""What is brighter than its tape: a burn on dark tape, a lamp's image on pale tape."""

from __future__ import annotations

import numpy as np
import pytest

from vision.brightness import is_lamp, paper, same_direction, share_brighter
from vision.homography import project
from vision.reading import CardView

MIDDLE, PER_MM = 150.0, 5.0
TO_PX = np.array([(PER_MM, 0, MIDDLE), (0, -PER_MM, MIDDLE), (0, 0, 1.0)])
VIEW = CardView(4, 0.05, PER_MM, 0.0, TO_PX)


def card(left: int, right: int) -> np.ndarray:
    """Paper of one brightness on the left and another on the right, around a dark window."""
    picture = np.full((301, 301, 3), left, np.uint8)
    picture[:, 151:] = right
    rows, cols = np.indices((301, 301))
    picture[np.hypot(rows - MIDDLE, cols - MIDDLE) < 23 * PER_MM] = 60
    assert project(TO_PX, np.zeros((1, 2)))[0] == pytest.approx((MIDDLE, MIDDLE))
    return picture


def test_paper_is_taken_beside_the_window_on_the_side_of_the_mark():
    picture = card(120, 240)
    assert paper(picture, VIEW, np.array([10.0, 0.0])) == pytest.approx([240] * 3)
    assert paper(picture, VIEW, np.array([-10.0, 0.0])) == pytest.approx([120] * 3)


@pytest.mark.parametrize(
    ("brighter", "tape", "lamp"),
    [
        (0.5, (60, 60, 60), False),  # dark film turns paler where it is burnt
        (0.5, (110, 110, 110), False),  # so does clear tape before grey ground
        (0.2, (150, 205, 225), True),  # masking tape does not
        (0.2, (190, 130, 60), True),  # nor blue tape, pale in one colour
        (-0.5, (150, 205, 225), False),
        (0.03, (150, 205, 225), False),  # another hue
    ],
)
def test_only_dark_tape_turns_brighter(brighter, tape, lamp):
    at = np.array([3.0, 0.0])
    assert is_lamp(brighter, np.array(tape, float), card(236, 236), VIEW, at) == lamp


def test_a_hole_shows_what_is_behind_and_its_rim_tells():
    v, u = np.meshgrid(*[np.linspace(-2, 2, 81)] * 2)
    away, tape = np.hypot(u, v), np.full((81, 81, 3), 100.0)
    everywhere = np.ones((81, 81), bool)

    def share(seen: np.ndarray, counts: np.ndarray = everywhere) -> float:
        return share_brighter(seen, tape, away, counts)

    burnt = np.where(away[..., None] < 1, 60.0, tape)
    assert share(burnt) == pytest.approx(-0.4)
    assert share(2 * tape - burnt) == pytest.approx(0.4)
    holed = np.where(away[..., None] < 0.85, 220.0, np.where(away[..., None] < 1.2, 60.0, tape))
    assert share(holed) == pytest.approx(-0.4)
    assert share(burnt, away > 2) == 0.0


def test_one_tape_goes_one_way():
    assert same_direction([], [-0.5]) == []
    assert same_direction([-0.5, 0.2, -0.1], []) == [True, False, True]
    assert same_direction([0.3, -0.2], [-0.6, -0.4]) == [False, True]
    assert same_direction([0.3, -0.03], [0.5]) == [True, True]  # too little to tell a way
    assert same_direction([0.01, -0.5], []) == [True, True]

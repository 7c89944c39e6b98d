import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.practice.hand import PLAY_TURNS, Screws, moved_by_hand, turned_by_hand


@pytest.mark.parametrize("asked", [-1.0, 0.125, 2.0])
def test_a_hand_is_off_by_eight_per_cent_and_a_64th(asked: float) -> None:
    rng = np.random.default_rng(4)
    made = np.array([turned_by_hand(asked, rng) for _ in range(4000)])
    spread = np.hypot(0.08 * asked, 1 / 64 / 3**0.5)  # limits ± a: sd a / √3 (JCGM 100:2008, 4.3.7)
    assert made.mean() == pytest.approx(asked, abs=4 * spread / np.sqrt(4000))
    assert made.std() == pytest.approx(spread, rel=0.05)


def test_a_push_moves_only_the_axes_asked_for() -> None:
    moved = moved_by_hand(np.array([0.0, 0.0, 2.0]), np.random.default_rng(1))
    assert moved[:2].tolist() == [0.0, 0.0]
    assert moved[2] == pytest.approx(2.0, abs=1.0)


def test_reversal_costs_the_play() -> None:
    screws = Screws(np.zeros((3, 3)))
    assert screws.turn(0, 1, 0.5) == pytest.approx(0.5)
    assert screws.turn(0, 1, -0.5) == pytest.approx(-0.5 + PLAY_TURNS)
    assert screws.turn(0, 1, -0.25) == pytest.approx(-0.25)
    assert screws.turn(0, 1, PLAY_TURNS / 2) == pytest.approx(0.0)


@given(st.lists(st.floats(-2, 2), max_size=20), st.floats(0, PLAY_TURNS))
def test_knob_and_contact_never_part_by_more_than_the_play(turns: list[float], slack: float) -> None:
    screws = Screws(np.full((3, 3), slack))
    reached = sum(screws.turn(2, 0, turn) for turn in turns)
    assert abs(sum(turns) - reached) <= PLAY_TURNS + 1e-9
    assert 0 <= screws.slack_turns[2, 0] <= PLAY_TURNS
    assert screws.slack_turns[0, 0] == slack

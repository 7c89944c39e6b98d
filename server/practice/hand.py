"""A person's hand on a screw: inaccurate, and the screw has play."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["PLAY_TURNS", "Screws", "moved_by_hand", "turned_by_hand"]

# A hand on a screw: off by 8 % of the turn (one standard deviation) and 1/64 turn (at most).
_TURN_SHARE, _TURN_MOST = 0.08, 1 / 64
PLAY_TURNS = 1 / 32
# Pushing a part along a ruler; common practice, no source.
_MOVE_SHARE, _MOVE_FLOOR_MM = 0.08, 0.10


def turned_by_hand(asked_turns: float, rng: np.random.Generator) -> float:
    """Return the turns that a hand really makes when it is asked for ``asked_turns``."""
    share, floor = rng.normal(0.0, _TURN_SHARE), rng.uniform(-_TURN_MOST, _TURN_MOST)
    return float(asked_turns * (1 + share) + floor)


def moved_by_hand(asked_mm: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the move that a hand really makes; axes that were not asked for do not move."""
    share = 1 + rng.normal(0.0, _MOVE_SHARE, size=asked_mm.shape)
    floor = rng.normal(0.0, _MOVE_FLOOR_MM, size=asked_mm.shape)
    return np.where(asked_mm == 0, 0.0, asked_mm * share + floor)


class Screws:
    """The play of all screws: on reversal the first 1/32 turn moves nothing.

    slack_turns : (3 mirrors, 3 contacts), how far each knob must turn clockwise before it moves its contact,
        0 … PLAY_TURNS.
    """

    def __init__(self, slack_turns: Any) -> None:
        self.slack_turns = np.array(slack_turns, dtype=float)

    def turn(self, mirror: int, contact: int, turns: float) -> float:
        """Turn the knob of one contact (indices from 0) and return the turns that reach the contact."""
        slack = float(self.slack_turns[mirror, contact])
        left = min(max(slack - turns, 0.0), PLAY_TURNS)
        self.slack_turns[mirror, contact] = left
        return turns - (slack - left)

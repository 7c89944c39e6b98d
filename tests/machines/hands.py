"""A screw with play, turned by an inexact hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

HAND_GAIN_SD = 0.08
HAND_TURNS = 1 / 64  # at most, to either side, evenly distributed (JCGM 100:2008, 4.3.7)
HAND_TURN_SD = HAND_TURNS / np.sqrt(3)
PLAY_TURNS = 1 / 32
SHIFT_SD_MM = 0.1  # a base or tube mount pushed by hand against a rule: common practice, no source


def hand_turns(asked: float, rng: np.random.Generator) -> float:
    """The turns that a hand makes when asked for so many."""
    return float(asked * (1 + HAND_GAIN_SD * rng.normal()) + rng.uniform(-HAND_TURNS, HAND_TURNS))


def hand_move_mm(asked_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The real move of a base when asked for this one; axes that are not asked for do not move."""
    moved = asked_mm * (1 + HAND_GAIN_SD * rng.normal(size=asked_mm.shape))
    return moved + np.where(asked_mm == 0, 0.0, SHIFT_SD_MM * rng.normal(size=asked_mm.shape))


@dataclass
class Screw:
    """A thread whose contact point lags by up to play_turns when the turning reverses."""

    pitch_mm: float
    clockwise: int
    screw_turns: float
    contact_turns: float
    play_turns: float = PLAY_TURNS

    def turn(self, turns: float) -> None:
        self.screw_turns += turns
        lowest = self.screw_turns - self.play_turns
        self.contact_turns = min(max(self.contact_turns, lowest), self.screw_turns)

    @property
    def travel_mm(self) -> float:
        return self.clockwise * self.pitch_mm * self.contact_turns

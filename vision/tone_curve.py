"""The tone curve between two photos of one card, estimated from the old marks that both show.

Each photo has been through a tone curve of its own, so an old mark is darker against its tape in one than in
the other and looks as if it had been burnt again. Divided by the tape around it, a point has the value
r' = T(r) in one picture where it has r in the other; if the curves are powers, T does not depend on the
light. T(r) is the median over all points of the window with that r; few of them lie on a new mark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.bare_tape import Stack
from vision.card import Floats

_STEP, _MOST = 0.1, 2.5  # of log r
_LEAST_POINTS = 30  # a step with fewer points is filled in from its neighbours
_DARKEST = 4.0  # levels: anything darker is noise


@dataclass(frozen=True, eq=False)
class Tone:
    """A tone curve per channel: steps of log r (k,), increasing, and the change of log r at each (3, k)."""

    at: Floats
    added: Floats

    def of(self, expected: Stack, unburnt: Stack) -> Stack:
        """Return the expected picture (side, side, 3) after the tone curve; `unburnt` is the tape there."""
        ratio = _log_ratio(expected, unburnt)
        gain = [np.exp(np.interp(ratio[..., i], self.at, self.added[i])) for i in range(3)]
        return np.asarray(expected * np.stack(gain, axis=-1), dtype=np.float32)


SAME = Tone(np.zeros(1), np.zeros((3, 1)))


def tone_between(seen: Stack, expected: Stack, unburnt: Stack) -> Tone:
    """Return the curve, never falling, that maps points (n, 3) as expected to the same points as seen;
    `unburnt` is their tape.
    """
    ratio, now = _log_ratio(expected, unburnt), _log_ratio(seen, unburnt)
    steps = np.arange(-_MOST, _MOST + _STEP / 2, _STEP)
    added = [_by_steps(ratio[:, i], now[:, i], steps) for i in range(3)]
    return Tone(steps, np.stack(added))


def _by_steps(ratio: Floats, now: Floats, steps: Floats) -> Floats:
    """Median change (k,) of log r at each step; steps with few points are interpolated."""
    which = np.clip(np.rint((ratio + _MOST) / _STEP).astype(int), 0, len(steps) - 1)
    known = [i for i in np.flatnonzero(np.bincount(which) >= _LEAST_POINTS) if abs(steps[i]) > _STEP / 2]
    places = np.array([0.0, *(float(np.median(ratio[which == i])) for i in known)])
    became = np.array([0.0, *(float(np.median(now[which == i])) for i in known)])
    order = np.argsort(places)
    places, became = places[order], np.maximum.accumulate(became[order])
    return np.asarray(np.interp(steps, places, became - places))


def _log_ratio(levels: Stack, tape: Stack) -> Floats:
    return np.asarray(np.log(np.maximum(levels, _DARKEST) / np.maximum(tape, _DARKEST)), dtype=float)

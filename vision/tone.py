"""The tone curve that parts two photos, told by the old marks that both show.

Each photo has been through a curve of its own, so an old mark is darker beside its tape in one than in the
other, and a paler or darker old mark looks burnt anew. Divided by the tape around it, a point is seen as
r' = T(r) in one picture where the other has r, and for curves that are powers T is the same whatever the
light. T is read off all points of the window with the same r; a new mark on bare tape is the few among them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.card import Floats
from vision.change import Stack

_STEP, _MOST = 0.1, 2.5  # of log r
_LEAST_POINTS = 30  # of a step that tells anything
_DARKEST = 4.0  # levels: what is darker is noise


@dataclass(frozen=True, eq=False)
class Tone:
    """Steps of log r (k,) in order, and what each channel adds to them (3, k); the tape has log r = 0."""

    at: Floats
    added: Floats

    def of(self, expected: Stack, unburnt: Stack) -> Stack:
        """What was expected, as the other curve shows it, (side, side, 3); `unburnt` is the tape there."""
        ratio = _log_ratio(expected, unburnt)
        gain = [np.exp(np.interp(ratio[..., i], self.at, self.added[i])) for i in range(3)]
        return np.asarray(expected * np.stack(gain, axis=-1), dtype=np.float32)


SAME = Tone(np.zeros(1), np.zeros((3, 1)))


def tone_between(seen: Stack, expected: Stack, unburnt: Stack) -> Tone:
    """Return the curve between points (n, 3) as they are seen and as they were expected, never falling;
    `unburnt` is their tape.
    """
    ratio, now = _log_ratio(expected, unburnt), _log_ratio(seen, unburnt)
    steps = np.arange(-_MOST, _MOST + _STEP / 2, _STEP)
    added = [_by_steps(ratio[:, i], now[:, i], steps) for i in range(3)]
    return Tone(steps, np.stack(added))


def _by_steps(ratio: Floats, now: Floats, steps: Floats) -> Floats:
    """The median of what each step of log r became, (k,); steps that few points tell are filled in."""
    which = np.clip(np.rint((ratio + _MOST) / _STEP).astype(int), 0, len(steps) - 1)
    told = [i for i in np.flatnonzero(np.bincount(which) >= _LEAST_POINTS) if abs(steps[i]) > _STEP / 2]
    places = np.array([0.0, *(float(np.median(ratio[which == i])) for i in told)])
    became = np.array([0.0, *(float(np.median(now[which == i])) for i in told)])
    order = np.argsort(places)
    places, became = places[order], np.maximum.accumulate(became[order])
    return np.asarray(np.interp(steps, places, became - places))


def _log_ratio(levels: Stack, tape: Stack) -> Floats:
    return np.asarray(np.log(np.maximum(levels, _DARKEST) / np.maximum(tape, _DARKEST)), dtype=float)

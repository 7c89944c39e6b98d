"""Tape that stands before or behind the card's plane: found from two views, and taken off where a mark is
read.

A point at height h above the card's plane is seen at p = u - h t, with t the slope of the line of sight (how
far
it runs along the card for each mm towards the camera). Two pictures see it at two places, and the
registration
of the tape tells their distance d = h (t₁ - t₂).
"""

from __future__ import annotations

import numpy as np

from vision.card import Floats
from vision.reading import CardView

_HEIGHT_MM = 0.15  # how far tape may stand off, one standard deviation: a sheet of paper, a fold, a bubble
_UNKNOWN_MM, _BY_HAND = 0.1, 0.04  # of a height that no landmark tells, where two views differ by so much
_FOCAL = 0.8  # of the picture's longer side, as most cameras have it …
_FOCAL_SPREAD, _ORTHOGONAL = 0.25, 0.004  # … within so much (of its logarithm); accuracy of a card's axes
_TRIES = np.exp(np.linspace(-0.75, 0.75, 31))
_LEAST_KNOWN = 0.3  # of the height's variance that two views must take away, or they say nothing


def sight_slope(view: CardView, shape: tuple[int, ...], at_mm: Floats) -> Floats:
    """Return the slope (2,) of the line of sight at a point of the card, in a picture of a shape (rows,
    cols).

    The pose comes from the homography (Zhang 2000): square pixels, the axis in the picture's middle, and the
    focal length that makes the card's axes orthogonal, within what cameras have.
    """
    middle = (np.array(shape[1::-1]) - 1) / 2
    costs, eyes = [], []
    for ratio in _TRIES:
        inner = np.array([(1.0, 0, middle[0]), (0, 1.0, middle[1]), (0, 0, 1.0)])
        inner[:2, :2] *= ratio * _FOCAL * max(shape[:2])
        columns = np.linalg.inv(inner) @ view.units_to_px
        columns /= np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1])) * np.sign(
            columns[2, 2]
        )
        first, second, place = columns.T
        uneven = (first @ second, (first @ first - second @ second) / 2)
        costs.append(np.square(uneven).sum() / _ORTHOGONAL**2 + (np.log(ratio) / _FOCAL_SPREAD) ** 2)
        left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
        eyes.append(-(left @ right).T @ place)
    eye = eyes[int(np.argmin(costs))]
    return np.asarray((eye[:2] - at_mm) / max(float(eye[2]), 1e-6))


def stand_off(apart_mm: Floats, doubt: Floats, now: Floats, then: Floats) -> tuple[Floats, Floats]:
    """Return how far (2,) the mark is from where it is seen, and the covariance (2, 2) that this adds.

    `apart_mm` (2,) is how far beside its place in this picture the tape is seen in the other one, `doubt`
    (2, 2) its covariance, `now` and `then` the slopes of the two lines of sight.
    """
    between = now - then
    long = float(between @ between)
    if long < 1e-6:
        return np.zeros(2), np.zeros((2, 2))
    height = float(apart_mm @ between) / long
    variance = float(between @ doubt @ between) / long**2
    known = _HEIGHT_MM**2 / (_HEIGHT_MM**2 + variance)
    if known < _LEAST_KNOWN:
        unknown = _UNKNOWN_MM**2 * np.outer(now, now) * (long > _BY_HAND**2)
        return np.zeros(2), np.asarray(unknown)
    return np.asarray(known * height * now), np.asarray(known * variance * np.outer(now, now))

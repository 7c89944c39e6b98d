"""Tape in front of or behind the card's plane: its height from two views, and the correction of a mark's
place.

A point at height h above the card's plane is seen at p = u - h t, with t the slope of the line of sight (how
far it runs along the card for each mm towards the camera). Two pictures see it at two places; registering the
tape gives the distance d = h (t₁ - t₂) between them.
"""

from __future__ import annotations

import numpy as np

from vision.bend import eye_of, likeliest_focal
from vision.card import Floats
from vision.reading import CardView

HEIGHT_MM = 0.15  # height of tape, one standard deviation: a sheet of paper, a fold, a bubble
_MOST_SD = 2.0  # of HEIGHT_MM: a larger apparent height is light that moved between the two views
BY_HAND = 0.04  # least difference of slopes; a camera on a stand has none, and no mark is moved


def sight_slope(view: CardView, shape: tuple[int, ...], at_mm: Floats) -> Floats:
    """Return the slope (2,) of the line of sight at a point of the card, in a picture of a shape (rows,
    cols).

    The pose comes from the homography with the focal length that makes the card's axes square and equal.
    """
    ratio = likeliest_focal(view.units_to_px, shape)
    eye = eye_of(view.units_to_px, shape, ratio)
    return np.asarray((eye[:2] - at_mm) / max(float(eye[2]), 1e-6))


def stand_off(apart_mm: Floats, doubt: Floats, now: Floats, then: Floats) -> tuple[Floats, Floats]:
    """Return how far (2,) the mark is from where it is seen, and the covariance (2, 2) that this adds.

    `apart_mm` (2,) is how far beside its place in this picture the tape is seen in the other one, `doubt`
    (2, 2) its covariance, `now` and `then` the slopes of the two lines of sight.
    """
    between = now - then
    long = float(between @ between)
    if long < BY_HAND**2:
        return np.zeros(2), np.zeros((2, 2))
    height = float(apart_mm @ between) / long
    variance = float(between @ doubt @ between) / long**2
    variance = max(variance, (height / _MOST_SD) ** 2 - HEIGHT_MM**2)  # a larger shift is not one of height
    known = HEIGHT_MM**2 / (HEIGHT_MM**2 + variance)
    return np.asarray(known * height * now), np.asarray(known * variance * np.outer(now, now))

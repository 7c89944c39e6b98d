"""Faults of a picture, whatever it shows: black, white all over, out of focus."""

from __future__ import annotations

import cv2
import numpy as np

from firmware.camera.base import Pixels
from firmware.health import Finding

__all__ = ["PREFILTER_PX", "SHARPEN", "has_structure", "picture_fault", "sharpness"]

_BLACK_LEVEL, _WHITE_LEVEL = 12, 250
_NEARLY_ALL = 0.98
_COLS = 640  # looked at in this width: noise is averaged away, a card's squares stay many pixels wide
_STRUCTURE_LEVELS = 12.0  # with less contrast nothing in it could be sharp
PREFILTER_PX = 0.8  # so that noise does not count as an edge
_SHARP = 0.11  # measured on rendered cards: below it no card is found any more (tests/firmware)


SHARPEN = {
    "motor": "set 'focus_dioptres' in the rig's profile to what the clip's table says, and clean the lens",
    "by hand": "turn the lens by its ring, an eighth of a turn each time, until the card's squares are sharp",
    None: "turn the lens until the card's squares are sharp, or set 'focus_dioptres' in the rig's profile",
}


def picture_fault(pixels: Pixels, *, focus: str | None = None) -> Finding | None:
    """Return what makes this (rows, cols, 3) uint8 picture useless, or None; an even wall is not a fault.

    focus : who sets the lens, ``motor`` or ``by hand``, where that is known: it decides what to do.
    """
    grey = _small_grey(pixels)
    if float(np.percentile(grey, 100 * _NEARLY_ALL)) <= _BLACK_LEVEL:
        return Finding("black", "the picture is black: take the cap off, switch the lamp on", True)
    if float(np.mean(grey >= _WHITE_LEVEL)) >= _NEARLY_ALL:
        return Finding("white", "the picture is white all over: less light, or shade the camera", True)
    if has_structure(grey) and sharpness(grey) < _SHARP:
        return Finding("blurred", f"out of focus: {SHARPEN[focus]}", True)
    return None


def has_structure(grey: Pixels) -> bool:
    """Return whether there is enough contrast that anything could be sharp in it."""
    return float(grey.std()) >= _STRUCTURE_LEVELS


def sharpness(grey: Pixels) -> float:
    """Return how steep the steepest edges are: grey levels per pixel over the picture's own contrast.

    The 99.9th percentile of the gradient stands for the steepest edges, the span from 5 to 95 % for the
    contrast, so that neither brightness nor the size of the card counts.
    """
    small = cv2.GaussianBlur(grey, (0, 0), PREFILTER_PX).astype(np.float32)
    steep = np.hypot(cv2.Scharr(small, cv2.CV_32F, 1, 0), cv2.Scharr(small, cv2.CV_32F, 0, 1)) / 32.0
    low, high = np.percentile(small, (5, 95))
    return float(np.percentile(steep, 99.9)) / max(float(high - low), 1.0)


def _small_grey(pixels: Pixels) -> Pixels:
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    rows, cols = grey.shape
    if cols > _COLS:
        size = (_COLS, max(1, round(rows * _COLS / cols)))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return np.asarray(grey, np.uint8)

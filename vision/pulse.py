"""How a frame's tape differs from a quiet frame's: little, in one place, or nearly everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.card import Floats
from vision.change import INSIDE_MM, Stack
from vision.picture import Pixels
from vision.reading import CardView
from vision.window import Grid, flatten, window_grid

_PITCH_MM = 0.5
_SMOOTH_PX = 1.0
_SIGMAS = 7.0
_LEAST_LEVELS = 3.0
_SMALLEST_PX = 6
_MUCH = 0.35  # of the window: a hand, a shadow, smoke; no beam is that wide


@dataclass(frozen=True, eq=False)
class Quiet:
    """The window of a quiet frame, laid flat, and where it counts."""

    flat: Stack
    inside: Floats
    grid: Grid

    @staticmethod
    def of(picture: Pixels, view: CardView) -> Quiet:
        """Take a frame as the quiet one."""
        grid = window_grid(_PITCH_MM)
        inside = (grid.radius_mm() < INSIDE_MM - 1).astype(np.float32)
        return Quiet(_smooth(flatten(picture, view.homography, grid)), inside, grid)


@dataclass(frozen=True, eq=False)
class Change:
    """Difference from the quiet frame: its picture, the share of the window it covers, its greatest
    contrast.
    """

    levels: Stack
    share: float
    contrast: float
    count: int

    @property
    def covers_much(self) -> bool:
        """Whether it is too wide for a beam."""
        return self.share > _MUCH

    @property
    def is_local(self) -> bool:
        """Whether it is more than noise, in one place."""
        return self.count >= _SMALLEST_PX and not self.covers_much


def change_from(quiet: Quiet, picture: Pixels, view: CardView) -> Change:
    """Return how a frame's tape differs from the quiet one, exposure and lamp evened out."""
    now = _smooth(flatten(picture, view.homography, quiet.grid))
    inside = quiet.inside > 0
    gain = np.median(now[inside] / np.maximum(quiet.flat[inside], 4.0), axis=0)
    levels = now - gain * quiet.flat
    levels -= np.median(levels[inside], axis=0)
    levels *= quiet.inside[..., None]
    size = np.abs(levels).max(axis=2)
    noise = 1.4826 * float(np.median(size[inside])) + 0.3
    changed = size > max(_SIGMAS * noise, _LEAST_LEVELS)
    contrast = float(np.sort(size[inside])[-_SMALLEST_PX])
    return Change(levels, float(changed[inside].mean()), contrast, int(changed.sum()))


def like(one: Change, other: Change) -> float:
    """Return how alike two changes are in pattern, whatever their strength: 1 for the same."""
    a, b = one.levels.ravel(), other.levels.ravel()
    return float(a @ b / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-9))


def _smooth(flat: Stack) -> Stack:
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), _SMOOTH_PX), dtype=np.float32)

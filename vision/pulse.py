"""How a frame's tape differs from a quiet frame's: little, in one place, or nearly everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.card import Floats
from vision.change import INSIDE_MM, Stack
from vision.picture import Pixels
from vision.reading import CardView
from vision.seek import Mask
from vision.window import Grid, flatten, window_grid

_PITCH_MM = 0.5
_SMOOTH_PX = 1.0
_SIGMAS = 7.0
_LEAST_LEVELS = 3.0
_SMALLEST_PX = 4
_SHAKE = 0.15  # of the steepness: a trembling or refocusing camera moves old marks' edges by some of it
_DRIFT = 0.05
_OTHER_COLOUR = 1.3  # no lamp shifts one colour that much against another: other tape
_MUCH = 0.35  # of the window: a hand, a shadow, smoke; no beam is that wide


@dataclass(frozen=True, eq=False)
class Quiet:
    """The window of a quiet frame, laid flat, and where it counts."""

    flat: Stack
    inside: Floats
    grid: Grid
    slack: Floats

    def drift(self, change: Change) -> None:
        """Take over a little of a change that is none."""
        self.flat[...] += _DRIFT * change.levels

    @staticmethod
    def of(picture: Pixels, view: CardView) -> Quiet:
        """Take a frame as the quiet one."""
        grid = window_grid(_PITCH_MM)
        inside = (grid.radius_mm() < INSIDE_MM - 1).astype(np.float32)
        flat = _smooth(flatten(picture, view.units_to_px, grid))
        steep = cv2.morphologyEx(flat, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        return Quiet(flat, inside, grid, _SHAKE * np.asarray(steep).max(axis=2))


@dataclass(frozen=True, eq=False)
class Change:
    """Difference from the quiet frame: its picture, the share of the window it covers, its greatest
    contrast.
    """

    levels: Stack
    share: float
    contrast: float
    changed: Mask

    @property
    def covers_much(self) -> bool:
        """Whether it is too wide for a beam."""
        return self.share > _MUCH

    @property
    def is_local(self) -> bool:
        """Whether it is more than noise, in one place."""
        return int(self.changed.sum()) >= _SMALLEST_PX and not self.covers_much


def change_from(quiet: Quiet, picture: Pixels, view: CardView) -> Change:
    """Return how a frame's tape differs from the quiet one, exposure and lamp evened out."""
    now = _smooth(flatten(picture, view.units_to_px, quiet.grid))
    inside = quiet.inside > 0
    gain = np.median(now[inside] / np.maximum(quiet.flat[inside], 4.0), axis=0)
    levels = now - gain * quiet.flat
    levels -= np.median(levels[inside], axis=0)
    levels *= quiet.inside[..., None]
    size = np.abs(levels).max(axis=2)
    noise = 1.4826 * float(np.median(size[inside])) + 0.3
    changed = size > max(_SIGMAS * noise, _LEAST_LEVELS) + quiet.slack
    contrast = float(np.sort(size[inside])[-_SMALLEST_PX])
    other_colour = bool(gain.max() > _OTHER_COLOUR * gain.min())
    share = 1.0 if other_colour else float(changed[inside].mean())
    return Change(levels, share, contrast, changed)


def like(one: Change, other: Change) -> float:
    """Return how alike two changes are in pattern, whatever their strength: 1 for the same."""
    where = cv2.dilate((one.changed | other.changed).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    a, b = one.levels[where].ravel(), other.levels[where].ravel()
    return float(a @ b / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-9))


def _smooth(flat: Stack) -> Stack:
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), _SMOOTH_PX), dtype=np.float32)

"""How a frame's tape differs from a quiet frame's: little, in one place, or nearly everywhere."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.bare_tape import INSIDE_MM, Stack
from vision.candidates import Mask
from vision.card import Floats
from vision.picture import Pixels
from vision.reading import CardView
from vision.window import Grid, flatten_view, window_grid

_PITCH_MM = 0.5
_SMOOTH_PX = 1.0
_SIGMAS = 7.0
_LEAST_LEVELS = 3.0
_SMALLEST_PX = 4
_SHAKE = 0.15  # of the steepness: a trembling or refocusing camera moves old marks' edges by some of it
_DRIFT = 0.05
_OTHER_COLOUR = 1.3  # no lamp shifts one colour that much against another: other tape
_MUCH = 0.35  # of the window: a hand, a shadow, smoke; no beam is that wide


# A step in time: the means of two groups of frames, between which a pulse may have changed the tape.
_FRAMES = 5
_STEP_SIGMAS, _LEAST_STEP, _SMALLEST_STEP_PX = 6.0, 0.6, 6
_EVERY = 3  # frames from one look to the next: no pulse is over sooner
_STEP_SMOOTH_PX = 1.0
_SHIFT_MM, _BLUR_MM2 = 0.05, 0.02  # what trembling and refocusing leave, one standard deviation


@dataclass(frozen=True, eq=False)
class Quiet:
    """The rectified window of a quiet frame, and where it counts (`inside`). `terms` (3, side, side, 3) is
    what a shift along u, a shift along v and another sharpness would add to it.
    """

    flat: Stack
    inside: Floats
    grid: Grid
    slack: Floats
    terms: Stack
    gram: Floats

    def drift(self, change: Change) -> None:
        """Add a small part of a change that is not a pulse to the quiet frame, in place."""
        self.flat[...] += _DRIFT * change.levels

    @staticmethod
    def grid_of() -> Grid:
        """Return the grid on which frames are compared."""
        return window_grid(_PITCH_MM)

    @staticmethod
    def of(picture: Pixels, view: CardView) -> Quiet:
        """Take a frame as the quiet one."""
        grid = Quiet.grid_of()
        inside = (grid.radius_mm() < INSIDE_MM - 1).astype(np.float32)
        flat = _smooth(flatten_view(picture, view, grid))
        steep = cv2.morphologyEx(flat, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        down, across = np.gradient(flat, grid.pitch_mm, axis=(0, 1))
        bend = np.asarray(cv2.Laplacian(flat, cv2.CV_32F)) / grid.pitch_mm**2
        terms = np.stack([across, -down, bend]).astype(np.float32) * inside[..., None]
        return Quiet(flat, inside, grid, _SHAKE * np.asarray(steep).max(axis=2), terms, _gram(terms))

    def unmoved(self, levels: Stack, noise: float) -> Stack:
        """Return a change without what a shift and another sharpness explain."""
        rows = self.terms.reshape(3, -1)
        ridge = np.diag((noise / np.array([_SHIFT_MM, _SHIFT_MM, _BLUR_MM2])) ** 2)
        solution = np.linalg.solve(self.gram + ridge, rows @ levels.ravel())
        return np.asarray(levels - np.tensordot(solution.astype(np.float32), self.terms, axes=1))


@dataclass(frozen=True, eq=False)
class Change:
    """Difference from the quiet frame: `levels` (side, side, 3), the share of the window that changed, the
    greatest contrast in levels, the mask of what changed, and how much brighter it became in levels.
    """

    levels: Stack
    share: float
    contrast: float
    changed: Mask
    brighter: float = 0.0

    @property
    def covers_much(self) -> bool:
        """Whether it is too wide for a beam."""
        return self.share > _MUCH

    @property
    def is_local(self) -> bool:
        """Whether it is more than noise, in one place."""
        return int(self.changed.sum()) >= _SMALLEST_PX and not self.covers_much


def change_from(quiet: Quiet, picture: Pixels, view: CardView) -> Change:
    """Return how a frame's tape differs from the quiet one, with exposure and lamp evened out."""
    now = _smooth(flatten_view(picture, view, quiet.grid))
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
    brighter = float(np.partition(levels.min(axis=2)[inside], -_SMALLEST_PX)[-_SMALLEST_PX])
    return Change(levels, share, contrast, changed, brighter)


@dataclass
class Steps:
    """Watches for a step in time that is too faint for one frame: the mean of the last frames against the
    mean of those just before, point by point.
    """

    _seen: deque[Stack] = field(default_factory=lambda: deque(maxlen=2 * _FRAMES + 1))

    _count: int = 0

    def clear(self) -> None:
        """Forget all frames."""
        self._seen.clear()

    def take(self, levels: Stack, quiet: Quiet) -> Mask | None:
        """Add a frame's change; return where the tape stepped, or None."""
        self._seen.append(levels)
        self._count += 1
        if len(self._seen) <= 2 * _FRAMES or self._count % _EVERY:
            return None
        frames = list(self._seen)
        step: Stack = np.mean(frames[-_FRAMES:], axis=0) - np.mean(frames[:_FRAMES], axis=0)
        within = quiet.inside > 0
        spread = 1.4826 * float(np.median(np.abs(step[within]))) + 0.1
        step = quiet.unmoved(np.asarray(step, dtype=np.float32), spread)
        size = np.abs(_smooth_by(step, _STEP_SMOOTH_PX)).max(axis=2)
        noise = 1.4826 * float(np.median(size[within]))
        stepped = np.asarray((size > max(_STEP_SIGMAS * noise, _LEAST_STEP)) & within)
        count, _, stats, _ = cv2.connectedComponentsWithStats(stepped.astype(np.uint8))
        largest = int(stats[1:, cv2.CC_STAT_AREA].max()) if count > 1 else 0
        local = float(stepped[within].mean()) < _MUCH
        return stepped if largest >= _SMALLEST_STEP_PX and local else None


def like(one: Change, other: Change) -> float:
    """Return how alike two changes are in pattern, whatever their strength: 1 for the same."""
    where = cv2.dilate((one.changed | other.changed).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    a, b = one.levels[where].ravel(), other.levels[where].ravel()
    return float(a @ b / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-9))


def _gram(terms: Stack) -> Floats:
    rows = terms.reshape(3, -1)
    return np.asarray(rows @ rows.T, dtype=float)


def _smooth(flat: Stack) -> Stack:
    return _smooth_by(flat, _SMOOTH_PX)


def _smooth_by(flat: Stack, sigma_px: float) -> Stack:
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), sigma_px), dtype=np.float32)

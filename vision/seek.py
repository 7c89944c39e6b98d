"""Where something differs from the tape: candidates for marks, of either contrast and any colour.

At three scales the difference is weighed by its own robust covariance, so that a faint but clean change in
one colour counts as much as a strong one in a noisy colour, and woven tape raises its own threshold.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import Floats
from vision.change import Stack
from vision.window import Grid

Mask = NDArray[np.bool_]

SCALES_MM = (0.25, 0.7, 1.5)
THRESHOLD = 6.0  # outline of a candidate, in robust standard deviations of the tape at that scale
_PEAK = 9.0  # its strongest point must reach this …
_SHARE_OF_STRONGEST = 0.03  # … and this share of the strongest candidate: a bright mark has faint echoes
_RIM_MM = 2.5  # near the window's edge the tape is rougher (blur, file format): it sets its own scale there
_FLOOR_LEVELS = (0.4, 0.3, 0.25)  # never trust the tape to be smoother than this …
_COLOUR_FLOOR_LEVELS = 1.0  # … and less in hue, which JPEG keeps in coarse steps over squares of 16 px
_SMALLEST_RADIUS_MM = 0.3
_SMALLEST_PART = 0.1
_RING_RADIUS_MM, _RING_SHARE = 6.0, 0.4  # a large thin ring is a pen's, not a beam's


@dataclass(frozen=True)
class Seed:
    """A candidate: rough centre and radius in mm, its region on the window's grid, best mix of the colours,
    strength.
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    region: Mask
    colour: Floats
    strength: float


def seek(rest: Stack, inside: Mask, grid: Grid) -> list[Seed]:
    """Return candidates, strongest first, in what is left of a window after the tape was taken away."""
    rest = rest * inside[..., None].astype(np.float32)
    smooth = [_blurred(rest, s / grid.pitch_mm) for s in SCALES_MM]
    inverses = [
        _inverse_covariance(s[inside], _floor(levels))
        for s, levels in zip(smooth, _FLOOR_LEVELS, strict=True)
    ]
    scores = np.stack([_score(s, inv) for s, inv in zip(smooth, inverses, strict=True)]) * inside
    scores = _rim_evened(scores, inside, grid)
    count, labels = cv2.connectedComponents((scores.max(axis=0) > THRESHOLD).astype(np.uint8))
    seeds = [s for i in range(1, count) for s in _seeds(labels == i, scores, smooth, inverses, grid)]
    ordered = sorted(seeds, key=lambda s: -s.strength)
    return [s for s in ordered if s.strength > max(_PEAK, _SHARE_OF_STRONGEST * ordered[0].strength)]


def _rim_evened(scores: Floats, inside: Mask, grid: Grid) -> Floats:
    """Divide by the typical score along the rim where that is above the typical score further in."""
    radius = grid.radius_mm()
    rim = inside & (radius > radius[inside].max() - _RIM_MM)
    usual = np.percentile(scores[:, inside & ~rim], 75, axis=1)
    ratio = np.percentile(scores[:, rim], 75, axis=1) / np.maximum(usual, 0.5)
    return np.asarray(np.where(rim, scores / np.maximum(ratio, 1.0)[:, None, None], scores))


def _blurred(values: Stack, sigma: float) -> Stack:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32)


def _score(smooth: Stack, inverse: Floats) -> Floats:
    white = np.asarray(cv2.transform(smooth, np.linalg.cholesky(inverse).T.astype(np.float32)))
    return np.asarray(cv2.magnitude(cv2.magnitude(white[..., 0], white[..., 1]), white[..., 2]))


def _floor(levels: float) -> Floats:
    """Least covariance: `levels` in brightness, more in hue."""
    grey = np.full((3, 3), 1 / 3)
    return np.asarray(levels**2 * grey + _COLOUR_FLOOR_LEVELS**2 * (np.eye(3) - grey))


def _inverse_covariance(values: Stack, floor: Floats) -> Floats:
    """Inverse covariance of the tape's own roughness, outliers left out."""
    values = values[:: max(1, len(values) // 3000)].astype(float)
    covariance = np.diag((1.4826 * np.median(np.abs(values), axis=0)) ** 2) + floor
    for _ in range(4):
        near = ((values @ np.linalg.inv(covariance)) * values).sum(axis=1) < 9.0
        if near.sum() < 50:
            break
        covariance = 1.15 * np.cov(values[near].T) + floor
    return np.asarray(np.linalg.inv(covariance))


def _seeds(blob: Mask, scores: Floats, smooth: list[Stack], inverses: list[Floats], grid: Grid) -> list[Seed]:
    """The parts of a blob at half the height of its change, holes filled."""
    scale, row, col = np.unravel_index(int(np.argmax(np.where(blob, scores, -1))), scores.shape)
    colour = inverses[scale] @ smooth[scale][row, col]
    colour = colour / np.abs(colour).sum()
    height = smooth[0] @ colour
    top = float(np.percentile(height[blob], 85))
    wide = cv2.dilate(blob.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    parts = _parts((height > top / 2) & wide)
    best = scores.max(axis=0)
    seeds = [_seed(part, best, colour, grid) for part in parts]
    return [s for s in seeds if s is not None]


def _parts(mask: Mask) -> list[Mask]:
    """Connected parts, without those that are tiny beside the largest."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    areas = stats[1:, cv2.CC_STAT_AREA]
    return [labels == i for i in range(1, count) if areas[i - 1] >= _SMALLEST_PART * areas.max()]


def _seed(bare: Mask, best: Floats, colour: Floats, grid: Grid) -> Seed | None:
    region = _filled(bare)
    rows, cols = np.nonzero(region)
    radius = float(np.sqrt(len(rows) / np.pi)) * grid.pitch_mm
    drawn = radius > _RING_RADIUS_MM and bare.sum() < _RING_SHARE * region.sum()
    if radius < _SMALLEST_RADIUS_MM or drawn:
        return None
    u, v = grid.axes_mm()
    centre = (float(u[cols].mean()), float(v[rows].mean()))
    return Seed(centre, radius, region, colour, float(best[bare].max()))


def _filled(mask: Mask) -> Mask:
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(np.zeros(mask.shape, np.uint8), outlines, -1, 1, cv2.FILLED) > 0)

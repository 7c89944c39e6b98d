"""Candidates for marks: places that differ from the tape, brighter or darker, in any colour.

At three scales the difference is divided by the tape's robust covariance, so that a faint but clean change
in one colour counts as much as a strong one in a noisy colour, and woven tape raises its own threshold.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bare_tape import Stack
from vision.card import Floats
from vision.window import Grid

Mask = NDArray[np.bool_]

SCALES_MM = (0.25, 0.7, 1.5)
# Coarse scales count more, because the highest score of bare tape falls with the scale: in 99 % of pictures
# it is below 6.8, 4.8 and 4.0.
_WORTH = np.array((0.82, 1.25, 1.3), np.float32)[:, None, None]
THRESHOLD = 5.5  # outline of a candidate, in robust standard deviations of the tape at that scale
_PEAK = 8.0  # its strongest point must reach this …
_SHARE_OF_STRONGEST = 0.03  # … and this share of the strongest candidate: a bright mark has faint echoes
_RIM_MM = 2.5  # near the window's edge the tape is rougher (blur, file format): it sets its own scale there
_FLOOR_LEVELS = (0.4, 0.3, 0.25)  # never trust the tape to be smoother than this …
_COLOUR_FLOOR_LEVELS = 1.0  # … and less in hue, which JPEG keeps in coarse steps over squares of 16 px
_SMALLEST_RADIUS_MM = 0.3
_SMALLEST_PART = 0.1
_WIDEST_MM = 26.0  # of a round region of the same area: a lamp's image may be as wide, no mark is
_RIM_OVER_HOLE, _RIM_SHARE = 0.25, 0.4
_PEN_PX = 7  # of the search grid: 1.4 mm
# Percentiles of a candidate's change between which its core begins; the core's radius over the candidate's.
_CORE_LOW, _CORE_HIGH, _CORE_AT_MOST = 10.0, 98.0, 0.6
_LEAST_THICK, _LEAST_LINES = 0.4, 0.03  # of a candidate's points: a mark in it, and lines that run into it
_RING_RADIUS_MM, _RING_SHARE = 6.0, 0.4  # a large thin ring is a pen's, not a beam's


@dataclass(frozen=True)
class Candidate:
    """A candidate: rough centre and radius in mm, its region on the window's grid, the mix of colours (3,)
    that shows it best, and its highest score in standard deviations.
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    region: Mask
    colour: Floats
    strength: float


@dataclass(frozen=True, eq=False)
class Candidates:
    """Candidates, strongest first, and every point of the window that differs from the tape."""

    listed: list[Candidate]
    differs: Mask


def find_candidates(rest: Stack, inside: Mask, grid: Grid) -> Candidates:
    """Return the candidates in `rest` (side, side, 3), a window after subtraction of the tape."""
    rest = rest * inside[..., None].astype(np.float32)
    smooth = [_blurred(rest, s / grid.pitch_mm) for s in SCALES_MM]
    inverses = [
        _inverse_covariance(s[inside], _floor(levels))
        for s, levels in zip(smooth, _FLOOR_LEVELS, strict=True)
    ]
    scores = np.stack([_score(s, inv) for s, inv in zip(smooth, inverses, strict=True)]) * inside
    scores = _rim_evened(scores, inside, grid) * _WORTH
    differs = scores.max(axis=0) > THRESHOLD
    count, labels = cv2.connectedComponents(differs.astype(np.uint8))
    blobs = [labels == i for i in range(1, count)]
    places = [s for blob in blobs for s in _candidates(blob, scores, smooth, inverses, grid)]
    ordered = sorted(places, key=lambda s: -s.strength)
    kept = [s for s in ordered if s.strength > max(_PEAK, _SHARE_OF_STRONGEST * ordered[0].strength)]
    kept = [s for i, s in enumerate(kept) if not any(_same_place(s, stronger) for stronger in kept[:i])]
    marked = [blob & (scores[0] > _part_level(blob, scores[0])) for blob in blobs]
    return Candidates(kept, np.any(marked, axis=0) if marked else differs)


def _same_place(one: Candidate, other: Candidate) -> bool:
    return bool((one.region & other.region).sum() > 0.5 * min(one.region.sum(), other.region.sum()))


def _rim_evened(scores: Floats, inside: Mask, grid: Grid) -> Floats:
    """Scores along the rim divided by how much rougher the tape is there than further in."""
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


def _candidates(
    blob: Mask, scores: Floats, smooth: list[Stack], inverses: list[Floats], grid: Grid
) -> list[Candidate]:
    """The candidates in a blob."""
    scale = _scale_of(blob, scores)
    part_of = blob & (scores[scale] > _part_level(blob, scores[scale]))
    best = scores.max(axis=0)
    most = np.pi * (_WIDEST_MM / 2 / grid.pitch_mm) ** 2
    return [
        candidate
        for whole in _parts(part_of)
        for part in _split(whole, scores[scale], most)
        for candidate in _of_part(part, best, smooth[scale], inverses[scale], grid)
    ]


def _split(part: Mask, score: Floats, most: float) -> list[Mask]:
    """Split a part that is wider than any mark (uneven light, wrinkles and marks in one) where its score is
    lower, until its pieces are small enough.
    """
    if part.sum() <= most:
        return [part]
    above = part & (score > 2 * float(score[part].min()))
    if not above.any():
        return [part]
    return [piece for wide in _parts(above) for piece in _split(wide, score, most)]


def _scale_of(blob: Mask, scores: Floats) -> int:
    """The finest scale if the blob stands out there, else the one where it stands out most."""
    if np.percentile(scores[0][blob], 85) > 2 * THRESHOLD:
        return 0
    return int(np.argmax([scores[i][blob].max() for i in range(len(scores))]))


def _part_level(blob: Mask, scores: Floats) -> float:
    """The score above which points belong to one part: a char's rim may be much fainter than its hole."""
    return max(THRESHOLD, _RIM_OVER_HOLE * float(np.percentile(scores[blob], 85)))


def dilated(mask: Mask, by_px: int) -> Mask:
    """Return a mask dilated by some points of its grid on every side."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * by_px + 1,) * 2, np.uint8)) > 0)


def _parts(mask: Mask) -> list[Mask]:
    """Connected parts, without those that are tiny beside the largest."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    areas = stats[1:, cv2.CC_STAT_AREA]
    return [labels == i for i in range(1, count) if areas[i - 1] >= _SMALLEST_PART * areas.max()]


def _of_part(part: Mask, best: Floats, smooth: Stack, inverse: Floats, grid: Grid) -> list[Candidate]:
    """Candidates of one connected part: where its change, in the colour of its own rim, exceeds half its
    height; holes are filled.
    """
    colour, top = _rim_colour(part, smooth, inverse)
    bare = (smooth @ colour > top / 2) & dilated(part, 2)
    region = _filled(bare)
    radius = float(np.sqrt(region.sum() / np.pi)) * grid.pitch_mm
    if radius > _RING_RADIUS_MM and bare.sum() < _RING_SHARE * region.sum():
        bare = _opened(bare)
    places = [_candidate(_filled(piece), best, colour, grid) for piece in _parts(bare)]
    return [candidate for candidate in places if candidate.radius_mm >= _SMALLEST_RADIUS_MM]


def _rim_colour(part: Mask, smooth: Stack, inverse: Floats) -> tuple[Floats, float]:
    """The mix of colours that shows the outer zone of a part best, and the change's full height in it."""
    depth = cv2.distanceTransform(_filled(part).astype(np.uint8), cv2.DIST_L2, 3)
    rim = part & (depth < max(_RIM_SHARE * float(depth.max()), 2.5))
    colour = inverse @ smooth[rim].mean(axis=0)
    colour = colour / max(float(np.abs(colour).sum()), 1e-9)
    return colour, float(np.percentile(smooth[rim] @ colour, 85))


def without_lines(candidate: Candidate, grid: Grid) -> tuple[Candidate, Candidate] | None:
    """Return a candidate without the thin lines that run into it, and these; None if there are none, or if it
    is hardly more than lines.
    """
    thick = max(_parts(_opened(candidate.region)), key=np.count_nonzero, default=None)
    if thick is None or np.count_nonzero(thick) < _LEAST_THICK * np.count_nonzero(candidate.region):
        return None
    lines = candidate.region & ~dilated(thick, 1)
    if np.count_nonzero(lines) < _LEAST_LINES * np.count_nonzero(candidate.region):
        return None
    strength = np.full(thick.shape, candidate.strength)
    disc, line = (_candidate(part, strength, candidate.colour, grid) for part in (thick, lines))
    return disc, line


def _opened(mask: Mask) -> Mask:
    """A mask without anything as thin as a pen's line."""
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_PEN_PX, _PEN_PX))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, brush) > 0)


def core_of(candidate: Candidate, rest: Stack, grid: Grid) -> Candidate | None:
    """Return the part that stands out within a candidate, such as a burn in a lamp's image where both are
    brighter than the tape; None if that is most of the candidate.
    """
    level = _blurred(rest, SCALES_MM[0] / grid.pitch_mm) @ candidate.colour.astype(np.float32)
    inside = level[candidate.region]
    middle = (np.percentile(inside, _CORE_LOW) + np.percentile(inside, _CORE_HIGH)) / 2
    part = max(_parts(candidate.region & (level > middle)), key=np.count_nonzero, default=None)
    if part is None:
        return None
    core = _candidate(_filled(part), np.full(level.shape, candidate.strength), candidate.colour, grid)
    fits = _SMALLEST_RADIUS_MM <= core.radius_mm < _CORE_AT_MOST * candidate.radius_mm
    return core if fits else None


def _candidate(region: Mask, best: Floats, colour: Floats, grid: Grid) -> Candidate:
    rows, cols = np.nonzero(region)
    radius = float(np.sqrt(len(rows) / np.pi)) * grid.pitch_mm
    u, v = grid.axes_mm()
    centre = (float(u[cols].mean()), float(v[rows].mean()))
    return Candidate(centre, radius, region, colour, float(best[region].max()))


def _filled(mask: Mask) -> Mask:
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(np.zeros(mask.shape, np.uint8), outlines, -1, 1, cv2.FILLED) > 0)

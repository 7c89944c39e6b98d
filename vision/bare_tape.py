"""The unmarked tape as it should look, so that only marks differ from it.

Without a picture before, the tape is a robust quadratic surface. With one, it is that picture times a smooth
gain (exposure, lamps) plus a smooth offset that is kept small, so that only what changed is left.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import Floats
from vision.window import RADIUS_MM, Grid

Stack = NDArray[np.floating[Any]]

INSIDE_MM = RADIUS_MM - 0.5  # the rim itself is blurred paper and tape
_ROUNDS = 6
_BANDS_PX = (0.0, 1.0, 3.0, 8.0)  # of the grid; detail coarser than the last is kept as it is
_LIKE_NOISE = 3.0  # standard deviations of a band; what is larger is detail and stays
# On uniform tape a gain and an offset look the same. Lamps and exposure are gains, and an older mark is
# predicted correctly only if they are treated as gains; with a free offset, noise in the picture before
# reduces the gain.
_OFFSET_RIDGE = 100.0


@dataclass(frozen=True)
class Tape:
    """Coefficients, one column per colour channel, of the expected picture of the unmarked tape."""

    coefficients: Floats
    with_before: bool

    def expected(self, grid: Grid, before: Stack | None) -> Stack:
        """Return the unmarked tape on a grid, (side, side, 3); `before` is the earlier picture there."""
        basis = surface_basis(grid)
        if not self.with_before:
            return _mixed(basis, self.coefficients)
        assert before is not None
        return _mixed(basis, self.coefficients[:6]) + _mixed(basis, self.coefficients[6:]) * before


def fit_tape(after: Stack, before: Stack | None, grid: Grid) -> Tape:
    """Fit the unmarked tape to a whole window, (side, side, 3); marks are outliers and do not count."""
    step = max(1, grid.side // 45)
    inside = (grid.radius_mm() < INSIDE_MM)[::step, ::step]
    smooth = surface_basis(grid)[:, ::step, ::step][:, inside]
    columns = []
    for channel in range(3):
        target = after[::step, ::step, channel][inside].astype(float)
        basis = smooth
        if before is not None:
            earlier = before[::step, ::step, channel][inside].astype(float)
            basis = np.vstack([smooth, smooth * earlier])
        columns.append(_robust_fit(basis, target, before is not None))
    return Tape(np.column_stack(columns), before is not None)


def shared_detail(after: Stack, tape: Stack, inside: NDArray[np.bool_], bare: NDArray[np.bool_]) -> Stack:
    """Return the expected tape without detail of the picture before that the picture after does not show.

    The picture before adds its own noise. So in each band of detail, only the share that both pictures have
    in common over the `bare` tape is kept: a Wiener filter, with the shares estimated from the data.
    """
    if bare.sum() < 200:
        return tape
    kept = tape.copy()
    mask = inside.astype(np.float32)
    for seen, known in zip(_bands(after, mask), _bands(tape, mask), strict=True):
        a, b = seen[bare], known[bare]
        share = (a * b).sum(axis=0) / np.maximum((b * b).sum(axis=0), 1e-6)
        reach = _LIKE_NOISE * 1.4826 * np.median(np.abs(b), axis=0)
        kept -= np.clip(1 - share, 0, 1) * np.clip(known, -reach, reach) * mask[..., None]
    return np.asarray(kept, dtype=np.float32)


def _bands(values: Stack, mask: Stack) -> list[Stack]:
    """Differences between ever smoother versions of a picture, taken only from within a mask."""
    levels = [values]
    for sigma in _BANDS_PX[1:]:
        cover = np.maximum(cv2.GaussianBlur(mask, (0, 0), sigma), 1e-3)[..., None]
        levels.append(np.asarray(cv2.GaussianBlur(values * mask[..., None], (0, 0), sigma)) / cover)
    return [one - other for one, other in itertools.pairwise(levels)]


def _mixed(basis: Floats, coefficients: Floats) -> Stack:
    """Sum of basis pictures (k, rows, cols) by coefficients (k, 3): (rows, cols, 3)."""
    return np.tensordot(basis.astype(np.float32), coefficients.astype(np.float32), axes=(0, 0))


def surface_basis(grid: Grid) -> Floats:
    """Return quadratic terms in card coordinates, as shares of the window's radius, (6, side, side)."""
    u, v = (axis / RADIUS_MM for axis in grid.axes_mm())
    uu, vv = np.broadcast_arrays(u[None, :], v[:, None])
    return np.stack([np.ones_like(uu), uu, vv, uu * uu, uu * vv, vv * vv])


def _robust_fit(basis: Floats, target: Floats, with_gain: bool) -> Floats:
    """Iteratively reweighted least squares, Tukey's weights from the median absolute deviation."""
    ridge = np.full(len(basis), 1e-6)
    prior = np.zeros(len(basis))
    if with_gain:
        ridge[:6] = _OFFSET_RIDGE
        prior[6] = 1.0
    weight = np.ones_like(target)
    solution: Floats = prior
    for turn in range(_ROUNDS):
        weighted = basis * weight
        solution = np.linalg.solve(weighted @ basis.T + np.diag(ridge), weighted @ target + ridge * prior)
        rest = target - solution @ basis
        rest_abs = np.abs(rest - np.median(rest))
        spread = max(1.4826 * float(np.median(rest_abs)), 0.3)
        reach = spread * max(4.0, 12.0 - 2 * turn)
        weight = np.clip(1 - (rest / reach) ** 2, 0, None) ** 2 + 1e-6
    return solution

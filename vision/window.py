"""The card's window, rectified: a square picture of it on a grid in mm, whatever the camera's angle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import WINDOW_DIAMETER_MM, Floats
from vision.homography import pixel_shift, project
from vision.picture import Pixels
from vision.reading import CardView

Stack = NDArray[np.floating[Any]]

RADIUS_MM = WINDOW_DIAMETER_MM / 2


@dataclass(frozen=True)
class Grid:
    """A square grid on the card: `side` × `side` points, `pitch_mm` apart; row 0 has the highest v."""

    centre_mm: tuple[float, float]
    pitch_mm: float
    side: int

    @property
    def to_mm(self) -> Floats:
        """Homography from grid (col, row) to card mm."""
        half = (self.side - 1) / 2 * self.pitch_mm
        u, v = self.centre_mm
        return np.array([(self.pitch_mm, 0, u - half), (0, -self.pitch_mm, v + half), (0, 0, 1.0)])

    def axes_mm(self) -> tuple[Floats, Floats]:
        """Card u of each column and v of each row."""
        steps = (np.arange(self.side) - (self.side - 1) / 2) * self.pitch_mm
        return np.asarray(self.centre_mm[0] + steps), np.asarray(self.centre_mm[1] - steps)

    def radius_mm(self) -> Floats:
        """Distance of each point from the window's middle, (side, side)."""
        u, v = self.axes_mm()
        return np.asarray(np.hypot(u[None, :], v[:, None]))


def window_grid(pitch_mm: float) -> Grid:
    """Grid over the whole window."""
    return Grid((0.0, 0.0), pitch_mm, int(np.ceil(WINDOW_DIAMETER_MM / pitch_mm)) | 1)


def flatten(
    picture: Pixels, homography: Floats, grid: Grid, shift_mm: Floats | None = None
) -> NDArray[np.float32]:
    """Return the grid's part of the picture, (side, side, 3) float32; finer pixels are averaged, not
    skipped. With `shift_mm` (2, side, side) each point looks that far (u, v) beside its own place.
    """
    to_px: Floats = homography @ grid.to_mm
    reach = 0.0 if shift_mm is None else float(np.abs(shift_mm).max()) / grid.pitch_mm
    picture, to_px = _reduced(picture, to_px, grid, reach)
    if shift_mm is not None and np.abs(shift_mm).max() > 0:
        return _looked_up(picture, to_px, grid, shift_mm)
    flat = cv2.warpPerspective(
        picture,
        to_px,
        (grid.side, grid.side),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return flat.astype(np.float32)


def flatten_view(picture: Pixels, view: CardView, grid: Grid, shift_mm: Floats | None = None) -> Stack:
    """Return the grid's part of a picture as `flatten` does, on a card that may be bent."""
    if view.bend is None:
        return flatten(picture, view.units_to_px, grid, shift_mm)
    u, v = grid.axes_mm()
    points = np.stack(np.broadcast_arrays(u[None, :], v[:, None]), axis=-1)
    shifted = points if shift_mm is None else points + np.moveaxis(shift_mm, 0, 2)
    moved = np.moveaxis(view.bend.apparent(shifted) - points, 2, 0)
    return flatten(picture, view.units_to_px, grid, moved)


def _looked_up(picture: Pixels, to_px: Floats, grid: Grid, shift_mm: Floats) -> NDArray[np.float32]:
    row, col = np.indices((grid.side, grid.side))
    place = np.stack([col + shift_mm[0] / grid.pitch_mm, row - shift_mm[1] / grid.pitch_mm], axis=-1)
    x, y = np.moveaxis(project(to_px, place).astype(np.float32), 2, 0)
    return cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _reduced(picture: Pixels, to_px: Floats, grid: Grid, reach: float) -> tuple[Pixels, Floats]:
    """The grid's part of the picture with a margin of `reach` grid steps, averaged down to about the grid's
    pitch, and the homography from the grid to its pixels.
    """
    first, last = -reach, grid.side - 1.0 + reach
    corners = project(to_px, np.array([(first, first), (last, first), (last, last), (first, last)]))
    limit = np.array(picture.shape[1::-1])
    low = np.clip(np.floor(corners.min(0)).astype(int) - 2, 0, limit - 1)
    high = np.clip(np.ceil(corners.max(0)).astype(int) + 3, low + 1, limit)
    part = picture[low[1] : high[1], low[0] : high[0]]
    to_px = np.array([(1, 0, -low[0]), (0, 1, -low[1]), (0, 0, 1.0)]) @ to_px
    spacing = np.sqrt(abs(cv2.contourArea(corners.astype(np.float32)))) / (last - first)
    factor = max(1, round(spacing))
    if factor == 1:
        return part, to_px
    rows, cols = (size // factor * factor for size in part.shape[:2])
    if not rows or not cols:
        return part, to_px
    small = cv2.resize(part[:rows, :cols], (cols // factor, rows // factor), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), pixel_shift(1 / factor) @ to_px

"""Which card is in the picture: marker ids and rough corners, by OpenCV's own detector."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bend import Bend, apparent
from vision.card import CardName, Floats, card_of, dictionary
from vision.homography import project

SEARCH_SIDE_PX = 1600  # larger pictures are searched at a reduced size; the corners are refined at full size
_CELLS = 6  # modules along a side, border and code
_LEAST_CONTRAST, _LIKE = 12.0, 0.85
_CLOSER_LOOK = 2.0  # times the first look's size
_SMALLER = (0.5, 0.33)  # times the first look's size, sharpened: for blurred pictures
_LEAST_SIDE_PX = 40  # of a picture in which a card could be found
_SHARPEN_PX, _SHARPEN = 4.0, 3.0
# Sizes of the neighbourhood that separates black from white (least, most, step). Each costs a pass over the
# picture; on nearly all pictures the middle one alone finds what OpenCV's usual three find.
_ALL_WINDOWS, _ONE_WINDOW = (3, 23, 10), (13, 13, 10)


@dataclass(frozen=True)
class Marker:
    """One marker: its id and rough corners, shape (4, 2), picture px, pixel centres at integers."""

    id: int
    corners_px: Floats

    @property
    def card(self) -> CardName | None:
        """The card that carries this id, None for an id of no card."""
        return card_of(self.id)

    @property
    def side_px(self) -> float:
        """Root of the area inside the corners."""
        return float(np.sqrt(abs(cv2.contourArea(self.corners_px.astype(np.float32)))))


def find_markers(grey: NDArray[np.uint8]) -> list[Marker]:
    """Return the markers in a grey picture; a card in the dark or far away gets further looks."""
    longest = max(grey.shape)
    shrink = max(1.0, longest / SEARCH_SIDE_PX)
    found = _search(grey, 1 / shrink, windows=_ONE_WINDOW)
    for scale in _SMALLER:
        if len(found) < 3 and min(grey.shape) * scale / shrink > _LEAST_SIDE_PX:
            found = _merge(_search(_sharpened(_resized(grey, scale / shrink)), 1, of=grey.shape), found)
    if len(found) < 2:
        found = _merge(_search(grey, 1 / shrink), found)
    if len(found) < 2:
        found = _merge(found, _search(_evened(grey), 1 / shrink))
    if len(found) < 2:
        found = _merge(found, _search(grey, min(_CLOSER_LOOK / shrink, 1.0) if shrink > 1 else _CLOSER_LOOK))
    return found


def _search(
    grey: NDArray[np.uint8],
    scale: float,
    *,
    windows: tuple[int, int, int] = _ALL_WINDOWS,
    of: tuple[int, ...] | None = None,
) -> list[Marker]:
    """Markers in a picture looked at in another scale; `of` is the shape of the picture that it was made
    from.
    """
    picture = grey if scale == 1 else _resized(grey, scale)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = windows[:2]
    settings.adaptiveThreshWinSizeStep = windows[2]
    detector = cv2.aruco.ArucoDetector(dictionary(), settings)
    corners, ids, _ = detector.detectMarkers(picture)
    if ids is None:
        return []
    ratio = np.array(picture.shape[::-1]) / (of or grey.shape)[::-1]
    return [
        Marker(int(i), (c.reshape(4, 2).astype(float) + 0.5) / ratio - 0.5)
        for i, c in zip(ids.ravel(), corners, strict=True)
    ]


def _resized(grey: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=how), dtype=np.uint8)


def _evened(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Contrast evened out tile by tile: lifts a card out of a deep shadow."""
    return np.asarray(cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(grey), dtype=np.uint8)


def _sharpened(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Contrast of fine detail raised, so that a blurred marker's modules can be told apart."""
    fine = grey.astype(np.float32)
    coarse = np.asarray(cv2.GaussianBlur(fine, (0, 0), _SHARPEN_PX))
    return np.clip(fine + _SHARPEN * (fine - coarse), 0, 255).astype(np.uint8)


def _merge(found: list[Marker], more: list[Marker]) -> list[Marker]:
    """Add markers that are not among the found ones (same id at the same place)."""
    new = [m for m in more if not any(_same(m, known) for known in found)]
    return found + new


def _same(one: Marker, other: Marker) -> bool:
    apart = np.linalg.norm(one.corners_px.mean(0) - other.corners_px.mean(0))
    return one.id == other.id and bool(apart < other.side_px / 2)


@lru_cache(maxsize=100)
def _cells(marker_id: int) -> Floats:
    """The marker's modules row by row, 1 where white."""
    return (np.asarray(cv2.aruco.generateImageMarker(dictionary(), marker_id, _CELLS)) > 127).ravel() * 1.0


def shows_code(
    grey: NDArray[np.uint8],
    marker_id: int,
    corners_mm: Floats,
    homography: Floats,
    bend: Bend | None = None,
) -> bool:
    """Return whether a marker that the search missed stands where the homography (card mm → px) puts it, on a
    card that may be bent.
    """
    steps = (np.arange(_CELLS) + 0.5) / _CELLS
    left_top, right_bottom = corners_mm[0], corners_mm[2]
    u, v = np.meshgrid(*(left_top + steps[:, None] * (right_bottom - left_top)).T)
    places = apparent(np.stack([u, v], axis=-1).reshape(-1, 2), bend)
    at = project(homography, places).astype(np.float32)
    if not ((at > 0) & (at < np.array(grey.shape[::-1]) - 1)).all():
        return False
    sampled = cv2.remap(grey, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)
    seen = np.asarray(sampled, dtype=float).ravel()
    if np.ptp(seen) < _LEAST_CONTRAST:
        return False
    return bool(np.corrcoef(seen, _cells(marker_id))[0, 1] > _LIKE)

"""How sharp the card is in a picture: the width of its printed edges, against what can still be read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from firmware.camera.picture_fault import PREFILTER_PX, sharpness
from server.sources.base import Pixels
from vision import SIZES, NoReading, card_sheet, find_card

__all__ = ["CardFocus", "card_focus"]

_MODULE_MM = 3.0  # one square of a marker on the standard card
_SOFT = 1 / 3  # of a module, as much as a clip may blur its farthest marker (hardware/checks.py)


@dataclass(frozen=True)
class CardFocus:
    """The card of a station as a picture shows it: width of its edges from 10 to 90 %, in px and mm."""

    station: str
    size: str
    edge_px: float
    edge_mm: float

    @property
    def sharp(self) -> bool:
        """Whether its edges are narrow compared with the squares of its markers."""
        return self.edge_mm <= _SOFT * _MODULE_MM * SIZES[self.size]

    @property
    def line(self) -> str:
        """One line that says how sharp it is."""
        word = "sharp" if self.sharp else "soft"
        return f"card of {self.station} in view, {word}: its edges are {self.edge_mm:.2f} mm wide"


def card_focus(picture: Pixels) -> CardFocus | None:
    """Return how sharp the one card in a BGR picture is, None where there is none.

    An edge that a Gaussian of width σ has softened rises at most by contrast / (σ √(2π)) per pixel, and
    from 10 to 90 % within 2.563 σ.
    """
    found = find_card(picture)
    if isinstance(found, NoReading):
        return None
    station, view = found
    corners = np.concatenate(list(card_sheet(station, view.size).markers.values()))
    inside = _box(cv2.perspectiveTransform(corners[None].astype(np.float64), view.homography)[0], picture)
    steepest = sharpness(np.asarray(cv2.cvtColor(picture[inside], cv2.COLOR_BGR2GRAY), np.uint8))
    sigma = math.sqrt(max((1 / (steepest * math.sqrt(2 * math.pi))) ** 2 - PREFILTER_PX**2, 0.04))
    edge_px = 2.563 * sigma
    return CardFocus(station, view.size, edge_px, edge_px / view.px_per_mm)


def _box(corners_px: np.ndarray[Any, Any], picture: Pixels) -> tuple[slice, slice]:
    rows, cols = picture.shape[:2]
    (left, top), (right, bottom) = corners_px.min(axis=0), corners_px.max(axis=0)
    return (
        slice(max(int(top) - 4, 0), min(int(bottom) + 5, rows)),
        slice(max(int(left) - 4, 0), min(int(right) + 5, cols)),
    )

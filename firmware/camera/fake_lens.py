"""A simulated lens: how soft a card at some distance is, for tests and FakeCamera.

Thin lens. The blur disc of a point at S2 with the lens focused at S1 is c = A |S2 − S1| / S2 · f / (S1 − f),
A the aperture's diameter, f the focal length (Wikipedia, "Circle of confusion", section "Determining a circle
of confusion diameter from the object field").
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from firmware.camera.base import Pixels

__all__ = ["FakeLens"]


@dataclass(frozen=True)
class FakeLens:
    """One lens before one sensor.

    focal_mm, f_number, field_deg (across the whole picture) : as published for it. card_dioptres : 1 / the
    card's distance (m). off_dioptres : how far the scale of this lens is off, since no two lenses are alike.
    """

    focal_mm: float
    f_number: float
    field_deg: float
    card_dioptres: float
    off_dioptres: float = 0.0

    def blur_px(self, set_to: float, cols: int) -> float:
        """Return the blur disc's diameter in a picture ``cols`` wide, the lens set to ``set_to``."""
        focused_mm = 1000.0 / max(set_to + self.off_dioptres, 1e-6)
        card_mm = 1000.0 / self.card_dioptres
        aperture_mm = self.focal_mm / self.f_number
        disc_mm = (
            aperture_mm * abs(card_mm - focused_mm) / card_mm * self.focal_mm / (focused_mm - self.focal_mm)
        )
        sensor_mm = 2 * self.focal_mm * math.tan(math.radians(self.field_deg / 2))
        return disc_mm / sensor_mm * cols

    def seen(self, sharp: Pixels, set_to: float) -> Pixels:
        """Return that picture (rows, cols, 3) as the lens shows it."""
        return blurred(sharp, self.blur_px(set_to, sharp.shape[1]))


def blurred(sharp: Pixels, disc_px: float) -> Pixels:
    """Return the picture with every point spread to an even disc of that diameter."""
    if disc_px < 0.25:  # less than the fine grid below can tell from a point
        return sharp
    fine, half = 8, math.ceil(disc_px / 2) + 1
    at = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    inside = (np.hypot(*np.meshgrid(at, at)) <= disc_px / 2).astype(np.float64)
    disc = inside.reshape(2 * half + 1, fine, 2 * half + 1, fine).sum(axis=(1, 3))
    return np.asarray(cv2.filter2D(sharp, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE), np.uint8)

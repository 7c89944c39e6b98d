"""Centre and width of a mark against ISO 11146-1 and scipy, through the public reading alone.

ISO 11146-1: the width is four standard deviations. A uniform disc's is its diameter (its variance on an
axis is R²/4), a Gaussian's is its 1/e² diameter (sd w/2). The centre is the first moment, here by
`scipy.ndimage.center_of_mass`.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import center_of_mass, gaussian_filter

import vision

Array = NDArray[np.float64]
DPI = 254.0
PX_PER_MM = DPI / 25.4
DEPTH = 170.0
BLUR_PX = 0.8  # a lens has some, and some noise: a drawing without either is no picture
NOISE_GREY = 1.5


def distance_mm(rows: int, cols: int, centre_mm: tuple[float, float]) -> Array:
    """Distance of each pixel from a point of the card (u, v), and its horizontal and vertical parts."""
    sheet = vision.card_sheet("mirror-2")
    u = (np.arange(cols) + 0.5) / PX_PER_MM - sheet.centre_mm[0] - centre_mm[0]
    v = sheet.centre_mm[1] - (np.arange(rows) + 0.5) / PX_PER_MM - centre_mm[1]
    return np.hypot(*np.meshgrid(u, v))


def darkness(kind: str, apart_mm: Array, diameter_mm: float) -> Array:
    """0 … 1: a uniform disc with a soft edge of one pixel, or a Gaussian of that 1/e² diameter."""
    if kind == "disc":
        return np.clip((diameter_mm / 2 - apart_mm) * PX_PER_MM + 0.5, 0, 1)
    return np.exp(-2 * apart_mm**2 / (diameter_mm / 2) ** 2)


def pictures(dark: Array, rng: np.random.Generator) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(before, after), BGR, as a camera squarely above would take them."""
    card = vision.draw_card("mirror-2", dpi=DPI).astype(float)
    return _taken(card, rng), _taken(card - DEPTH * dark, rng)


def _taken(drawn: Array, rng: np.random.Generator) -> NDArray[np.uint8]:
    grey = gaussian_filter(drawn, BLUR_PX) + rng.normal(0, NOISE_GREY, drawn.shape)
    return np.repeat(np.rint(grey).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("centre_mm", [(0.0, 0.0), (-5.37, 3.21)])
@pytest.mark.parametrize(
    ("kind", "diameter_mm"), [("disc", 3.0), ("disc", 6.5), ("gauss", 4.0), ("gauss", 7.0)]
)
def test_width_and_centre(kind: str, diameter_mm: float, centre_mm: tuple[float, float]) -> None:
    rows, cols = vision.draw_card("mirror-2", dpi=DPI).shape
    dark = darkness(kind, distance_mm(rows, cols, centre_mm), diameter_mm)
    before, after = pictures(dark, np.random.default_rng(7))
    reading = vision.read(after, before)
    assert isinstance(reading, vision.Reading), reading
    mark = reading.marks[0]
    row, col = center_of_mass(dark)
    sheet = vision.card_sheet("mirror-2")
    by_scipy = ((col + 0.5) / PX_PER_MM - sheet.centre_mm[0], sheet.centre_mm[1] - (row + 0.5) / PX_PER_MM)
    np.testing.assert_allclose(by_scipy, centre_mm, atol=0.002, err_msg="the drawing")
    np.testing.assert_allclose(mark.offset_mm, by_scipy, atol=0.02)
    np.testing.assert_allclose(mark.width_mm, diameter_mm, rtol=0.02)

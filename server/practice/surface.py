"""The flat parts of the scene: printed paper, a strip of tape in its window, and how they char."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

import vision
from server.practice.burn import FIELD_MM, FIELD_PX_PER_MM, Field
from vision.raster import MM_PER_INCH

__all__ = ["TEXTURE_PX_PER_MM", "WHITE", "Surface", "card_surface", "scorched"]

TEXTURE_PX_PER_MM = 10
WHITE = 250  # grey level of white on a surface, which leaves room for gloss
Picture = NDArray[np.float32]
Pixels = NDArray[np.uint8]

# BGR in units of white. Seen under lamps of about 4000 K; common practice, no source.
_PAPER = np.array([0.90, 0.93, 0.94], np.float32)
_INK = np.array([0.135, 0.125, 0.125], np.float32)
_MASKING_TAPE = np.array([0.58, 0.76, 0.86], np.float32)
_THERMAL_PAPER = np.array([0.95, 0.94, 0.92], np.float32)
# Heat → colour of the char, and how much of the strip it covers.
_HEATS = np.array([0.55, 0.9, 1.2, 1.6, 2.2, 3.5])
_COVER = np.array([0.0, 0.22, 0.62, 0.90, 0.97, 0.985])
_CHAR_TAPE = np.array(
    [[0.40, 0.60, 0.75], [0.28, 0.48, 0.66], [0.12, 0.22, 0.36], [0.07, 0.10, 0.15], [0.05, 0.06, 0.075],
     [0.065, 0.07, 0.075]]
)  # fmt: skip
_CHAR_THERMAL = np.array(
    [[0.80, 0.80, 0.80], [0.42, 0.42, 0.44], [0.16, 0.15, 0.17], [0.08, 0.08, 0.10], [0.06, 0.07, 0.09],
     [0.08, 0.09, 0.11]]
)  # fmt: skip


@dataclass(frozen=True)
class Surface:
    """An unburnt card: colour (rows, cols, 3) uint8 BGR, and the strip's relief and kind.

    offset_px : texture pixel (col, row) of the card frame's origin, pixel centres at integers.
    relief : (rows, cols) float32, size of the heat field, zero mean; ridges take more heat.
    """

    colour: Pixels
    offset_px: tuple[float, float]
    relief: Field
    thermal: bool


def card_surface(station: str, rng: np.random.Generator) -> Surface:
    """Return a fresh printed card of that station with a strip behind its window."""
    sheet = vision.card_sheet(station)
    ink = _ink(station)
    rows, cols = ink.shape
    x_px, y_px = (TEXTURE_PX_PER_MM * centre - 0.5 for centre in sheet.centre_mm)
    thermal = bool(rng.random() < 0.3)
    strip, relief = (_thermal_paper if thermal else _masking_tape)(rows, cols, rng)
    paper = 1 + 0.012 * _noise((rows, cols), 1.2, rng) + 0.02 * _noise((rows, cols), 90.0, rng)
    inside_px, lean_px = _window((rows, cols), (x_px, y_px), sheet.window_diameter_mm / 2 * TEXTURE_PX_PER_MM)
    shade = 1 - 0.30 * np.exp(-np.clip(inside_px - lean_px, 0, None) / 7.0)
    window = np.clip(inside_px + 0.5, 0, 1)
    colour = np.empty((rows, cols, 3), np.uint8)
    for k in range(3):
        printed = (_INK[k] + (_PAPER[k] - _INK[k]) / 255 * ink) * paper
        taped = (_THERMAL_PAPER if thermal else _MASKING_TAPE)[k] * strip * shade
        colour[..., k] = np.clip(WHITE * (printed + (taped - printed) * window), 0, 255)
    return Surface(colour, (x_px, y_px), _around(relief, x_px, y_px), thermal)


def scorched(surface: Surface, field: Field) -> Pixels:
    """Return the card's colour with the field's heat burnt into it (the surface itself is left alone)."""
    colour = surface.colour.copy()
    if not field.any():
        return colour
    rows, cols = _field_slices(surface)
    heat = field * (1 + 0.04 * surface.relief)
    char = _CHAR_THERMAL if surface.thermal else _CHAR_TAPE
    cover = np.interp(heat, _HEATS, _COVER)
    halo = np.interp(cv2.GaussianBlur(field, (0, 0), 9), [0.08, 0.6], [0, 0.10])
    for k, toned in enumerate((1.5, 1.0, 0.7)):
        tint = np.interp(heat, _HEATS, char[:, k]) * (1 + 0.10 * surface.relief) * WHITE
        strip = colour[rows, cols, k] * (1 - toned * halo)
        colour[rows, cols, k] = np.clip(strip + (tint - strip) * cover, 0, 255)
    return colour


@lru_cache(maxsize=4)
def _ink(station: str) -> Pixels:
    return np.asarray(vision.draw_card(station, dpi=MM_PER_INCH * TEXTURE_PX_PER_MM), np.uint8)


def _masking_tape(rows: int, cols: int, rng: np.random.Generator) -> tuple[Field, Field]:
    """Return the strip's tone (1 = its mean colour) and relief."""
    # Crepe paper: short ridges across the strip, which lies upright or level.
    ridges = cv2.GaussianBlur(rng.normal(size=(rows, cols)).astype(np.float32), (0, 0), 9.0, sigmaY=1.5)
    fibres = _noise((rows, cols), 1.0, rng)
    relief = ridges / ridges.std() + 0.5 * fibres
    tone = 1 + 0.022 * relief + 0.02 * _noise((rows, cols), 40.0, rng)
    return tone * _crease(rows, cols, rng), relief.astype(np.float32)


def _thermal_paper(rows: int, cols: int, rng: np.random.Generator) -> tuple[Field, Field]:
    relief = _noise((rows, cols), 1.3, rng)
    curl = 1 - 0.05 * np.cos(np.linspace(-1.2, 1.2, rows) + rng.uniform(-0.5, 0.5))[:, None] ** 8
    return (curl * (1 + 0.008 * relief)).astype(np.float32), 0.5 * relief


def _crease(rows: int, cols: int, rng: np.random.Generator) -> Field:
    # One shallow fold or the edge of a second layer: lighter on one flank, darker on the other.
    slope, start = rng.uniform(-0.25, 0.25), rng.uniform(0.25, 0.75) * rows
    y = np.arange(rows, dtype=np.float32)[:, None]
    away = y - start - slope * (np.arange(cols, dtype=np.float32)[None, :] - cols / 2)
    flanks = 0.05 * np.exp(-(((away - 4) / 5) ** 2)) - 0.06 * np.exp(-(((away + 4) / 6) ** 2))
    return np.asarray(1 + flanks, np.float32)


def _noise(shape: tuple[int, int], blur_px: float, rng: np.random.Generator) -> Field:
    """Unit-variance smooth noise; wide blurs are made small and enlarged, which looks the same."""
    shrink = max(1, int(blur_px // 4))
    small = rng.normal(size=(shape[0] // shrink + 2, shape[1] // shrink + 2)).astype(np.float32)
    blurred = cv2.GaussianBlur(small, (0, 0), blur_px / shrink)
    whole = cv2.resize(blurred, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(whole / whole.std(), np.float32)


def _window(shape: tuple[int, int], centre_px: tuple[float, float], radius_px: float) -> tuple[Field, Field]:
    """Return how far inside the window each pixel is, and how far the paper's shadow reaches there."""
    x = np.arange(shape[1], dtype=np.float32)[None, :] - np.float32(centre_px[0])
    y = np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(centre_px[1])
    away = np.hypot(x, y)
    lean = -3.0 * (0.5 * x + 0.85 * y) / (away + 1.0)  # the lamp stands above and to the left
    return np.asarray(radius_px - away, np.float32), np.asarray(lean, np.float32)


def _around(whole: Field, x_px: float, y_px: float) -> Field:
    half = round(FIELD_MM * FIELD_PX_PER_MM)
    row, col = round(y_px + 0.5) - half, round(x_px + 0.5) - half
    return whole[row : row + 2 * half, col : col + 2 * half]


def _field_slices(surface: Surface) -> tuple[slice, slice]:
    half = round(FIELD_MM * FIELD_PX_PER_MM)
    col, row = (round(c + 0.5) - half for c in surface.offset_px)
    return slice(row, row + 2 * half), slice(col, col + 2 * half)

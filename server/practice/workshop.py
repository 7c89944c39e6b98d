"""The background: the inside of a gantry laser behind the card, out of focus, drawn from primitives."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Picture", "light", "workshop"]

Picture = NDArray[np.float32]
Colour = tuple[float, float, float]  # BGR, 1 = white

_WALL: Colour = (0.23, 0.21, 0.20)
_STEEL: Colour = (0.47, 0.46, 0.45)
_DARK: Colour = (0.07, 0.065, 0.06)
_BRASS: Colour = (0.25, 0.52, 0.66)
_ANODISED: Colour = (0.12, 0.115, 0.12)
_HOSE: Colour = (0.42, 0.24, 0.10)


def workshop(rows: int, cols: int, *, rng: np.random.Generator) -> Picture:
    """Return a (rows, cols, 3) float32 BGR background, white = 1; far things are blurred more than near ones.

    Drawn at half size: nothing in it needs to be sharper.
    """
    picture = _wall(rows // 2, cols // 2, rng)
    side = int(rng.choice((-1, 1)))
    picture = _layer(picture, 6.5, lambda p: _far(p, rng))
    picture = _layer(picture, 3, lambda p: _gantry(p, round(rows * rng.uniform(0.30, 0.37)), rng))
    picture = _layer(picture, 2.5, lambda p: _hose(p, side, rng))
    picture = _layer(picture, 1.4, lambda p: _mount(p, side, rng))
    return np.asarray(cv2.resize(picture, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def light(rows: int, cols: int, *, rng: np.random.Generator) -> Picture:
    """Return the (rows, cols, 1) float32 lamp field: brighter to the upper left, darker in the corners."""
    x = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :]
    y = np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None]
    lean = rng.uniform(0.10, 0.20)
    lamp = 1.0 - lean * x * rng.uniform(0.5, 1.3) - lean * y
    vignette = 1.0 - 0.42 * (x**2 + 0.6 * y**2)
    return np.asarray((lamp * vignette)[..., None], np.float32)


def _layer(picture: Picture, blur_px: float, draw: Callable[[Picture], None]) -> Picture:
    """Draw onto a copy and blend it in, blurred with its mask so that soft edges stay transparent."""
    drawn = np.full_like(picture, -1.0)
    draw(drawn)
    mask = (drawn[..., 0] >= 0).astype(np.float32)
    soft = cv2.GaussianBlur(mask, (0, 0), blur_px)[..., None]
    colour = cv2.GaussianBlur(np.maximum(drawn, 0.0), (0, 0), blur_px)
    return np.asarray(picture * (1 - soft) + colour, np.float32)


def _wall(rows: int, cols: int, rng: np.random.Generator) -> Picture:
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None, None]
    x = np.linspace(0, 1, cols, dtype=np.float32)[None, :, None]
    glow = np.exp(-((x - rng.uniform(0.1, 0.3)) ** 2) / 0.08 - (y - 0.15) ** 2 / 0.10)
    sheet = np.array(_WALL, np.float32) * (0.85 + 0.5 * glow - 0.25 * y)
    folds = sum(np.exp(-(((x - at) / 0.012) ** 2)) for at in rng.uniform(0, 1, 3))
    return np.asarray(sheet * (1 - 0.22 * folds), np.float32)


def _far(picture: Picture, rng: np.random.Generator) -> None:
    """Draw the bed's slats below and a few lamps above."""
    rows, cols = picture.shape[:2]
    _box(picture, (0, 0.80 * rows), (cols, rows), (0.13, 0.125, 0.125))
    for at in range(0, cols, 23):
        _box(picture, (at, 0.84 * rows), (at + 8, rows), (0.27, 0.27, 0.28))
    for _ in range(3):
        x, y = rng.uniform(0, cols), rng.uniform(0, 0.4 * rows)
        cv2.circle(picture, (int(x), int(y)), int(rng.uniform(5, 10)), (0.55, 0.72, 0.85), -1)


def _gantry(picture: Picture, top: int, rng: np.random.Generator) -> None:
    """Draw an aluminium extrusion with two slots, and in front of it a steel rail with bolts."""
    cols = picture.shape[1]
    for k in range(55):
        shine = 0.78 + 0.30 * np.sin(np.pi * (k / 55) ** 0.7)
        _box(picture, (0, top + k), (cols, top + k), _scaled(_STEEL, shine))
    for slot in (12, 37):
        _box(picture, (0, top + slot), (cols, top + slot + 5), _DARK)
    _box(picture, (0, top + 22), (cols, top + 31), (0.62, 0.61, 0.60))
    for x in range(int(rng.integers(0, 45)), cols, 52):
        cv2.circle(picture, (x, top + 27), 3, _DARK, -1)


def _hose(picture: Picture, side: int, rng: np.random.Generator) -> None:
    rows, cols = picture.shape[:2]
    x = np.linspace(0, cols, 60)
    y = rows * (0.16 + 0.10 * np.sin(x / cols * 4 + rng.uniform(0, 2))) + side * 15
    points = np.stack([x, y], axis=1).astype(np.int32)
    cv2.polylines(picture, [points], False, _HOSE, 10)
    cv2.polylines(picture, [points - np.array([0, 2], np.int32)], False, (0.68, 0.48, 0.30), 3)


def _mount(picture: Picture, side: int, rng: np.random.Generator) -> None:
    """Draw the mirror mount behind the card: its two plates, bolts and brass thumb screws."""
    rows, cols = picture.shape[:2]
    left, right = cols / 2 + side * 15 - 168, cols / 2 + side * 15 + 168
    top = rng.uniform(0.08, 0.14) * rows
    for x, y in ((left - 14, 0.30), (right + 14, 0.76)):
        _knob(picture, round(x), round(rows * y))
    _box(picture, (left, top), (right, rows), _ANODISED)
    _box(picture, (left, top), (right, top + 2), (0.30, 0.29, 0.29))
    _box(picture, (left, top), (left + 2, rows), (0.24, 0.23, 0.23))
    _box(picture, (left, 0.62 * rows), (right, 0.62 * rows + 3), (0.05, 0.05, 0.05))
    for x in (left + 15, right - 15):
        for y in (top + 18, 0.57 * rows, 0.93 * rows):
            _bolt(picture, round(x), round(y))


def _bolt(picture: Picture, x: int, y: int) -> None:
    cv2.circle(picture, (x, y), 7, (0.33, 0.32, 0.31), -1)
    cv2.circle(picture, (x - 1, y - 1), 6, (0.48, 0.47, 0.46), -1)
    cv2.circle(picture, (x, y), 3, _DARK, -1)


def _knob(picture: Picture, x: int, y: int) -> None:
    """Draw a knurled brass thumb screw from the side: shaded drum with teeth, collar towards the plate."""
    for k in range(-30, 30):
        shine = 0.35 + 0.95 * np.exp(-(((k + 10) / 9) ** 2)) + 0.18 * np.exp(-(((k - 22) / 6) ** 2))
        shine *= 0.80 if abs(k) % 4 == 0 else 1.0
        inset = 3 if abs(k) > 27 else 0
        _box(picture, (x - 21 + inset, y + k), (x + 21 - inset, y + k), _scaled(_BRASS, shine))
    for edge in (-14, 13):
        _box(picture, (x + edge, y - 29), (x + edge + 1, y + 29), (0.10, 0.22, 0.28))


def _scaled(colour: Colour, by: float) -> Colour:
    return (float(colour[0] * by), float(colour[1] * by), float(colour[2] * by))


def _box(picture: Picture, low: tuple[float, float], high: tuple[float, float], colour: Colour) -> None:
    cv2.rectangle(picture, (int(low[0]), int(low[1])), (int(high[0]), int(high[1])), colour, -1)

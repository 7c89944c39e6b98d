"""The card as pixels: every edge where it belongs, to a fraction of a pixel.

Upright edges get their exact area coverage, circles their distance to the edge, text an eightfold
supersampled fill. Millimetres become pixels by dpi / 25.4, counted from the picture's outer edge.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import STATIONS, Boxes, Floats, Polygon, Ring, Shape, Words, card_sheet
from vision.card_sizes import card_shapes
from vision.files import write_whole

MM_PER_INCH = 25.4
_FINE = 8  # supersampling of polygons, each way


def draw_card(station: str, *, dpi: float, size: str = "standard") -> NDArray[np.uint8]:
    """Return a card of a size as a grey picture at true scale, anti-aliased, the window left white.

    Shape (rows, cols), uint8, 255 = paper. The sheet's top-left corner is the picture's outer top-left
    corner; a fraction of a pixel that is left over at the right and at the bottom stays white.
    """
    sheet = card_sheet(station, size)
    return draw_shapes(
        card_shapes(station, size), (sheet.width_mm, sheet.height_mm), sheet.centre_mm, dpi=dpi
    )


def draw_shapes(
    shapes: list[Shape], size_mm: tuple[float, float], centre_mm: tuple[float, float], *, dpi: float
) -> NDArray[np.uint8]:
    """Return shapes on white paper of a size (width, height), their origin at a point from the top-left
    corner.
    """
    per_mm = dpi / MM_PER_INCH
    cols, rows = (math.ceil(round(side * per_mm, 6)) for side in size_mm)
    ink = np.zeros((rows, cols))
    for shape in shapes:
        _lay(ink, shape, per_mm, centre_mm)
    return np.asarray(np.rint(255 * (1 - np.clip(ink, 0, 1))), dtype=np.uint8)


def write_cards_png(
    folder: Path, *, dpi: float, size: str = "standard", told: Callable[[], object] = lambda: None
) -> list[Path]:
    """Write `card-<station>.png` for every station and a JSON with its measures beside each; return the
    PNGs. Other sizes than the standard one are named at the end: `card-<station>-small.png`.

    ``told`` is called after each card.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for station in STATIONS:
        written.append(_write_card(folder, station, dpi, size))
        told()
    return written


def _write_card(folder: Path, station: str, dpi: float, size: str) -> Path:
    picture = draw_card(station, dpi=dpi, size=size)
    path = folder / (f"card-{station}.png" if size == "standard" else f"card-{station}-{size}.png")
    write_whole(path, _png(picture, dpi))
    sheet = card_sheet(station, size)
    rows, cols = picture.shape
    measures = {
        "station": station,
        "size": size,
        "dpi": dpi,
        "width_mm": cols * MM_PER_INCH / dpi,  # of this picture: whole pixels
        "height_mm": rows * MM_PER_INCH / dpi,
        "centre_mm": list(sheet.centre_mm),
        "window_diameter_mm": sheet.window_diameter_mm,
    }
    write_whole(path.with_suffix(".json"), (json.dumps(measures, indent=2) + "\n").encode())
    return path


def _png(picture: NDArray[np.uint8], dpi: float) -> bytes:
    """PNG with the resolution in it (pHYs, pixels per metre), so that it prints at true scale too."""
    data: bytes = cv2.imencode(".png", picture)[1].tobytes()
    per_metre = round(dpi / MM_PER_INCH * 1000)
    body = b"pHYs" + struct.pack(">IIB", per_metre, per_metre, 1)
    chunk = struct.pack(">I", 9) + body + struct.pack(">I", zlib.crc32(body))
    header_end = 8 + 25
    return data[:header_end] + chunk + data[header_end:]


def _lay(ink: Floats, shape: Shape, per_mm: float, centre_mm: tuple[float, float]) -> None:
    """Add one shape's ink."""
    match shape:
        case Boxes(sides_mm, strength):
            for box in sides_mm:
                _lay_box(ink, box, strength, per_mm, centre_mm)
        case Ring():
            _lay_ring(ink, shape, per_mm, centre_mm)
        case Polygon(corners_mm, strength):
            _lay_polygons(ink, [corners_mm], strength, per_mm, centre_mm)
        case Words(ink=strength):
            _lay_polygons(ink, text_outlines(shape), strength, per_mm, centre_mm)


def _to_px(points_mm: Floats, per_mm: float, centre_mm: tuple[float, float]) -> Floats:
    """Card frame to pixels from the picture's outer edge (not from the first pixel's centre)."""
    return np.asarray((np.asarray(centre_mm) + points_mm * (1, -1)) * per_mm)


def _lay_box(
    ink: Floats, box: Floats, strength: float, per_mm: float, centre_mm: tuple[float, float]
) -> None:
    (x0, y1), (x1, y0) = _to_px(box.reshape(2, 2), per_mm, centre_mm)
    rows, cols = ink.shape
    down, along = _coverage(y0, y1, rows), _coverage(x0, x1, cols)
    ys, xs = np.flatnonzero(down), np.flatnonzero(along)
    if len(ys) and len(xs):
        part = np.s_[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]
        ink[part] += strength * np.outer(down[part[0]], along[part[1]])


def _coverage(start: float, stop: float, count: int) -> Floats:
    """How much of each pixel [i, i + 1) lies between start and stop."""
    edge = np.clip(np.arange(count + 1), start, stop)
    return np.diff(edge)


def _lay_ring(ink: Floats, ring: Ring, per_mm: float, centre_mm: tuple[float, float]) -> None:
    rows, cols = ink.shape
    x, y = np.arange(cols) + 0.5, np.arange(rows) + 0.5
    cx, cy = np.asarray(centre_mm) * per_mm
    from_line = np.abs(np.hypot(x - cx, (y - cy)[:, None]) - ring.radius_mm * per_mm)
    ink += ring.ink * np.clip(ring.line_mm / 2 * per_mm - from_line + 0.5, 0, min(1, ring.line_mm * per_mm))


def _lay_polygons(
    ink: Floats, outlines: list[Floats], strength: float, per_mm: float, centre_mm: tuple[float, float]
) -> None:
    """Fill outlines together (a hole is an outline inside another), supersampled in their own box."""
    px = [_to_px(outline, per_mm, centre_mm) for outline in outlines]
    every = np.vstack(px)
    low = np.maximum(np.floor(every.min(0)).astype(int), 0)
    high = np.minimum(np.ceil(every.max(0)).astype(int), ink.shape[::-1])
    if np.any(high <= low):
        return
    cols, rows = high - low
    fine = np.zeros((rows * _FINE, cols * _FINE), np.uint8)
    shift = 4
    at = [np.rint(((p - low) * _FINE - 0.5) * (1 << shift)).astype(np.int32) for p in px]
    cv2.fillPoly(fine, at, 255, lineType=cv2.LINE_8, shift=shift)
    cover = np.asarray(cv2.resize(fine, (int(cols), int(rows)), interpolation=cv2.INTER_AREA), dtype=float)
    ink[low[1] : high[1], low[0] : high[0]] += strength / 255 * cover


def text_outlines(words: Words) -> list[Floats]:
    """Return the outlines of a line of text in the card frame, each (n, 2) in mm, centred at its point."""
    from matplotlib.font_manager import FontProperties  # a slow import that reading a picture never needs
    from matplotlib.textpath import TextPath

    font = FontProperties(family="DejaVu Sans", weight="bold" if words.bold else "normal")
    outlines = [np.asarray(p) for p in TextPath((0, 0), words.text, words.size_mm, prop=font).to_polygons()]
    every = np.vstack(outlines)
    outlines = [outline - (every.min(0) + every.max(0)) / 2 for outline in outlines]
    if words.turned:
        outlines = [outline @ np.array([(0.0, 1.0), (-1.0, 0.0)]) for outline in outlines]
    return [outline + words.at_mm for outline in outlines]

"""What is printed on a card of any size: small and large have the standard one's frame, scaled.

Markers, window and edge scale; ticks stay true millimetres, and words stay of a size that can be read.
"""

from __future__ import annotations

import numpy as np

from vision.card import (
    CHECK_BARS_MM,
    CUT,
    SIDE,
    SIZES,
    TAPE,
    Boxes,
    Polygon,
    Ring,
    Shape,
    Words,
    card_sheet,
    marker_boxes,
    standard_shapes,
)

_LINE_MM = 0.2
_CAUTION = (
    "Eyewear, lid closed, beam stop",
    "behind, lowest power that marks.",
    "Never leave a flame alone.",
)
_NEAR_MM = 24.2  # from the middle to the ticks, at the standard scale


def card_shapes(station: str, size: str = "standard") -> list[Shape]:
    """Return everything that is printed on a station's card of a size, in the card frame."""
    return standard_shapes(station) if size == "standard" else _sized_shapes(station, size)


def _sized_shapes(station: str, size: str) -> list[Shape]:
    codes = [marker_boxes(i, corners) for i, corners in card_sheet(station, size).markers.items()]
    scale = SIZES[size]
    return [*codes, *_frame(size), *_ruler(scale), *_check_bars(size), *_words(station, size)]


def _frame(size: str) -> list[Shape]:
    """The window's outline (outside the window), the cross's arms and the line to cut along."""
    sheet, scale, line = card_sheet("mirror-1", size), SIZES[size], _LINE_MM
    w, h = sheet.width_mm / 2, sheet.height_mm / 2
    rim = [
        (-w, -h, w, line - h),
        (-w, h - line, w, h),
        (-w, line - h, line - w, h - line),
        (w - line, line - h, w, h - line),
    ]
    near, far, half = 23.6 * scale, 28.4 * scale, 0.25
    flat = [(near, -half, far, half), (-far, -half, -near, half)]
    upright = [(-half, near, half, far), (-half, -far, half, -near)]
    ring = Ring(sheet.window_diameter_mm / 2 + line, line)
    return [ring, Boxes(np.array([*flat, *upright])), Boxes(np.array(rim), 0.45)]


def _ruler(scale: float) -> list[Shape]:
    """Ticks at every true millimetre on the window's four sides, a number at every ten."""
    reach, near, half = int(21 * scale), _NEAR_MM * scale, 0.08
    ticks, labels = [], []
    for mm in (t for t in range(-reach, reach + 1) if t):
        far = near + (2.2 if mm % 10 == 0 else 1.6 if mm % 5 == 0 else 1.0)
        for low, high in ((near, far), (-far, -near)):
            ticks += [(mm - half, low, mm + half, high), (low, mm - half, high, mm + half)]
        if mm % 10 == 0:
            for side in (-1, 1):
                labels += [Words(f"{abs(mm)}", (mm, side * (near + 3.3)), 2.2)]
                labels += [Words(f"{abs(mm)}", (side * (near + 4.0), mm), 2.2)]
    return [Boxes(np.array(ticks)), *labels]


def _check_bars(size: str) -> list[Shape]:
    """Two bars, one each way, because a printer may stretch one direction only."""
    bar, scale = CHECK_BARS_MM[size], SIZES[size]
    low, left = -_NEAR_MM * scale - 5.2, -35.0 * scale
    return [
        Boxes(np.array([[-bar / 2, low - 0.8, bar / 2, low]])),
        Boxes(np.array([[left - 0.4, -bar / 2, left + 0.4, bar / 2]])),
        Words(f"{bar:g} mm", (0.0, low - 2.4), 2.2),
        Words(f"{bar:g} mm", (left - 2.4, 0.0), 2.2, turned=True),
    ]


def _words(station: str, size: str) -> list[Shape]:
    scale, bar = SIZES[size], CHECK_BARS_MM[size]
    small = min(scale, 1.0)
    arrow = Polygon(np.array([(0.0, 39.6), (-2.4, 35.4), (2.4, 35.4)]) * scale)
    up = "to the back" if station == "nozzle" else "up"
    return [
        arrow,
        Words(up, (11.5 * scale, 37.5 * scale), max(2.4 * small, 1.7)),
        Words(f"{station}, {size}", (0.0, 46.0 * scale), 4.0 * small, bold=True),
        Words("print at 100 %", (0.0, -41.0 * scale), 3.4 * small, bold=True),
        Words(f"both bars: {bar:g} mm", (0.0, -44.6 * scale), 2.5 * small),
        *(Words(line, (0.0, (-47.6 - 2.75 * i) * scale), 2.2 * small) for i, line in enumerate(_CAUTION)),
        *_beside(scale, small),
    ]


def _beside(scale: float, small: float) -> list[Shape]:
    """Which side the beam strikes, where the tape goes, and the lines to cut along."""
    return [
        Words(SIDE, (36.0 * scale, 0.0), 2.7 * small, bold=True, turned=True),
        Words(TAPE, (39.6 * scale, 0.0), 2.2 * small, turned=True),
        Words(CUT, (43.0 * scale, 0.0), 2.1 * small, turned=True),
        Words(CUT, (-43.0 * scale, 0.0), 2.1 * small, turned=True),
        Words(CUT, (-19.4 * scale, 20.8 * scale), 2.0 * small),
        Words(CUT, (19.4 * scale, -20.8 * scale), 2.0 * small),
    ]

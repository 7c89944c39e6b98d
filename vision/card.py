"""The printed card: where everything on it stands, in millimetres.

All shapes are given in the card frame (u right, v up, origin in the middle of the window). The back
ends in `raster` and `print_pdf` turn the same list of shapes into pixels and into a vector page.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import BarRefused, UnknownSize, UnknownStation

Floats = NDArray[np.floating[Any]]

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
WIDTH_MM, HEIGHT_MM = 90.0, 110.0
WINDOW_DIAMETER_MM = 46.0
MARKER_MM = 18.0
MARKER_CENTRE_MM = (33.0, 43.0)  # leaves one module (3 mm) of white to the card's edge: the quiet zone
CHECK_BAR_MM = 50.0
MARKERS_PER_CARD = 4
SIZES = {"small": 0.6, "standard": 1.0, "large": 1.5}
# Each size has its own ids; taken for another size, every offset would be wrong by the ratio of the two.
# 16 to 45 are the calibration grid's.
FIRST_IDS = {"small": 50, "standard": 0, "large": 66}
CHECK_BARS_MM = {"small": 20.0, "standard": CHECK_BAR_MM, "large": 70.0}
_WORST_PRINT = 0.1  # a bar that is off by more was not measured on this card
_MODULES = 6  # 4 × 4 code bits and a border of one module
_BLACK, _GREY = 1.0, 0.45

_NAMES = {"mirror-1": "Mirror 1", "mirror-2": "Mirror 2", "mirror-3": "Mirror 3", "nozzle": "Nozzle"}
_UP_WORDS = {"nozzle": "to the back"}
_CAUTION = (
    "Invisible beam: eyewear for its wavelength,",
    "lid closed, beam stop behind the card,",
    "lowest power that marks.",
    "Never leave a flame alone.",
)
SIDE = "the beam strikes this side"
TAPE = "tape on the back of this sheet, behind the window"
CUT = "cut here"


@dataclass(frozen=True)
class CardSheet:
    """Geometry of one printed card; lengths in mm.

    `centre_mm` is the window's middle from the sheet's top-left corner, x right, y down. `markers` maps an
    ArUco id to its corners, shape (4, 2), in the card frame, in OpenCV's order (top-left first, clockwise
    as seen).
    """

    station: str
    width_mm: float
    height_mm: float
    centre_mm: tuple[float, float]
    window_diameter_mm: float
    markers: dict[int, Floats]
    size: str = "standard"


class CardName(NamedTuple):
    """Names a card: its station and its size."""

    station: str
    size: str = "standard"

    def __str__(self) -> str:
        return self.station if self.size == "standard" else f"{self.station}, {self.size}"


@dataclass(frozen=True)
class Boxes:
    """Filled upright rectangles that do not overlap: rows of (left, bottom, right, top) in mm."""

    sides_mm: Floats
    ink: float = _BLACK


@dataclass(frozen=True)
class Ring:
    """A circle about the origin, drawn with a line of a given width."""

    radius_mm: float
    line_mm: float
    ink: float = _BLACK


@dataclass(frozen=True)
class Polygon:
    """A filled polygon: corners (n, 2) in mm."""

    corners_mm: Floats
    ink: float = _BLACK


@dataclass(frozen=True)
class Words:
    """One line of text centred at a point; `size_mm` is the font's size, `turned` reads it from below
    upwards.
    """

    text: str
    at_mm: tuple[float, float]
    size_mm: float
    bold: bool = False
    turned: bool = False
    ink: float = _BLACK


Shape = Boxes | Ring | Polygon | Words


def card_sheet(station: str, size: str = "standard") -> CardSheet:
    """Return the geometry of a station's card of a size: the standard one's times `SIZES`, other ids.

    Raises
    ------
    UnknownStation, UnknownSize
        If the name is not one of `STATIONS`, the size not one of `SIZES`.
    """
    if station not in STATIONS:
        raise UnknownStation(f"no station {station!r}: it is one of {', '.join(STATIONS)}")
    if size not in SIZES:
        raise UnknownSize(f"no card size {size!r}: it is one of {', '.join(SIZES)}")
    scale = SIZES[size]
    first = FIRST_IDS[size] + MARKERS_PER_CARD * STATIONS.index(station)
    corners = {first + i: _marker_corners(i) * scale for i in range(MARKERS_PER_CARD)}
    width, height = WIDTH_MM * scale, HEIGHT_MM * scale
    centre = (width / 2, height / 2)
    return CardSheet(station, width, height, centre, WINDOW_DIAMETER_MM * scale, corners, size)


def card_of(marker_id: int) -> CardName | None:
    """Return the card that carries a marker, None for an id of no card."""
    for size, first in FIRST_IDS.items():
        place = (marker_id - first) // MARKERS_PER_CARD
        if 0 <= place < len(STATIONS):
            return CardName(STATIONS[place], size)
    return None


def print_ratio(size: str, bar_mm: float | tuple[float, float] | None) -> tuple[float, float]:
    """Return how much larger than intended a card was printed, across and up.

    `bar_mm` is the measured length of its check bar, or of the bar across and the bar up.

    Raises
    ------
    BarRefused
        If no printer can have made the bar of that card so long or so short.
    """
    if bar_mm is None:
        return 1.0, 1.0
    across, up = (bar_mm, bar_mm) if isinstance(bar_mm, int | float) else bar_mm
    meant = CHECK_BARS_MM[size]
    for length in (across, up):
        if not abs(length / meant - 1) <= _WORST_PRINT:
            raise BarRefused(
                f"a check bar of {length:g} mm: on a {size} card it should measure {meant:g} mm; "
                f"measure it again, or print the card again at 100 %"
            )
    return across / meant, up / meant


def standard_shapes(station: str) -> list[Shape]:
    """Return everything that is printed on a station's card of the standard size, in the card frame."""
    code = [marker_boxes(i, corners) for i, corners in card_sheet(station).markers.items()]
    return [*code, *_frame(), *_rulers(), *_check_bars(), *_up_arrow(station), *_words(station)]


def dictionary() -> cv2.aruco.Dictionary:
    """Return the ArUco dictionary of the cards: 4 × 4 bits, 100 codes; its first 50 are DICT_4X4_50."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)


def _marker_corners(place: int) -> Floats:
    """Corners of the marker at place 0 … 3: top-left, top-right, bottom-right, bottom-left of the card."""
    sign = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)], float)
    across, up = sign[place] * MARKER_CENTRE_MM
    return marker_square((float(across), float(up)), MARKER_MM)


def marker_square(centre_mm: tuple[float, float], side_mm: float) -> Floats:
    """Return the corners (4, 2) of an upright marker in OpenCV's order: top-left first, clockwise."""
    sign = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)], float)
    return np.asarray(centre_mm + sign * side_mm / 2)


def marker_boxes(marker_id: int, corners: Floats) -> Boxes:
    """Return a marker's ink, one box per run of black modules: no seam between neighbours in a row."""
    bits = np.asarray(cv2.aruco.generateImageMarker(dictionary(), marker_id, _MODULES))
    left, top = corners[0]
    module = (corners[1, 0] - left) / _MODULES
    boxes = [
        (left + a * module, top - (row + 1) * module, left + b * module, top - row * module)
        for row in range(_MODULES)
        for a, b in _dark_runs(bits[row])
    ]
    return Boxes(np.array(boxes))


def _dark_runs(row: NDArray[Any]) -> list[tuple[int, int]]:
    """Start and end of each run of zeros."""
    edges = np.flatnonzero(np.diff(np.r_[False, row == 0, False].astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _line(from_mm: tuple[float, float], to_mm: tuple[float, float], line_mm: float) -> Boxes:
    """An upright line as a box, widened by half the line's width across, not along."""
    (u0, v0), (u1, v1) = from_mm, to_mm
    across = (line_mm / 2, 0.0) if u0 == u1 else (0.0, line_mm / 2)
    low, high = np.minimum((u0, v0), (u1, v1)) - across, np.maximum((u0, v0), (u1, v1)) + across
    return Boxes(np.array([[*low, *high]]))


def _frame() -> list[Shape]:
    """The window's outline (outside the window), the cross's arms and the line to cut along."""
    radius, line = WINDOW_DIAMETER_MM / 2, 0.2
    arms: list[Shape] = [
        _line((u * 23.6, v * 23.6), (u * 28.4, v * 28.4), 0.5) for u, v in ((1, 0), (-1, 0), (0, 1), (0, -1))
    ]
    w, h = WIDTH_MM / 2, HEIGHT_MM / 2
    rim = np.array(
        [(-w, -h, w, -h + line), (-w, h - line, w, h), (-w, -h + line, -w + line, h - line),
         (w - line, -h + line, w, h - line)]
    )  # fmt: skip
    return [Ring(radius + 0.2, 0.2), *arms, Boxes(rim, _GREY)]


def _rulers() -> list[Shape]:
    """Millimetre ticks on the four sides of the window: a straight edge from side to side reads a mark by
    eye.
    """
    shapes: list[Shape] = []
    near = 24.2
    ticks = [mm for mm in range(-20, 21) if mm]
    for mm in ticks:
        far = near + (2.2 if mm % 10 == 0 else 1.6 if mm % 5 == 0 else 1.0)
        for sign in (-1, 1):
            shapes.append(_line((mm, sign * near), (mm, sign * far), 0.15))
            shapes.append(_line((sign * near, mm), (sign * far, mm), 0.15))
    for mm in (-20, -10, 10, 20):
        label = f"{abs(mm)}"
        shapes += [Words(label, (mm, sign * 27.6), 2.2) for sign in (-1, 1)]
        shapes += [Words(label, (sign * 28.2, mm), 2.2) for sign in (-1, 1)]
    return shapes


def _check_bars() -> list[Shape]:
    """Two bars of exactly 50 mm, one each way, because a printer may stretch one direction only."""
    half = CHECK_BAR_MM / 2
    return [
        Boxes(np.array([[-half, -30.4, half, -29.6]])),
        Boxes(np.array([[-35.4, -half, -34.6, half]])),
        Words("50 mm", (0.0, -31.9), 2.2),
        Words("50 mm", (-37.2, 0.0), 2.2, turned=True),
    ]


def _up_arrow(station: str) -> list[Shape]:
    head = Polygon(np.array([(0.0, 39.6), (-2.4, 35.4), (2.4, 35.4)]))
    shaft = Boxes(np.array([[-0.6, 31.4, 0.6, 35.5]]))
    return [head, shaft, Words(_UP_WORDS.get(station, "up"), (11.8, 35.4), 2.6)]


def _words(station: str) -> list[Shape]:
    lines: list[Shape] = [
        Words(_NAMES[station], (0.0, 48.0), 7.0, bold=True),
        Words(f"card {station}", (0.0, 42.8), 2.6),
        Words("print at 100 %", (0.0, -36.0), 4.2, bold=True),
        Words("both bars must measure 50 mm", (0.0, -39.8), 2.4),
        Words(SIDE, (33.6, 0.0), 2.8, bold=True, turned=True),
        Words(TAPE, (37.6, 0.0), 2.0, turned=True),
        Words(CUT, (42.6, 0.0), 1.9, turned=True),
        Words(CUT, (-42.6, 0.0), 1.9, turned=True),
        Words(CUT, (-19.3, 20.6), 1.7),
        Words(CUT, (19.3, -20.6), 1.7),
    ]
    lines += [Words(text, (0.0, -43.4 - 2.7 * i), 1.9) for i, text in enumerate(_CAUTION)]
    return lines

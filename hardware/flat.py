"""Flat parts to cut, as SVG (for a laser) and as PDF pages at true scale (to print and to glue on board)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hardware.measures import Floats
from hardware.svg import Page
from vision.card import Boxes, Polygon, Ring, Shape, Words
from vision.print_pdf import PAPER_MM, Paper, Part, write_pages

CUT, MARK = "#ff0000", "#1f5fa8"
_HAIR_MM, _SPACE_MM, _MARGIN_MM, _BAR_MM = 0.15, 6.0, 12.0, 50.0
_HEAD_MM = 16.0  # height of a printed page's head, with the bar and the text beside it


@dataclass
class Sheet:
    """A part: outlines (n, 2) and holes (x, y, diameter) to cut, lines (2, 2) and words to print.

    Coordinates are from the part's middle. half_mm : half its width and height, or more, for the layout.
    """

    name: str
    count: int
    outlines: list[Floats]
    holes: list[tuple[float, float, float]]
    half_mm: tuple[float, float]
    lines: list[Floats] = field(default_factory=list)
    words: list[tuple[str, tuple[float, float]]] = field(default_factory=list)

    @property
    def title(self) -> str:
        """Its name and how many to cut."""
        return f"{self.name}: cut {self.count}"


def _title_at(sheet: Sheet) -> tuple[float, float]:
    return 0.0, -sheet.half_mm[1] + 3.0 if sheet.outlines else -sheet.half_mm[1] - 2.0


def write_flat_svg(path: Path, parts: list[Sheet]) -> Path:
    """Write all parts beside each other, red to cut and blue to engrave; returns the path."""
    wide = sum(2 * part.half_mm[0] + _SPACE_MM for part in parts) + _SPACE_MM
    high = max(2 * part.half_mm[1] for part in parts) + 3 * _SPACE_MM
    page, x = Page(round(wide, 3), round(high, 3), "Spotwright, parts to cut", paper=False), _SPACE_MM
    for part in parts:
        middle = np.array([x + part.half_mm[0], high / 2])
        for outline in part.outlines:
            page.area([middle + outline * (1, -1)], ink=CUT, line_mm=_HAIR_MM)
        for u, v, diameter in part.holes:
            page.circle((middle[0] + u, middle[1] - v), diameter / 2, ink=CUT, line_mm=_HAIR_MM)
        for line in part.lines:
            page.line(middle + line * (1, -1), ink=MARK, line_mm=_HAIR_MM)
        for words, (u, v) in [*part.words, (part.title, _title_at(part))]:
            page.text(words, (middle[0] + u, middle[1] - v), size_mm=2.6, ink=MARK)
        x += 2 * part.half_mm[0] + _SPACE_MM
    return page.write(path)


def write_flat_pdf(path: Path, parts: list[Sheet], paper: Paper) -> Path:
    """Write all parts on pages of a paper, each with a 50 mm bar across and up; returns the path."""
    pages: list[list[Part]] = []
    for placed in _pages(parts, paper):
        pages.append([_head(paper), *(piece for part, at in placed for piece in _pieces(part, at))])
    write_pages(path, paper, pages)
    return path


def _pages(parts: list[Sheet], paper: Paper) -> list[list[tuple[Sheet, tuple[float, float]]]]:
    """Lay the parts out in rows from the top left, on as many pages as needed."""
    width, height = PAPER_MM[paper]
    pages: list[list[tuple[Sheet, tuple[float, float]]]] = [[]]
    x, top, row = _MARGIN_MM, height - _MARGIN_MM - _HEAD_MM, 0.0
    for part in parts:
        half_x, half_y = part.half_mm
        if x > _MARGIN_MM and x + 2 * half_x > width - _MARGIN_MM + 6:
            x, top, row = _MARGIN_MM, top - row - _SPACE_MM, 0.0
        if top - 2 * half_y < _MARGIN_MM - 6 and pages[-1]:
            pages.append([])
            x, top, row = _MARGIN_MM, height - _MARGIN_MM - _HEAD_MM, 0.0
        pages[-1].append((part, (x + half_x, top - half_y)))
        x, row = x + 2 * half_x + _SPACE_MM, max(row, 2 * half_y)
    return pages


def _head(paper: Paper) -> Part:
    half, line, width = _BAR_MM / 2, 0.4, PAPER_MM[paper][0]
    at, right = (_MARGIN_MM + half, PAPER_MM[paper][1] - _MARGIN_MM), width - 2 * _MARGIN_MM - half + 4
    across, up = [-half, -line, half, line], [right, -_BAR_MM, right + 2 * line, 0.0]
    words = Words("print at 100 %; both bars must measure 50 mm", (half + 48.0, 0.0), 3.2)
    return [Boxes(np.array([across])), Boxes(np.array([up])), words], at


def _pieces(part: Sheet, at: tuple[float, float]) -> list[Part]:
    """The part as shapes around its place on the page; each hole is a ring."""
    shapes: list[Shape] = [
        stroke(a, b) for ring in part.outlines for a, b in zip(ring, np.roll(ring, -1, 0), strict=True)
    ]
    shapes += [stroke(*line) for line in part.lines]
    shapes += [Words(words, place, 2.4) for words, place in [*part.words, (part.title, _title_at(part))]]
    holes: list[Part] = [([Ring(d / 2, _HAIR_MM)], (at[0] + u, at[1] + v)) for u, v, d in part.holes]
    return [(shapes, at), *holes]


def stroke(a: Floats, b: Floats) -> Polygon:
    """A straight hairline between two points."""
    ahead = (b - a) / np.linalg.norm(b - a)
    side = np.array([-ahead[1], ahead[0]]) * _HAIR_MM / 2
    return Polygon(np.array([a + side, b + side, b - side, a - side]))

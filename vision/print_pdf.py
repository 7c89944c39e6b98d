"""The cards on paper: a vector page at true scale, two by two."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from vision.card import HEIGHT_MM, SIZES, STATIONS, WIDTH_MM, Boxes, Polygon, Ring, Shape, Words
from vision.card_sizes import card_shapes
from vision.files import write_whole
from vision.grid import grid_shapes
from vision.raster import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Part = tuple[list[Shape], tuple[float, float]]
Paper = Literal["a4", "letter"]
PAPER_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_POINTS_PER_MM = 72 / MM_PER_INCH


def write_cards_pdf(path: Path, *, paper: Paper = "a4", size: str = "standard") -> None:
    """Write all four cards of a size at true scale; they fit A4 and Letter alike: all on one page, the large
    ones on a page each.
    """
    cards = [card_shapes(station, size) for station in STATIONS]
    middle = (PAPER_MM[paper][0] / 2, PAPER_MM[paper][1] / 2)
    if size == "large":
        write_pages(path, paper, [[(shapes, middle)] for shapes in cards])
    else:
        places = [_centre(place, middle, SIZES[size]) for place in range(len(STATIONS))]
        write_pages(path, paper, [list(zip(cards, places, strict=True))])


def write_grid_pdf(path: Path, *, paper: Paper = "a4") -> None:
    """Write the grid for `calibrate` on one page at true scale."""
    width, height = PAPER_MM[paper]
    write_pages(path, paper, [[(grid_shapes(), (width / 2, height / 2 + 8.0))]])


def write_pages(path: Path, paper: Paper, pages: list[list[Part]]) -> None:
    """Write pages of shapes at true scale: each part's shapes about its place (x right, y up, mm).

    The pages are made in memory first, so that a full disk leaves no half of a file.
    """
    import matplotlib as mpl  # a slow import that reading a picture never needs
    from matplotlib.backends.backend_pdf import PdfPages

    whole = BytesIO()
    about = {"Title": "Spotwright cards", "CreationDate": None}
    with (
        mpl.rc_context({"pdf.fonttype": 42, "font.family": "DejaVu Sans"}),
        PdfPages(whole, metadata=about) as pdf,
    ):
        for parts in pages:
            pdf.savefig(_page(paper, parts))
    write_whole(path, whole.getvalue())


def _page(paper: Paper, parts: list[Part]) -> Figure:
    from matplotlib.figure import Figure

    width, height = PAPER_MM[paper]
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
    axes.set_axis_off()
    for shapes, at in parts:
        for shape in shapes:
            _lay(axes, shape, at)
    return figure


def _centre(place: int, middle: tuple[float, float], scale: float) -> tuple[float, float]:
    """Middle of the window of the card at place 0 … 3 on the page (x right, y up, mm)."""
    row, col = divmod(place, 2)
    return middle[0] + (col - 0.5) * WIDTH_MM * scale, middle[1] + (0.5 - row) * HEIGHT_MM * scale


def _lay(axes: Axes, shape: Shape, at: tuple[float, float]) -> None:
    match shape:
        case Boxes(sides_mm, ink):
            _lay_boxes(axes, sides_mm, ink, at)
        case Ring(radius_mm, line_mm, ink):
            from matplotlib.patches import Circle

            axes.add_patch(Circle(at, radius_mm, fill=False, lw=line_mm * _POINTS_PER_MM, ec=_grey(ink)))
        case Polygon(corners_mm, ink):
            from matplotlib.patches import Polygon as Patch

            axes.add_patch(Patch(corners_mm + at, fc=_grey(ink), lw=0))
        case Words():
            _lay_words(axes, shape, at)


def _lay_boxes(axes: Axes, sides_mm: np.ndarray, ink: float, at: tuple[float, float]) -> None:
    """All boxes as one path: filled together, so that no viewer shows a seam between neighbours."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    corners = sides_mm[:, [0, 1, 2, 1, 2, 3, 0, 3, 0, 1]].reshape(-1, 2) + at
    codes = [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    axes.add_patch(PathPatch(Outline(corners, codes * len(sides_mm)), fc=_grey(ink), lw=0))


def _lay_words(axes: Axes, words: Words, at: tuple[float, float]) -> None:
    axes.text(
        at[0] + words.at_mm[0],
        at[1] + words.at_mm[1],
        words.text,
        fontsize=words.size_mm * _POINTS_PER_MM,
        fontweight="bold" if words.bold else "normal",
        color=_grey(words.ink),
        rotation=90 if words.turned else 0,
        ha="center",
        va="center",
    )


def _grey(ink: float) -> str:
    return f"{1 - ink:.3f}"

"""The cards on paper: a vector page at true scale, two by two."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from vision.card import HEIGHT_MM, STATIONS, WIDTH_MM, Boxes, Polygon, Ring, Shape, Words, card_shapes
from vision.grid import grid_shapes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Paper = Literal["a4", "letter"]
PAPER_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MM_PER_INCH, _POINTS_PER_MM = 25.4, 72 / 25.4


def write_cards_pdf(path: Path, *, paper: Paper = "a4") -> None:
    """Write all four cards on one page at true scale; they fit A4 and Letter alike."""
    width, height = PAPER_MM[paper]
    places = [_centre(place, width, height) for place in range(len(STATIONS))]
    write_page(path, paper, [(card_shapes(s), at) for s, at in zip(STATIONS, places, strict=True)])


def write_grid_pdf(path: Path, *, paper: Paper = "a4") -> None:
    """Write the grid for `calibrate` on one page at true scale."""
    width, height = PAPER_MM[paper]
    write_page(path, paper, [(grid_shapes(), (width / 2, height / 2 + 8.0))])


def write_page(path: Path, paper: Paper, parts: list[tuple[list[Shape], tuple[float, float]]]) -> None:
    """Write shapes on one page at true scale: each part's shapes about its place (x right, y up, mm)."""
    import matplotlib as mpl  # a slow import that reading a picture never needs
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    width, height = PAPER_MM[paper]
    with mpl.rc_context({"pdf.fonttype": 42, "font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(width / _MM_PER_INCH, height / _MM_PER_INCH))
        axes = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        axes.set_axis_off()
        for shapes, at in parts:
            for shape in shapes:
                _lay(axes, shape, at)
        about = {"Title": "Spotwright cards", "CreationDate": None}
        FigureCanvasPdf(figure).print_pdf(path, metadata=about)  # type: ignore[no-untyped-call]


def _centre(place: int, width: float, height: float) -> tuple[float, float]:
    """Middle of the window of the card at place 0 … 3 on the page (x right, y up, mm)."""
    row, col = divmod(place, 2)
    return width / 2 + (col - 0.5) * WIDTH_MM, height / 2 + (0.5 - row) * HEIGHT_MM


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

"""Write the cards of a size, to print (SVG, PDF) or to engrave: `python -m hardware.cards --out cards`."""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np

from hardware.measures import Floats
from hardware.svg import Page
from vision import SIZES, STATIONS, card_sheet
from vision.card import Boxes, Polygon, Ring, Shape, Words
from vision.card_sizes import card_shapes
from vision.print_pdf import PAPER_MM, Paper, write_pages
from vision.raster import text_outlines

CUT, BLACK = "#ff0000", "#000000"
_HAIR_MM = 0.1
# Of the board behind the sheet, at the standard size; all markers are backed by board.
OPENING_MM = (62.0, 63.0)


def shapes(station: str, size: str) -> list[Shape]:
    """Return what is printed on a card, in its own frame (u right, v up, mm), without the cutting lines."""
    return [s for s in card_shapes(station, size) if not isinstance(s, Ring) and not _is_rim(s, size)]


def _is_rim(shape: Shape, size: str) -> bool:
    width = card_sheet("mirror-1", size).width_mm
    return isinstance(shape, Boxes) and bool(np.ptp(shape.sides_mm[:, [0, 2]]) >= width - 1)


def draw(station: str, size: str, *, engrave: bool, shift_mm: tuple[float, float] = (0.0, 0.0)) -> Page:
    """Return one card as a page of its own size.

    engrave : outline and window as red hairlines to be cut, everything else black to be engraved; otherwise
        thin black lines to cut along by hand.
    shift_mm : moves the card's frame on the board, right and up, to the true centre marked with the plug.
    """
    sheet = card_sheet(station, size)
    width, height = sheet.width_mm, sheet.height_mm
    page = Page(width, height, f"Spotwright card {station}, {size}", paper=not engrave)
    centre = np.array([width / 2 + shift_mm[0], height / 2 - shift_mm[1]])
    for shape in shapes(station, size):
        page.area([centre + ring * (1, -1) for ring in _rings(shape)], fill=BLACK, line_mm=0)
    ink, radius = CUT if engrave else BLACK, sheet.window_diameter_mm / 2
    page.circle((centre[0], centre[1]), radius, ink=ink, line_mm=_HAIR_MM)
    inset = 0.0 if engrave else _HAIR_MM / 2
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * (width - 2 * inset, height - 2 * inset) + inset
    page.area([corners], ink=ink, line_mm=_HAIR_MM)
    return page


def _rings(shape: Shape) -> list[Floats]:
    match shape:
        case Boxes(sides):
            return [box[[[0, 1], [2, 1], [2, 3], [0, 3]]] for box in np.asarray(sides)]
        case Polygon(corners):
            return [corners]
        case Words():
            return text_outlines(shape)
        case _:
            return []


def board(size: str, name: str, *, opening: bool) -> Page:
    """A blank of a card's size to cut: the board behind a printed sheet, or the beam stop.

    The board's opening is much wider than the window, so that the tape goes on the back of the sheet itself.
    On the back of the board it would lie behind the print, and the camera, which looks from the side, would
    read the mark shifted: 2.1 mm for 3 mm of board at 35°.
    """
    sheet = card_sheet("mirror-1", size)
    width, height = sheet.width_mm, sheet.height_mm
    page = Page(width, height, f"Spotwright {name}, {size}", paper=False)
    page.area([np.array([(0, 0), (width, 0), (width, height), (0, height)])], ink=CUT, line_mm=_HAIR_MM)
    if opening:
        half = np.array(OPENING_MM) * SIZES[size] / 2
        corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half + (width / 2, height / 2)
        page.area([corners], ink=CUT, line_mm=_HAIR_MM)
    return page


def write_pdf(
    path: Path, station: str, size: str, *, paper: Paper = "a4", shift_mm: tuple[float, float] = (0.0, 0.0)
) -> Path:
    """Write one card in the middle of a page, to print at 100 %; `shift_mm` as in `draw`."""
    middle = np.array(PAPER_MM[paper]) / 2
    x, y = (middle + shift_mm).tolist()
    rim = [s for s in card_shapes(station, size) if _is_rim(s, size)]
    rest = [s for s in card_shapes(station, size) if not _is_rim(s, size)]
    write_pages(path, paper, [[(rest, (x, y)), (rim, (middle[0], middle[1]))]])
    return path


@click.command(
    help="Write every card of a size as SVG, with the board behind a paper card and the beam stop."
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write to."
)
@click.option("--size", type=click.Choice(list(SIZES)), default="standard", show_default=True)
@click.option(
    "--engrave", is_flag=True, help="Red hairlines to cut and black areas to engrave, instead of a print."
)
@click.option(
    "--shift", type=float, nargs=2, default=(0.0, 0.0), help="True centre on the board: mm right, mm up."
)
@click.option("--pdf", is_flag=True, help="Also write each card as a PDF page, centred, at true scale.")
@click.option("--paper", type=click.Choice(list(PAPER_MM)), default="a4", show_default=True)
def main(out: Path, size: str, engrave: bool, shift: tuple[float, float], pdf: bool, paper: Paper) -> None:
    """Write the files and name them; exit status 2 if the shift leaves the board."""
    if max(map(abs, shift)) > 3.0 * SIZES[size]:
        raise click.UsageError(
            f"shift {shift[0]:g} {shift[1]:g}: more than {3.0 * SIZES[size]:g} mm; seat the clip again"
        )
    out.mkdir(parents=True, exist_ok=True)
    pages = {f"card-{s}-{size}": draw(s, size, engrave=engrave, shift_mm=shift) for s in STATIONS}
    pages |= {
        f"board-{size}": board(size, "board", opening=True),
        f"stop-{size}": board(size, "beam stop", opening=False),
    }
    for name, page in pages.items():
        click.echo(f"wrote {page.write(out / f'{name}.svg')}")
    for station in STATIONS if pdf else ():
        path = out / f"card-{station}-{size}.pdf"
        click.echo(f"wrote {write_pdf(path, station, size, paper=paper, shift_mm=shift)}")


if __name__ == "__main__":
    main()

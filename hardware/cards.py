"""Write the cards of a size, to print (SVG, PDF) or to engrave: `python -m hardware.cards --out cards`."""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np

from hardware.measures import Floats
from hardware.svg import Page
from vision import SIZES, STATIONS, card_sheet
from vision.card import CHECK_BARS_MM, Boxes, Polygon, Ring, Shape, Words, card_shapes, marker_boxes
from vision.print_pdf import PAPER_MM, Paper, write_page
from vision.raster import text_outlines

CUT, BLACK = "#ff0000", "#000000"
_HAIR_MM = 0.1


def shapes(station: str, size: str) -> list[Shape]:
    """Return what is on a card, in its own frame (u right, v up, mm), without the lines to cut along."""
    if size == "standard":
        return [s for s in card_shapes(station) if not isinstance(s, Ring) and not _is_outline(s)]
    sheet, scale = card_sheet(station, size), SIZES[size]
    codes = [marker_boxes(i, corners) for i, corners in sheet.markers.items()]
    return [*codes, *_cross(scale), *_ruler(scale), *_check_bars(size), *_words(station, size)]


def _is_outline(shape: Shape) -> bool:
    sheet = card_sheet("mirror-1")
    return isinstance(shape, Boxes) and bool(np.ptp(shape.sides_mm[:, [0, 2]]) >= sheet.width_mm - 1)


def _rim(size: str) -> Boxes:
    """The card's edge, to cut along by hand."""
    sheet, line = card_sheet("mirror-1", size), _HAIR_MM
    w, h = sheet.width_mm / 2, sheet.height_mm / 2
    return Boxes(np.array([
        (-w, -h, w, line - h), (-w, h - line, w, h), (-w, line - h, line - w, h - line),
        (w - line, line - h, w, h - line),
    ]))  # fmt: skip


def _cross(scale: float) -> list[Shape]:
    near, far, half = 23.6 * scale, 28.4 * scale, 0.25
    flat = [
        (near, -half, far, half),
        (-far, -half, -near, half),
        (-half, near, half, far),
        (-half, -far, half, -near),
    ]
    return [Boxes(np.array(flat))]


def _ruler(scale: float) -> list[Shape]:
    """Ticks at every true millimetre on the window's four sides, a number at every ten."""
    reach, near, half = int(21 * scale), 24.2 * scale, 0.08
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
    low, left = -24.2 * scale - 5.2, -35.0 * scale
    return [
        Boxes(np.array([[-bar / 2, low - 0.8, bar / 2, low]])),
        Boxes(np.array([[left - 0.4, -bar / 2, left + 0.4, bar / 2]])),
        Words(f"{bar:g} mm", (0.0, low - 2.4), 2.2),
        Words(f"{bar:g} mm", (left - 2.4, 0.0), 2.2, turned=True),
    ]


def _words(station: str, size: str) -> list[Shape]:
    scale = SIZES[size]
    small = min(scale, 1.0)
    return [
        Polygon(np.array([(0.0, 39.6), (-2.4, 35.4), (2.4, 35.4)]) * scale),
        Words("to the back" if station == "nozzle" else "up", (11.5 * scale, 37.5 * scale), 2.4),
        Words(f"{station}, {size}", (0.0, 46.0 * scale), 4.0 * small, bold=True),
        Words("print at 100 %", (0.0, -42.0 * scale), 3.8 * small, bold=True),
        Words("Eyewear, lid closed,", (0.0, -46.5 * scale), 2.6 * small),
        Words("lowest power that marks.", (0.0, -50.0 * scale), 2.6 * small),
    ]


def draw(station: str, size: str, *, engrave: bool, shift_mm: tuple[float, float] = (0.0, 0.0)) -> Page:
    """Return one card as a page of its own size.

    engrave : outline and window as red hairlines to be cut, everything else black to be engraved; otherwise
        thin black lines to cut along by hand.
    shift_mm : moves the card's frame on the board, right and up: the true centre that the plug has pricked.
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


def board(size: str, name: str, *, hole: bool) -> Page:
    """A blank of a card's size to cut: the board behind a paper card (with its hole), or the beam stop."""
    sheet = card_sheet("mirror-1", size)
    width, height = sheet.width_mm, sheet.height_mm
    page = Page(width, height, f"Spotwright {name}, {size}", paper=False)
    page.area([np.array([(0, 0), (width, 0), (width, height), (0, height)])], ink=CUT, line_mm=_HAIR_MM)
    if hole:
        radius = sheet.window_diameter_mm / 2 + 1.0
        page.circle((width / 2, height / 2), radius, ink=CUT, line_mm=_HAIR_MM)
    return page


def write_pdf(
    path: Path, station: str, size: str, *, paper: Paper = "a4", shift_mm: tuple[float, float] = (0.0, 0.0)
) -> Path:
    """Write one card in the middle of a page, to print at 100 %; `shift_mm` as in `draw`."""
    radius = card_sheet(station, size).window_diameter_mm / 2
    middle = np.array(PAPER_MM[paper]) / 2
    x, y = (middle + shift_mm).tolist()
    frame = [*shapes(station, size), Ring(radius + _HAIR_MM / 2, _HAIR_MM)]
    write_page(path, paper, [(frame, (x, y)), ([_rim(size)], (middle[0], middle[1]))])
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
@click.option("--pdf", is_flag=True, help="Each card as a PDF page as well, in its middle, at true scale.")
@click.option("--paper", type=click.Choice(list(PAPER_MM)), default="a4", show_default=True)
def main(out: Path, size: str, engrave: bool, shift: tuple[float, float], pdf: bool, paper: Paper) -> None:
    """Write the files and name them; exit status 2 where the shift leaves the board."""
    if max(map(abs, shift)) > 3.0 * SIZES[size]:
        raise click.UsageError(
            f"shift {shift[0]:g} {shift[1]:g}: more than {3.0 * SIZES[size]:g} mm; seat the clip anew"
        )
    out.mkdir(parents=True, exist_ok=True)
    pages = {f"card-{s}-{size}": draw(s, size, engrave=engrave, shift_mm=shift) for s in STATIONS}
    pages |= {
        f"board-{size}": board(size, "board", hole=True),
        f"stop-{size}": board(size, "beam stop", hole=False),
    }
    for name, page in pages.items():
        click.echo(f"wrote {page.write(out / f'{name}.svg')}")
    for station in STATIONS if pdf else ():
        path = out / f"card-{station}-{size}.pdf"
        click.echo(f"wrote {write_pdf(path, station, size, paper=paper, shift_mm=shift)}")


if __name__ == "__main__":
    main()

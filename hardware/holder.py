"""A holder without a camera, cut from board, on steel washers: `python -m hardware.holder --out holder`.

All it takes is a paper printer, a knife (or the laser itself) and a phone. All layers are cut from the same
board and glued together, from the mount to the beam: base, slot of the beam stop, air, slot of the card,
front. The base has holes that fit the washers on the mount; magnets sit in the same holes. Frame as in
`measures`: x right, z up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

from hardware.flat import Sheet, write_flat_pdf, write_flat_svg
from hardware.measures import CARDS, COOLING_GAP_MM, PLAY_MM, Floats
from hardware.plug import profile_line
from hardware.template import guide_sheets, ring_sheet
from vision import SIZES, card_sheet
from vision.print_pdf import PAPER_MM, Paper

MOUNTS = ("round", "square", "bracket", "nozzle")
RIM_MM = 8.0  # width of the layers outside the card
HOLE_PLAY_MM = 0.2  # clearance of the holes around the washers
_OVERLAP_MM = 1.5  # how far the narrow layers reach over the card's edge, for the standard card
_NEEDLE_WAY_MM = 12.0  # diameter of the hole that the needle passes through


class Uncuttable(ValueError):
    """No holder fits these measurements; one line that says why and what to change."""


@dataclass(frozen=True)
class Cut:
    """The measurements of the mount, the washers and the board.

    aperture_mm : clear opening of a round mount. washer_mm : outside diameter and thickness.
    tip_mm, gap_mm : of a nozzle, as in `Measures`.
    """

    mount: str = "square"
    mount_mm: float = 50.0
    aperture_mm: float = 20.0
    card: str = "small"
    board_mm: float = 3.0
    washer_mm: tuple[float, float] = (9.0, 0.8)
    tip_mm: float = 8.0
    gap_mm: float = 15.0

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("mount", self.mount_mm, 10, 80),
            ("board", self.board_mm, 1.5, 6),
            ("washer", self.washer_mm[0], 5, 16),
        ):
            if not low <= value <= high:
                raise Uncuttable(f"{name} {value:g}: it must be {low:g} to {high:g}")

    @property
    def air_layers(self) -> int:
        """Number of narrow layers that make the air gap between card and beam stop."""
        return math.ceil(COOLING_GAP_MM / self.board_mm)

    @property
    def nozzle_layers(self) -> int:
        """Number of narrow layers between the front and the nozzle's board."""
        return max(0, math.ceil((self.gap_mm + self.tip_mm) / self.board_mm) - 1)

    @property
    def wedge_shift_mm(self) -> float:
        """How far a bracket's wedges are off the middle, so that the slanted face's middle is on the beam."""
        return self.board_mm / math.sqrt(2)

    @property
    def before_mount_mm(self) -> float:
        """Distance from the mount's face (bracket: mirror; nozzle: tip) to the card's struck face."""
        if self.mount == "nozzle":
            return (self.nozzle_layers + 1) * self.board_mm - self.tip_mm
        slots = 2 * (self.board_mm + PLAY_MM)
        back = self.board_mm + slots + self.air_layers * self.board_mm
        slant = self.mount_mm / 2 / math.sqrt(2) + self.wedge_shift_mm
        return back + (slant if self.mount == "bracket" else 0.0)


def sheets(c: Cut) -> list[Sheet]:
    """Return the holder's parts, each drawn once, with the number needed.

    Raises
    ------
    Uncuttable
        If there is no room for the washers on the mount.
    """
    base = Sheet("base", 1, [_rectangle(c)], [(0.0, 0.0, _NEEDLE_WAY_MM)], _size(c))
    found = [base, wide_sheet(c), narrow_sheet(c)]
    if c.mount == "nozzle":
        return [
            *found,
            Sheet(
                "nozzle's board, on top",
                1,
                [_rectangle(c)],
                [(0.0, 0.0, c.mount_mm + HOLE_PLAY_MM)],
                _size(c),
            ),
        ]
    holes = [(x, z, c.washer_mm[0] + HOLE_PLAY_MM) for x, z in washers(c)]
    if c.mount == "bracket":
        half = c.mount_mm / 2
        square = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
        slant = Sheet("slanted face", 1, [square], [(0.0, 0.0, _NEEDLE_WAY_MM), *holes], (half, half))
        leg = c.mount_mm / math.sqrt(2)  # the lines on the base say where the wedges stand
        wedge = np.array([(0.0, 0.0), (leg, 0.0), (0.0, leg)]) - leg / 3
        for x in (c.wedge_shift_mm - leg / 2, c.wedge_shift_mm + leg / 2):
            base.lines.append(np.array([(x, -half), (x, min(half, _top(c)))]))
        return [*found, slant, Sheet("wedge", 2, [wedge], [], (leg * 2 / 3, leg * 2 / 3))]
    base.holes.extend(holes)
    return found


def washers(c: Cut) -> list[tuple[float, float]]:
    """Where the washers are glued on the mount, from its middle."""
    radius = c.washer_mm[0] / 2
    if c.mount == "round":
        if c.mount_mm - c.aperture_mm < 2 * (c.washer_mm[0] + 0.5):
            raise Uncuttable(f"washer {c.washer_mm[0]:g}: the collar's end is narrower; take smaller ones")
        around, turns = (c.mount_mm + c.aperture_mm) / 4, np.radians([90.0, 210.0, 330.0])
        return [(float(around * np.cos(t)), float(around * np.sin(t))) for t in turns]
    place = c.mount_mm / 2 - radius - 2.0
    if place < radius + 7.0:
        raise Uncuttable(
            f"mount {c.mount_mm:g}: no room for washers of {c.washer_mm[0]:g}; take smaller ones"
        )
    return [(x, z) for x in (-place, place) for z in (-place, place)]


def _size(c: Cut) -> tuple[float, float]:
    sheet = card_sheet("mirror-1", c.card)
    return sheet.width_mm / 2 + RIM_MM, sheet.height_mm / 2 + RIM_MM


def _top(c: Cut) -> float:
    return card_sheet("mirror-1", c.card).height_mm / 2 - 10.0 * SIZES[c.card]


def _rectangle(c: Cut) -> Floats:
    half, low = _size(c)
    return np.array([(-half, -low), (half, -low), (half, _top(c)), (-half, _top(c))])


def _u_shape(c: Cut, inner: float, shelf: float) -> Floats:
    half, low = _size(c)
    top = _top(c)
    right = [(half, -low), (half, top), (inner, top), (inner, shelf)]
    return np.array([*right, *((-x, z) for x, z in reversed(right))])


def wide_sheet(c: Cut) -> Sheet:
    """The layer of a slot: card or beam stop stand in it with 0.2 mm on either side."""
    sheet = card_sheet("mirror-1", c.card)
    outline = _u_shape(c, sheet.width_mm / 2 + PLAY_MM / 2, -sheet.height_mm / 2)
    return Sheet("slot (card, beam stop)", 2, [outline], [], _size(c))


def narrow_sheet(c: Cut) -> Sheet:
    """The layer between the slots: it keeps card and beam stop in place and hides none of the markers."""
    sheet = card_sheet("mirror-1", c.card)
    over = max(_OVERLAP_MM * SIZES[c.card], 1.0)
    outline = _u_shape(c, sheet.width_mm / 2 - over, -sheet.height_mm / 2 + over)
    count = c.air_layers + 1 + (c.nozzle_layers if c.mount == "nozzle" else 0)
    return Sheet("between (air, front)", count, [outline], [], _size(c))


def notes(c: Cut) -> list[str]:
    """Return what the builder needs to know."""
    said = [f"{sheet.name}: cut {sheet.count}" for sheet in sheets(c)]
    if c.mount == "bracket":
        said.append("glue the wedges between the lines on the base, thick end on the outgoing beam's side")
    said.append(
        "glue a strip of thick paper (0.4 mm) on the arms of both slot layers, for the play of card and stop"
    )
    if c.mount == "nozzle":
        high = c.before_mount_mm + (3 + c.air_layers) * c.board_mm + 2 * PLAY_MM
        return [
            *said,
            f"the card lies {c.before_mount_mm:.1f} mm below the tip",
            f"lower the bed by {math.ceil(high + 4)} mm",
            profile_line(c.mount, c.before_mount_mm),
        ]
    return [*said, profile_line(c.mount, c.before_mount_mm)]


@click.command(
    help="Write the parts of a holder without a camera, and the centring template (SVG, PDF). Lengths in mm."
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write to."
)
@click.option(
    "--mount", type=click.Choice(MOUNTS), default="square", show_default=True, help="What it hangs on."
)
@click.option("--mount-diameter", "--mount-side", "mount_mm", type=float, help="Outside diameter, or side.")
@click.option("--aperture", "aperture_mm", type=float, help="Clear diameter of a round mount.")
@click.option("--card", type=click.Choice(list(CARDS)), help="Size of the card.  [default: small]")
@click.option("--board", "board_mm", type=float, help="Thickness of the board.  [default: 3]")
@click.option(
    "--washer",
    "washer_mm",
    type=float,
    nargs=2,
    help="Washers: outside diameter and thickness.  [default: 9 0.8]",
)
@click.option("--nozzle-tip", "tip_mm", type=float, help="From the nozzle's tip up to its full diameter.")
@click.option("--gap", "gap_mm", type=float, help="From the nozzle's tip down to the card, at least.")
@click.option("--paper", type=click.Choice(list(PAPER_MM)), default="a4", show_default=True)
def main(out: Path, paper: Paper, **given: object) -> None:
    """Write the files and say what to cut; exit status 2 if no holder fits the measurements."""
    try:
        c = Cut(**{name: value for name, value in given.items() if value is not None})  # type: ignore[arg-type]
        parts = sheets(c)
    except Uncuttable as error:
        raise click.UsageError(str(error)) from None
    out.mkdir(parents=True, exist_ok=True)
    template = [ring_sheet(), *guide_sheets(c.card)]
    for name, found in (("holder", parts), ("template", template)):
        click.echo(f"wrote {write_flat_svg(out / f'{name}.svg', found)}")
        click.echo(f"wrote {write_flat_pdf(out / f'{name}.pdf', found, paper)}")
    for line in notes(c):
        click.echo(line)


if __name__ == "__main__":
    main()

"""The cut holder, glued, as a solid in the clip's frame: for the pictures and for the tests of its fit."""

from __future__ import annotations

import numpy as np
from manifold3d import CrossSection, Manifold, OpType

from hardware.flat import Sheet
from hardware.holder import Cut, sheets
from hardware.measures import PLAY_MM
from hardware.solids import prism, section


def shape(sheet: Sheet) -> CrossSection:
    """Return a part's outline without its holes, in its own plane."""
    flat = section(sheet.outlines[0])
    for x, z, diameter in sheet.holes:
        flat -= CrossSection.circle(diameter / 2, 48).translate((x, z))
    return flat


def layers(c: Cut) -> list[tuple[str, Manifold]]:
    """Return every layer with its part's name, front to back; the card's struck face is at y = 0."""
    named = {sheet.name.split(" (")[0]: shape(sheet) for sheet in sheets(c)}
    t, slot = c.board_mm, c.board_mm + PLAY_MM
    order = [("between", t), ("slot", slot), *([("between", t)] * c.air_layers), ("slot", slot), ("base", t)]
    found, y = [], -t
    for name, thick in order:
        found.append((name, prism(named[name], "y", (y, y + thick))))
        y += thick
    if c.mount == "nozzle":
        found += _above(c, named)
    return found + (_slanted(c, named, y) if c.mount == "bracket" else [])


def _above(c: Cut, named: dict[str, CrossSection]) -> list[tuple[str, Manifold]]:
    """The layers up to the nozzle's board, and that board."""
    t = c.board_mm
    between = [prism(named["between"], "y", (-t * (i + 2), -t * (i + 1))) for i in range(c.nozzle_layers)]
    top = -t * (c.nozzle_layers + 1)
    board = prism(named["nozzle's board, on top"], "y", (top - t, top))
    return [*(("between", part) for part in between), ("nozzle's board", board)]


def _slanted(c: Cut, named: dict[str, CrossSection], back: float) -> list[tuple[str, Manifold]]:
    """Two wedges and the slanted face behind the base, for a mirror that sends the beam to the right."""
    leg, t, half, shift = c.mount_mm / np.sqrt(2), c.board_mm, c.mount_mm / 2, c.wedge_shift_mm
    wedge = section([(shift - leg / 2, back), (shift + leg / 2, back), (shift + leg / 2, back + leg)])
    wedges = [prism(wedge, "z", (z, z + t)) for z in (-half, half - t)]
    face = (
        prism(named["slanted face"], "y", (0.0, t)).rotate((0, 0, 45.0)).translate((shift, back + leg / 2, 0))
    )
    return [*(("wedge", part) for part in wedges), ("slanted face", face)]


def glued(c: Cut) -> Manifold:
    """Return the whole holder."""
    return Manifold.batch_boolean([part for _, part in layers(c)], OpType.Add)

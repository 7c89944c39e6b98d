"""The template that finds a mirror's centre: rings to cut out, and two boards that guide a needle.

Cut a disc along the ring that just fits the mount's opening (or its outside) and lay it there. The guides
stand in the holder's two slots; a straight needle through both touches the disc, whose ticks show how far off
the middle it is.
"""

from __future__ import annotations

import numpy as np

from hardware.flat import Sheet
from vision import card_sheet

RINGS_MM = tuple(range(10, 61, 1))  # diameters
NEEDLE_MM = 1.2  # hole for a needle of 1.0
_TICKS_MM = 4


def ring_sheet() -> Sheet:
    """Return all rings about one middle, with a cross and ticks of 1 mm around it."""
    lines = [np.array([(-32.0, 0.0), (32.0, 0.0)]), np.array([(0.0, -32.0), (0.0, 32.0)])]
    for mm in (t for t in range(-_TICKS_MM, _TICKS_MM + 1) if t):
        lines += [np.array([(mm, -0.7), (mm, 0.7)]), np.array([(-0.7, mm), (0.7, mm)])]
    words = [(f"{d}", (0.0, d / 2 + 1.2)) for d in RINGS_MM if d % 10 == 0]
    sheet = Sheet("disc for the opening", 1, [], [(0.0, 0.0, float(d)) for d in RINGS_MM], (32.0, 32.0))
    sheet.lines.extend(lines)
    sheet.words.extend(words)
    return sheet


def guide_sheets(size: str) -> list[Sheet]:
    """Return the needle's guide, of the card's size: two are cut, one for each slot."""
    card = card_sheet("mirror-1", size)
    w, h = card.width_mm / 2, card.height_mm / 2
    outline = np.array([(-w, -h), (w, -h), (w, h), (-w, h)])
    guide = Sheet("needle's guide", 2, [outline], [(0.0, 0.0, NEEDLE_MM)], (w, h))
    guide.lines.extend([np.array([(-w, 0.0), (-2.0, 0.0)]), np.array([(2.0, 0.0), (w, 0.0)])])
    guide.lines.extend([np.array([(0.0, -h), (0.0, -2.0)]), np.array([(0.0, 2.0), (0.0, h)])])
    return [guide]

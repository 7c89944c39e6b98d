"""Whether a mark is brighter or darker than its tape, and whether it is a burn or a lamp's image.

Burning chars pale tape, and turns dark or clear tape paler; a given tape always changes in the same
direction. So a brighter change on tape that is nearly as pale as the card's paper is light. Of two changes of
one tape in opposite directions only one is a burn: the one in the direction of the old marks, or else of the
strongest mark.
"""

from __future__ import annotations

import numpy as np

from vision.bare_tape import Stack
from vision.candidates import Mask
from vision.card import Floats
from vision.picture import Pixels
from vision.reading import CardView
from vision.window import Grid, flatten_view

_PALE = 0.65  # of the paper, in the channel nearest to it: clear tape on grey has half, masking tape 0.9
_DISC, _RIM = 0.9, 0.1  # of a mark's radius: its surely burnt inside; half-width of its rim
_CLEARLY = 0.04  # of the tape's brightness: a smaller change may be one of hue
_PITCH_MM, _PAPER_MM = 0.5, (24.2, 26.5)  # between the window's printed rim and the words around it


def burnt_share(
    stacks: tuple[Stack, Stack, Stack],
    away: Floats,
    counts: Mask,
    picture: Pixels,
    view: CardView,
    at_mm: Floats,
) -> float | None:
    """Return the share by which a mark is brighter than its tape (`share_brighter`); None for a lamp's image.

    `stacks`: what is seen, the tape as expected there, and the bare tape without lamps' images.
    """
    seen, tape, bare = stacks
    share, disc = share_brighter(seen, tape, away, counts), counts & (away < _DISC)
    lamp = disc.any() and is_lamp(share, bare[disc].mean(axis=0), picture, view, at_mm)
    return None if lamp else share


def share_brighter(seen: Stack, tape: Stack, away: Floats, counts: Mask) -> float:
    """Return how much brighter a mark is than its tape, as a share of the tape's brightness; < 0 if darker.

    `away` (side, side) is each point's distance from the centre in radii. A hole that was burnt shows
    whatever is behind it, so where the rim changes the other way, the rim counts.
    """
    inner, rim = counts & (away < _DISC), counts & (np.abs(away - 1) < _RIM)
    if not inner.any() or not rim.any():
        return 0.0
    bare = max(float(tape[inner].mean()), 1.0)
    whole, edge = (float(np.median((seen - tape)[part].mean(axis=1))) / bare for part in (inner, rim))
    return whole if whole * edge >= 0 else edge


def is_lamp(brighter: float, tape: Floats, picture: Pixels, view: CardView, at_mm: Floats) -> bool:
    """Return whether a mark is brighter than tape (3,) that is too pale for a burn to make it brighter."""
    return brighter > _CLEARLY and float((tape / paper(picture, view, at_mm)).max()) > _PALE


def paper(picture: Pixels, view: CardView, at_mm: Floats) -> Floats:
    """Return the brightness (3,) of the card's paper beside the window, on the side of a point."""
    grid = Grid((0.0, 0.0), _PITCH_MM, 2 * int(_PAPER_MM[1] / _PITCH_MM) + 1)
    u, v = grid.axes_mm()
    away, beside = grid.radius_mm(), u[None, :] * at_mm[0] + v[:, None] * at_mm[1] >= 0
    ring = (away > _PAPER_MM[0]) & (away < _PAPER_MM[1]) & beside
    return np.asarray(np.maximum(np.percentile(flatten_view(picture, view, grid)[ring], 70, axis=0), 1.0))


def same_direction(shares: list[float], older: list[float]) -> list[bool]:
    """Return which marks change the tape in the same direction (brighter or darker) as the old marks, or,
    without old marks, as the strongest; `shares` are their changes in brightness, strongest mark first.
    """
    way = float(np.median(older)) if older else (shares[0] if shares else 0.0)
    against = np.array(shares) * np.sign(way) < -_CLEARLY
    return [not (off and abs(way) > _CLEARLY) for off in against]

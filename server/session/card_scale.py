"""How true to scale the cards were printed: what their check bars measure, by the command or the page."""

from __future__ import annotations

import json
from pathlib import Path

from server.log import write_for_good
from vision import SIZES
from vision.card import CHECK_BARS_MM, print_ratio

__all__ = ["Bars", "CardScale"]

Bars = tuple[float, float]  # mm: across, up


class CardScale:
    """What the check bars measure, asked anew for every picture; None trusts the print.

    given : what the command line says; it counts before what a page said at an earlier start. kept : the file
    that keeps what a page says, None to forget it at the end.
    """

    def __init__(self, given: Bars | None = None, *, kept: Path | None = None) -> None:
        self._kept = kept
        self.bars_mm = given or self._read()

    def set(self, bars_mm: Bars | None) -> None:
        """Use these from now on, and keep them; raises BarRefused where no card of ours has such bars."""
        if bars_mm is not None:
            _check(bars_mm)
        if self._kept is not None:
            self._kept.parent.mkdir(parents=True, exist_ok=True)
            write_for_good(self._kept, json.dumps(bars_mm))
        self.bars_mm = bars_mm

    def _read(self) -> Bars | None:
        if self._kept is None or not self._kept.exists():
            return None
        kept = json.loads(self._kept.read_text("utf-8"))
        return (float(kept[0]), float(kept[1])) if kept else None


def _check(bars_mm: Bars) -> None:
    """The sizes' bars are so far apart that only one size can be meant."""
    nearest = min(SIZES, key=lambda size: abs(CHECK_BARS_MM[size] - bars_mm[0]))
    print_ratio(nearest, bars_mm)

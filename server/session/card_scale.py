"""The scale of the printed cards: the lengths of their check bars, from the command line or the page."""

from __future__ import annotations

import json
from pathlib import Path

from server.log import Settings, one_line, write_for_good
from vision import SIZES
from vision.card import CHECK_BARS_MM, print_ratio

__all__ = ["Bars", "CardScale", "check_bars"]

Bars = tuple[float, float]  # mm: across, up


class CardScale:
    """What the check bars measure, read for every picture; None assumes the print is true to scale.

    given : from the command line; overrides what a page saved earlier. kept : the file for what a page sets,
    None to keep it only while the program runs.
    """

    def __init__(
        self, given: Bars | None = None, *, kept: Path | None = None, settings: Settings | None = None
    ) -> None:
        self._kept, self._settings = kept, settings or Settings()
        self.bars_mm = given or self._read()

    def set(self, bars_mm: Bars | None) -> None:
        """Use these from now on, and keep them; raises BarRefused if they fit none of our cards."""
        if bars_mm is not None:
            check_bars(bars_mm)
        if self._kept is not None:
            with one_line(self._kept):
                self._kept.parent.mkdir(parents=True, exist_ok=True)
                write_for_good(self._kept, json.dumps(bars_mm))
        self.bars_mm = bars_mm

    def _read(self) -> Bars | None:
        if self._kept is None:
            return None
        return self._settings.read(
            self._kept, _bars_in, None, instead="the print is assumed to be true to scale"
        )


def _bars_in(text: str) -> Bars | None:
    kept = json.loads(text)
    if kept is None:
        return None
    across, up = kept
    check_bars((float(across), float(up)))
    return float(across), float(up)


def check_bars(bars_mm: Bars) -> None:
    """Raise BarRefused if the bars fit none of our cards.

    The bars of the three sizes differ so much that only one size can be meant.
    """
    nearest = min(SIZES, key=lambda size: abs(CHECK_BARS_MM[size] - bars_mm[0]))
    print_ratio(nearest, bars_mm)

"""Where the card is in the picture: as the eye follows it, or as the last reading saw it."""

from __future__ import annotations

from typing import Any

from server.session.services import Brain
from server.sources.base import NoPicture, Source
from vision import CardView, NoReading

__all__ = ["CardSight"]

Json = dict[str, Any]


class CardSight:
    """Written by whoever has seen the card, read by the pages, which draw on the picture by it."""

    def __init__(self) -> None:
        self._seen: tuple[str, CardView, tuple[int, int]] | None = None

    def note(self, station: str | None, view: CardView | None, size: tuple[int, int]) -> None:
        """The card of that station lies so in pictures of ``size`` (rows, cols); None where there is none."""
        self._seen = (station, view, size) if station is not None and view is not None else None

    def look(self, source: Source, brain: Brain, *, timeout_s: float) -> None:
        """Search the newest picture; without a picture, or a card in it, nothing is known any more."""
        self._seen = None
        try:
            frame = source.look(newer_than=-1, timeout_s=timeout_s).pixels
        except NoPicture:
            return
        found = brain.find_card(frame)
        if not isinstance(found, NoReading):
            self.note(*found, frame.shape[:2])

    def forget(self) -> None:
        """Nothing is known any more."""
        self._seen = None

    def as_json(self) -> Json | None:
        """Return plain JSON values, or None."""
        if self._seen is None:
            return None
        station, view, (rows, cols) = self._seen
        homography = [[float(value) for value in row] for row in view.homography]
        return {
            "station": station,
            "homography": homography,
            "size_px": [cols, rows],
            "markers_seen": view.markers_seen,
        }

"""Where the card is in the picture, from the frame loop or the last reading."""

from __future__ import annotations

from server.session.services import Services, card_in_picture
from server.session.snapshot import CardInPicture
from server.sources.base import NoPicture, Source
from vision import CardView, NoReading

__all__ = ["CardSight"]


class CardSight:
    """Written by the frame loop and by readings; the pages draw over the picture with it."""

    def __init__(self) -> None:
        self.seen: CardInPicture | None = None

    def note(self, station: str | None, view: CardView | None, size: tuple[int, int]) -> None:
        """Note where the card is in pictures of ``size`` (rows, cols); None: no card is in view."""
        self.seen = None
        if station is not None and view is not None:
            self.seen = card_in_picture(station, view, size)

    def look(self, source: Source, services: Services, *, timeout_s: float) -> None:
        """Search the newest picture; clears ``seen`` if there is no picture or no card in it."""
        self.seen = None
        try:
            frame = source.look(newer_than=-1, timeout_s=timeout_s).pixels
        except NoPicture:
            return
        found = services.find_card(frame)
        if not isinstance(found, NoReading):
            self.note(*found, frame.shape[:2])

    def clear(self) -> None:
        """Clear ``seen``."""
        self.seen = None

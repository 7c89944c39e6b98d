"""Where the card is in the picture: as the eye follows it, or as the last reading saw it."""

from __future__ import annotations

from server.session.services import Services, card_in_picture
from server.session.snapshot import CardInPicture
from server.sources.base import NoPicture, Source
from vision import CardView, NoReading

__all__ = ["CardSight"]


class CardSight:
    """Written by whoever has seen the card, read by the pages, which draw on the picture by it."""

    def __init__(self) -> None:
        self.seen: CardInPicture | None = None

    def note(self, station: str | None, view: CardView | None, size: tuple[int, int]) -> None:
        """The card of that station lies so in pictures of ``size`` (rows, cols); None where there is none."""
        self.seen = None
        if station is not None and view is not None:
            self.seen = card_in_picture(station, view, size)

    def look(self, source: Source, services: Services, *, timeout_s: float) -> None:
        """Search the newest picture; without a picture, or a card in it, nothing is known any more."""
        self.seen = None
        try:
            frame = source.look(newer_than=-1, timeout_s=timeout_s).pixels
        except NoPicture:
            return
        found = services.find_card(frame)
        if not isinstance(found, NoReading):
            self.note(*found, frame.shape[:2])

    def forget(self) -> None:
        """Nothing is known any more."""
        self.seen = None

"""Check what the camera sees when a person says that a card hangs: another card, no card, an old mark."""

from __future__ import annotations

from server.session.card_view import CardSight
from server.session.services import Refused, Services
from server.session.state import SessionState
from server.solver.words import station_words
from server.sources.base import NoPicture, Place, Source

__all__ = ["CardCheck"]

MARKERS = 4  # one in each corner of a card


class CardCheck:
    """Raises Refused where the picture contradicts the person. Not thread-safe.

    Another station's card is always refused. A card out of view or partly hidden, or an old mark on the tape,
    is accepted when the person says it a second time.
    """

    def __init__(self, state: SessionState, source: Source, services: Services, *, card: CardSight) -> None:
        self._state, self._source, self._services, self._card = state, source, services, card

    def hung(self, place: Place) -> None:
        """Check, right after the card was looked for, that it hangs at ``place`` with fresh tape."""
        seen = self._card.seen
        if seen is None:
            self._ask_once(
                f"no card {place}", "No card is in view: hang it in front of the camera, or say it again."
            )
        elif seen.station != place.station:
            self._state.keep(asks=True, place=None, misses=0)
            raise Refused(
                f"The card in view is the one for {station_words(seen.station)}: hang the one for "
                f"{station_words(place.station)}.",
                path="station",
                status=409,
            )
        elif seen.markers_seen < MARKERS:
            words = (
                f"Only {seen.markers_seen} of the card's {MARKERS} corner signs are in view: seat it flat, "
            )
            words += "take away what hides it, or say it again."
            self._ask_once(f"not seated {place}", words)
        elif self._marks():
            words = "There is an old mark on the tape: put fresh tape on, or say it again to keep it."
            self._ask_once(f"old mark {place}", words)

    def _ask_once(self, doubt: str, words: str) -> None:
        if self._state.memory.doubt != doubt:
            self._state.keep(asks=True, doubt=doubt)
            raise Refused(words, path="card", status=409)

    def _marks(self) -> int:
        try:
            frame = self._source.look(newer_than=-1, timeout_s=2.0)
        except NoPicture:
            return 0
        return self._services.marks_on(frame.pixels)

"""What the frame loop sees, passed on to a session: the live mark, and a reading after each pulse."""

from __future__ import annotations

from firmware import FrameLike
from server.session.notes import seen_now
from server.session.session import Session
from server.session.snapshot import LiveMark
from server.sources.base import Shot
from vision import Moment, Reading

__all__ = ["LiveMarks", "live_mark"]

_ABOUT_THE_CARD = ("card found", "card lost", "card moved")


class LiveMarks:
    """The frame loop's listener for a session."""

    def __init__(self, session: Session) -> None:
        self._session = session

    @property
    def hung(self) -> int:
        """Rises whenever fresh tape or another card was hung."""
        return self._session.hung

    def take_shot(self) -> Shot | None:
        """Return, once, the pictures around a pulse that a person reported; the loop may have missed it."""
        shot, self._session.shot = self._session.shot, None
        return shot

    def take_unseen_pulse(self) -> bool:
        """Return, once, whether a person reported a pulse that two pictures do not show."""
        unseen, self._session.unseen_pulse = self._session.unseen_pulse, False
        return unseen

    def moment(self, moment: Moment, frame: FrameLike) -> None:
        """One frame was looked at."""
        if any(event in _ABOUT_THE_CARD for event in moment.events):
            self._session.card_in_view(moment.station, moment.card, frame.pixels.shape[:2])
        self._show(live_mark(moment))
        if "mark settled" in moment.events:
            self._session.settled()
        if moment.on_top is not None and moment.station is not None and moment.card is not None:
            self._session.on_top(moment.station, moment.card, moment.on_top, frame.pixels)

    def blind(self) -> None:
        """There are no frames just now."""
        self._show(None)

    def _show(self, live: LiveMark | None) -> None:
        if not self._session.held_screw.shown:  # a held screw takes its own pictures
            rig = self._session.rig
            (rig.set_beam if self._session.film_hangs else rig.set_live)(live)


def live_mark(moment: Moment) -> LiveMark | None:
    """Return where the newest mark is in this frame, or None."""
    if moment.card is None or not isinstance(moment.reading, Reading) or not moment.reading.marks:
        return None
    return seen_now(moment.reading, moment.time_s)

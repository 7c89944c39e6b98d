"""Marks that were found in the small stream, measured in the camera's large pictures."""

from __future__ import annotations

from collections.abc import Callable

from server.sources.base import NoPicture, Pixels, Source
from vision import Moment, NoReading, Reading, read

__all__ = ["FullLook"]

CALM_S = 1.0  # nothing has happened for so long: a good moment for the picture from before a pulse


class FullLook:
    """For a listener that does not know when the card was hung. Without a full stream it changes little.

    ``moment`` keeps a full picture of the quiet card, and ``measure`` compares the newest one with it. In a
    session this picture is taken when the person says that the card hangs.
    """

    def __init__(
        self, source: Source, *, reader: Callable[[Pixels, Pixels], Reading | NoReading] = read
    ) -> None:
        self._source, self._reader = source, reader
        self._calm_since_s = 0.0
        self._kept = self._pulse = False

    def moment(self, moment: Moment) -> None:
        """Take one look of the frame loop."""
        if "pulse seen" in moment.events:
            self._pulse = True
        elif moment.events or moment.card is None:
            self._kept, self._pulse, self._calm_since_s = False, False, moment.time_s
        elif not (self._kept or self._pulse) and moment.time_s - self._calm_since_s >= CALM_S:
            self._keep()

    def measure(self, found: Reading) -> Reading:
        """Return the large picture's reading, or what was found where that shows another card or mark."""
        if not self._kept:
            return found
        try:
            shot = self._source.shot()
        except NoPicture:
            return found
        full = self._reader(shot.after, shot.before) if shot.before is not None else None
        if not isinstance(full, Reading) or full.station != found.station:
            return found
        return full if sum(mark.new is not False for mark in full.marks) == 1 else found

    def _keep(self) -> None:
        try:
            self._source.taken(self._source.shot().after)
            self._kept = True
        except NoPicture:
            self._kept = False

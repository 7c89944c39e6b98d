"""A second pair of eyes: looks at the card again and again while a person's hands are elsewhere."""

from __future__ import annotations

import logging
import threading
from typing import Protocol

__all__ = ["Watcher"]

PERIOD_S = 0.7
_log = logging.getLogger(__name__)


class Glancing(Protocol):
    """What is watched: :class:`server.live.Session`."""

    def glance(self) -> bool: ...


class Watcher:
    """Calls ``session.glance()`` every ``period_s`` in a thread of its own until stopped."""

    def __init__(self, session: Glancing, *, period_s: float = PERIOD_S) -> None:
        self._session, self._period_s = session, period_s
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watcher", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Look no more; returns when the last look is over."""
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._end.wait(self._period_s):
            try:
                self._session.glance()
            except Exception:  # noqa: BLE001 -- one bad look must not end the watch; the log says what it was
                _log.exception("a look at the card failed")

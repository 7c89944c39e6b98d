"""Server-sent events: the state of a session, sent whenever it changes.

Each open stream occupies a worker thread of the web server, so their number is limited. A page that opens a
new stream loses its old one. A stream ends when its browser has gone, and after some minutes in any case;
browsers reconnect by themselves.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

from server.pages.way import live_view
from server.session.session import Session

__all__ = ["Streams", "TooMany"]

BEAT_S = 1.0  # after 3 s without any event the page says that there is no connection
LIFE_S = 900.0


class TooMany(Exception):
    """All streams are taken; the page then asks for the state every second."""


class Streams:
    """The open streams, by page; ends those that are no longer wanted."""

    def __init__(self, *, limit: int, clock: Callable[[], float] = time.monotonic) -> None:
        self.limit, self._clock = limit, clock
        self._lock = threading.Lock()
        self._open: dict[str, object] = {}

    def __len__(self) -> int:
        with self._lock:
            return len(self._open)

    def has(self, tab: str) -> bool:
        """Whether the page ``tab`` has an open stream."""
        with self._lock:
            return tab in self._open

    def open(
        self, tab: str, session: Session, show: Callable[[], dict[str, Any]], gone: Callable[[], bool]
    ) -> Iterator[str]:
        """Return the body of a stream for the page ``tab``; raises TooMany.

        show : the state to send. gone : whether the browser has hung up.
        """
        with self._lock:
            if tab not in self._open and len(self._open) >= self.limit:
                raise TooMany
        return self._run(tab, session, show, gone)

    def _run(
        self,
        tab: str,
        session: Session,
        show: Callable[[], dict[str, Any]],
        gone: Callable[[], bool],
    ) -> Iterator[str]:
        ticket, until_s = object(), self._clock() + LIFE_S
        with self._lock:
            self._open[tab] = ticket
        try:
            yield ": here\nretry: 1000\n\n"
            state: dict[str, Any] = {}
            version, live = -1, session.rig.live_version
            while self._wanted(tab, ticket) and not gone() and self._clock() < until_s:
                now, now_live = session.wait_live(version, live, timeout_s=BEAT_S)
                if now != version:
                    version = now
                    state = show()
                    yield f"event: state\ndata: {json.dumps(state)}\n\n"
                elif now_live != live:
                    live = now_live  # only the mark in the newest frame: a small message
                    yield f"event: live\ndata: {json.dumps(live_view(state, session.rig.live))}\n\n"
                else:
                    yield "event: beat\ndata: {}\n\n"
        finally:
            if self._close(tab, ticket):
                session.announce()  # a page that watches may now take control

    def _wanted(self, tab: str, ticket: object) -> bool:
        with self._lock:
            return self._open.get(tab) is ticket

    def _close(self, tab: str, ticket: object) -> bool:
        with self._lock:
            if self._open.get(tab) is not ticket:
                return False
            del self._open[tab]
            return True

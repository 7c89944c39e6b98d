"""Several may watch, one has the hands: whose page turns, fires and saves."""

from __future__ import annotations

import threading

from server.pages.stream import Streams
from server.session.session import Refused

__all__ = ["Hands"]


class Hands:
    """Remembers per session which page acts; a page that has gone holds nothing."""

    def __init__(self, streams: Streams) -> None:
        self._streams, self._lock = streams, threading.Lock()
        self._tabs: dict[str, str] = {}

    def holder(self, of: str) -> str | None:
        """Return the page that has the hands of session ``of``, None when nobody does."""
        tab = self._tabs.get(of)
        return tab if tab is not None and self._streams.has(f"{of}:{tab}") else None

    def use(self, of: str, tab: str) -> None:
        """The page ``tab`` acts: it gets free hands, and is refused while another has them."""
        with self._lock:
            holder = self.holder(of)
            if holder is not None and holder != tab:
                raise Refused("Another device has the hands: take them here first.", path="hands", status=409)
            self._tabs[of] = tab

    def take(self, of: str, tab: str) -> None:
        """The page ``tab`` takes the hands, whoever had them."""
        with self._lock:
            self._tabs[of] = tab

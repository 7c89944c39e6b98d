"""Several pages may watch a session, one controls it: only that one turns, fires and saves."""

from __future__ import annotations

import threading

from server.pages.stream import Streams
from server.session.session import Refused

__all__ = ["Control"]


class Control:
    """Remembers which page is in control of each session, until that page closes its event stream."""

    def __init__(self, streams: Streams) -> None:
        self._streams, self._lock = streams, threading.Lock()
        self._tabs: dict[str, str] = {}

    def holder(self, of: str) -> str | None:
        """Return the page in control of session ``of``, None if there is none."""
        tab = self._tabs.get(of)
        return tab if tab is not None and self._streams.has(f"{of}:{tab}") else None

    def use(self, of: str, tab: str) -> None:
        """Let the page ``tab`` act, and control the session; raises Refused while another page does."""
        with self._lock:
            holder = self.holder(of)
            if holder is not None and holder != tab:
                words = "Another device is in control: take control on this one first."
                raise Refused(words, path="control", status=409)
            self._tabs[of] = tab

    def take(self, of: str, tab: str) -> None:
        """Give the page ``tab`` control, even if another page has it."""
        with self._lock:
            self._tabs[of] = tab

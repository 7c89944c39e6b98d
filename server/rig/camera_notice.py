"""Say on the console, once after the start, that the camera gives no picture."""

from __future__ import annotations

import threading
from collections.abc import Callable

from server.sources.base import Source

__all__ = ["CameraNotice"]

LOOK_EVERY_S = 0.2


class CameraNotice:
    """Watches ``source`` until it has a problem or ``seen`` is true; says the problem in one line."""

    def __init__(self, source: Source, seen: Callable[[], bool], say: Callable[[str], object]) -> None:
        self._source, self._seen, self._say = source, seen, say
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="camera-notice", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; returns when the thread has ended."""
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._seen() and not self._end.wait(LOOK_EVERY_S):
            problem = self._source.problem
            if problem is not None:
                self._say(f"No picture yet: {problem} (it will keep trying).")
                return

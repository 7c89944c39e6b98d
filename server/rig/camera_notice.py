"""Say on the console, once after the start, that the camera gives no picture."""

from __future__ import annotations

from collections.abc import Callable

from server.rig.background import Background
from server.sources.base import Source

__all__ = ["CameraNotice"]

LOOK_EVERY_S = 0.2


class CameraNotice(Background):
    """Watches ``source`` until it has a problem or ``seen`` is true; says the problem in one line."""

    def __init__(self, source: Source, seen: Callable[[], bool], say: Callable[[str], object]) -> None:
        super().__init__("camera-notice")
        self._source, self._seen, self._say = source, seen, say

    def _run(self) -> None:
        while not self._seen() and not self._end.wait(LOOK_EVERY_S):
            problem = self._source.problem
            if problem is not None:
                self._say(f"No picture yet: {problem} (it will keep trying).")
                return

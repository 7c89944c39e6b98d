"""Decides when a camera's process has to be killed and when it may be started again; does neither itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Order", "Watch"]

Order = Literal["wait", "kill", "start"]
_SLOWEST = 3


@dataclass
class Watch:
    """A watchdog's judgement, fed with instants (s) of one monotonic clock.

    patience_s : a running camera that sends nothing for so long is frozen.
    warm_up_s : what opening a camera may take before that counts; doubled each time that this was too short,
    up to eight times as long, because a slow machine may need it. pauses_s : pauses before the next start
    after the first, second … failure in a row; the last one stays. ``problem`` is one line for a person while
    there is something wrong, else None.
    """

    patience_s: float = 2.0
    warm_up_s: float = 8.0
    pauses_s: tuple[float, ...] = (0.2, 1.0, 2.0, 5.0)
    problem: str | None = None
    failures: int = 0
    _slow: int = 0  # openings in a row that were too slow
    _opening: bool = False
    _running: bool = False
    _deadline_s: float = 0.0
    _start_at_s: float = 0.0

    def started(self, now_s: float) -> None:
        """The process was started."""
        self._running = self._opening = True
        self._deadline_s = now_s + self.warm_up_s * 2 ** min(self._slow, _SLOWEST)

    def frame(self, now_s: float) -> None:
        """A frame came: all is well."""
        self._deadline_s = now_s + self.patience_s
        self.failures, self.problem = 0, None
        self._slow, self._opening = 0, False

    def died(self, now_s: float, why: str) -> None:
        """The process is gone, or said why it cannot go on."""
        if self._running:
            self._rest(now_s, why)

    def appeared(self, now_s: float) -> None:
        """A camera was plugged in: the next start is now, or right after the one under way."""
        self._start_at_s, self.failures = now_s, 0

    def order(self, now_s: float) -> Order:
        """What has to be done now; a 'kill' counts as done."""
        if self._running and now_s >= self._deadline_s:
            self._slow += self._opening
            self._rest(now_s, "the camera is frozen: starting it again; if this goes on, replug its cable")
            return "kill"
        return "start" if not self._running and now_s >= self._start_at_s else "wait"

    def next_look_s(self, now_s: float) -> float:
        """How long (s) ``order`` stays 'wait' if nothing happens."""
        return max((self._deadline_s if self._running else self._start_at_s) - now_s, 0.0)

    def _rest(self, now_s: float, why: str) -> None:
        self._running, self.problem = False, why
        self._start_at_s = now_s + self.pauses_s[min(self.failures, len(self.pauses_s) - 1)]
        self.failures += 1

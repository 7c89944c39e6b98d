"""Tell systemd that the program is ready and alive, by its notification protocol, sd_notify(3).

Each message is a datagram to the socket that the environment names; without one, nothing is sent.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

__all__ = ["Heartbeat", "notify"]

_log = logging.getLogger(__name__)


def notify(message: str, *, environment: Mapping[str, str] = os.environ) -> bool:
    """Send e.g. ``READY=1``; returns whether there was a socket to send it to."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):  # an abstract socket address (Linux)
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire, suppress(OSError):
        wire.sendto(message.encode(), address)
        return True
    return False


class Heartbeat:
    """Sends ``WATCHDOG=1`` three times per watchdog period as long as every thread is alive.

    parts : for each thread's name, a function that returns whether it is alive. If one is not, the log says
    which, nothing is sent, and systemd restarts the program. Does nothing without a watchdog.
    """

    def __init__(
        self, parts: Mapping[str, Callable[[], bool]], *, environment: Mapping[str, str] = os.environ
    ) -> None:
        self._parts, self._environment = dict(parts), environment
        self._end = threading.Event()
        period_us = environment.get("WATCHDOG_USEC", "")
        meant = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.period_s = int(period_us) / 3e6 if period_us.isdigit() and meant else None
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        """Report that the program is ready, and from then on that it is alive."""
        notify("READY=1", environment=self._environment)
        if self.period_s is not None:
            self._thread.start()

    def stop(self) -> None:
        """Report that it is stopping."""
        self._end.set()
        notify("STOPPING=1", environment=self._environment)

    def beat(self) -> bool:
        """Report once that all threads are alive, if they are."""
        dead = [name for name, alive in self._parts.items() if not alive()]
        if dead:
            _log.error("no sign of life from: %s", ", ".join(dead))
            return False
        return notify("WATCHDOG=1", environment=self._environment)

    def _run(self) -> None:
        assert self.period_s is not None
        due_s = time.monotonic() + self.period_s
        while not self._end.wait(max(0.0, due_s - time.monotonic())):
            due_s = next_beat_s(due_s, time.monotonic(), self.period_s)
            self.beat()


def next_beat_s(due_s: float, now_s: float, period_s: float) -> float:
    """When the next beat is due. Delays do not add up, and missed beats are not made up for."""
    return max(due_s, now_s - period_s) + period_s

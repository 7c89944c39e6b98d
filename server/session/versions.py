"""Numbered changes that other threads can wait for."""

from __future__ import annotations

import secrets
import threading

__all__ = ["Versioned"]


class Versioned:
    """Something that changes; any thread may wait for it.

    version : rises with every change. run : identifies this process, because the next counts from 0 again.
    changed : notified at each change.
    """

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.version, self.run = 0, secrets.token_hex(4)

    def wait(self, version: int, *, timeout_s: float) -> int:
        """Return the version as soon as it differs from ``version``, or after ``timeout_s``."""
        with self.changed:
            self.changed.wait_for(lambda: self.version != version, timeout_s)
            return self.version

    def announce(self) -> None:
        """Count a change and wake all who wait."""
        with self.changed:
            self.version += 1
            self.changed.notify_all()

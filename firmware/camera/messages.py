"""Short messages between two processes: JSON lines over a socket."""

from __future__ import annotations

import json
import select
import socket
from threading import Lock
from typing import Any

__all__ = ["Words"]


class Words:
    """One end. Any thread may ``say``, one at a time ``hear``."""

    def __init__(self, link: socket.socket) -> None:
        self._link, self._talking = link, Lock()
        self._rest = b""

    def say(self, *word: Any) -> None:
        """Send one message; raises OSError where the other end is gone."""
        with self._talking:
            self._link.sendall(json.dumps(word).encode() + b"\n")

    def hear(self, *, patience_s: float | None = None) -> list[Any] | None:
        """Return the next message, or None after ``patience_s``; raises EOFError where the end is gone."""
        while b"\n" not in self._rest:
            if not select.select([self._link], [], [], patience_s)[0]:
                return None
            more = self._link.recv(65536)
            if not more:
                raise EOFError
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        message: list[Any] = json.loads(line)
        return message

    def close(self) -> None:
        """Hang up."""
        self._link.close()

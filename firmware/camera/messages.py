"""The messages between a camera's process and its parent, over a connection of the standard library.

To the process: :class:`Open`, then :class:`WantFull`, :class:`Pace` and :class:`HoldLight` in any order. From
it: :class:`Opened`, :class:`Sent` with each frame, whose pixels are in the shared memory, and :class:`Failed`
as the last.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from threading import Lock
from typing import Any

from firmware.camera.base import Camera

__all__ = [
    "Failed",
    "FromCamera",
    "HoldLight",
    "Link",
    "Open",
    "Opened",
    "Pace",
    "Sent",
    "ToCamera",
    "WantFull",
]


@dataclass(frozen=True)
class Open:
    """Open the camera ``opener(kind, **options)`` and number its frames from ``first``."""

    opener: Callable[..., Camera]
    kind: str
    options: dict[str, Any] = field(default_factory=dict)
    first: int = 0


@dataclass(frozen=True)
class WantFull:
    """The next frame in the camera's large size, once."""


@dataclass(frozen=True)
class Pace:
    """No more frames a second than that."""

    frames_per_s: float


@dataclass(frozen=True)
class HoldLight:
    """Hold exposure, white balance and focus, or let them adjust themselves again."""

    hold: bool


@dataclass(frozen=True)
class Opened:
    """The camera is there; ``focus``: who sets its lens, ``motor`` or ``by hand``, None where unknown."""

    focus: str | None


@dataclass(frozen=True)
class Sent:
    """Frame ``number`` is in the memory; taken at ``time_s`` (monotonic), ``full``: because it was wanted."""

    number: int
    time_s: float
    shape: tuple[int, int, int]
    full: bool


@dataclass(frozen=True)
class Failed:
    """The camera cannot go on; ``why`` is one line with what to do."""

    why: str


ToCamera = Open | WantFull | Pace | HoldLight
FromCamera = Opened | Sent | Failed


class Link:
    """One end. Any thread may ``send``; one at a time may ``receive``."""

    def __init__(self, connection: Connection) -> None:
        self._connection, self._sending = connection, Lock()

    def send(self, message: ToCamera | FromCamera) -> None:
        """Raises OSError where the other end is gone."""
        with self._sending:
            self._connection.send(message)

    def receive(self, *, timeout_s: float | None = None) -> Any:
        """Return the next message, None after ``timeout_s``; raises EOFError where the end is gone."""
        return self._connection.recv() if self._connection.poll(timeout_s) else None

    def close(self) -> None:
        """Hang up."""
        with suppress(OSError):
            self._connection.close()

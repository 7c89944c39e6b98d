"""What runs in a thread of its own beside a session."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

__all__ = ["Background"]


class Background(ABC):
    """Runs ``_run`` in a daemon thread from ``start`` until it returns, or ``stop`` sets ``_end``."""

    def __init__(self, name: str) -> None:
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """Stop the thread, if it was started; returns when it has ended."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join()

    @abstractmethod
    def _run(self) -> None:
        """Work until ``_end`` is set or nothing is left to do."""

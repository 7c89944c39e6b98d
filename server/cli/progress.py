"""Progress of long work: a bar on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import count, repeat
from typing import Any

import click

__all__ = ["Bars"]


class Bars:
    """A bar on standard error for each stage of work that reports what it does and how far it is."""

    def __init__(self) -> None:
        self._what, self._done = "", 0
        self._bar: Any = None
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Bars:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def __call__(self, what: str, done: int, of: int) -> None:
        """Show that ``done`` parts of ``of`` are done; ``of`` 0: unknown, so a running number."""
        if not self._shown:
            return
        if what != self._what or done < self._done:
            self._end()
            self._bar = click.progressbar(
                None if of else repeat(None), of or None, label=what, show_pos=not of, file=sys.stderr
            )
            self._bar.__enter__()
            self._what, self._done = what, 0
        if self._bar is not None:
            self._bar.update(done - self._done)
            self._done = done

    def each(self, what: str, of: int) -> Callable[[], None]:
        """Return what is to be called after each of ``of`` parts."""
        numbers = count(1)
        return lambda: self(what, next(numbers), of)

    def _end(self) -> None:
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
        self._bar = None

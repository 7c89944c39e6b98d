"""Progress of long work: a bar on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

__all__ = ["Bars", "progress"]


@contextmanager
def progress(label: str, length: int) -> Iterator[Callable[[], None]]:
    """Yield a function to call after each of ``length`` parts; the bar goes to standard error."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=length, label=label, file=sys.stderr) as bar:
        yield lambda: bar.update(1)


class Bars:
    """A bar for each stage of work that reports what it does and how far it is."""

    def __init__(self) -> None:
        self._what, self._done = "", 0
        self._bar: Any = None
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Bars:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def __call__(self, what: str, done: int, of: int) -> None:
        """Show that ``done`` parts of ``of`` are done; ``of`` 0 means that the total is unknown."""
        if not self._shown or of == 0:
            return
        if what != self._what:
            self._end()
            self._bar = click.progressbar(length=of, label=what, file=sys.stderr)
            self._bar.__enter__()
            self._what, self._done = what, 0
        if self._bar is not None:
            self._bar.update(done - self._done)
            self._done = done

    def _end(self) -> None:
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
        self._bar = None

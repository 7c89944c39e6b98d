"""How far long work is: a bar on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

__all__ = ["Bars", "progress"]


@contextmanager
def progress(label: str, length: int) -> Iterator[Callable[[], None]]:
    """Yield what is to be called after each of ``length`` parts; the bar goes to standard error."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=length, label=label, file=sys.stderr) as bar:
        yield lambda: bar.update(1)


class Bars:
    """One bar after another, for work that tells what it does, how much of it is done, and of how much."""

    def __init__(self) -> None:
        self._what, self._done = "", 0
        self._bar: Any = None
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Bars:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def __call__(self, what: str, done: int, of: int) -> None:
        """So much of it is done; where ``of`` is 0 nobody knows how much there will be."""
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

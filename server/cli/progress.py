"""How far long work is: a bar on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

__all__ = ["progress"]


@contextmanager
def progress(label: str, length: int) -> Iterator[Callable[[], None]]:
    """Yield what is to be called after each of ``length`` parts; the bar goes to standard error."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=length, label=label, file=sys.stderr) as bar:
        yield lambda: bar.update(1)

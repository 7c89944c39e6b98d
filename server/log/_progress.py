"""Report the progress of long work."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

Tell = Callable[[str, int, int], None]  # what is done, how much of it, of how much
T = TypeVar("T")
_PARTS = 500  # redrawing a bar for each of a million rows would take longer than the rows


def no_progress(what: str, done: int, of: int) -> None:
    """Report nothing."""


def with_progress(items: Iterable[T], what: str, of: int, tell: Tell) -> Iterator[T]:
    """Yield the items (``of`` in total), reporting to ``tell`` after each, or after each of _PARTS parts."""
    part = max(1, of // _PARTS)
    for number, item in enumerate(items, start=1):
        yield item
        if number % part == 0 or number == of:
            tell(what, number, of)

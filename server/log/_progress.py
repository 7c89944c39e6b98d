"""How far long work is, for whoever wants to show it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

Tell = Callable[[str, int, int], None]  # what is done, how much of it, of how much
T = TypeVar("T")
_PARTS = 500  # a bar that is drawn anew for each of a million rows takes longer than the rows


def untold(what: str, done: int, of: int) -> None:
    """Nobody wants to know."""


def told(items: Iterable[T], what: str, of: int, tell: Tell) -> Iterator[T]:
    """The items, ``of`` them, with a word to ``tell`` after each, or after each of some hundred parts."""
    part = max(1, of // _PARTS)
    for number, item in enumerate(items, start=1):
        yield item
        if number % part == 0 or number == of:
            tell(what, number, of)

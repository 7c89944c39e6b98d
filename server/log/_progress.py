"""How far long work is, for whoever wants to show it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

Tell = Callable[[str, int, int], None]  # what is done, how much of it, of how much
T = TypeVar("T")


def untold(what: str, done: int, of: int) -> None:
    """Nobody wants to know."""


def told(items: Sequence[T], what: str, tell: Tell) -> Iterator[T]:
    """The items, with a word to ``tell`` after each."""
    for number, item in enumerate(items, start=1):
        yield item
        tell(what, number, len(items))

"""Reads the small settings files that a person or a page wrote; a damaged one is reported, not raised."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
LARGEST = 1_000_000


class Settings:
    """Reads settings files. ``faults`` has one line for each that is damaged now, by its path."""

    def __init__(self) -> None:
        self._faults: dict[Path, str] = {}

    @property
    def faults(self) -> tuple[str, ...]:
        """Return one line for each damaged file; empty when all are right again."""
        return tuple(self._faults.values())

    def read(self, path: Path, parse: Callable[[str], T], default: T, *, instead: str) -> T:
        """Return ``parse`` of the file's text, or ``default`` if the file is missing or unreadable.

        parse : raises ValueError, LookupError or TypeError for bad text. instead : says what is used then.
        """
        self._faults.pop(path, None)
        try:
            if not path.exists():
                return default
            with path.open("rb") as file:
                data = file.read(LARGEST + 1)
            if len(data) > LARGEST:
                raise ValueError("larger than 1 MB")
            if not data.strip():
                raise ValueError("empty")
            return parse(data.decode("utf-8"))
        except OSError as error:
            self._faults[path] = f"{path}: {error.strerror or error}; {instead}"
        except (LookupError, RecursionError, TypeError, ValueError) as error:
            self._faults[path] = f"{path}: this file is damaged ({_reason(error)}); {instead}"
        return default


def _reason(error: Exception) -> str:
    if isinstance(error, UnicodeError):
        return "not text in UTF-8"
    return " ".join(str(error).split())[:200] or type(error).__name__

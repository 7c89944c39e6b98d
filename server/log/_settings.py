"""Small files that a person or a page has written: read by one reader, which a damaged one never stops."""

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
        """What is wrong, in one line each; empty once it is right again."""
        return tuple(self._faults.values())

    def read(self, path: Path, parse: Callable[[str], T], default: T, *, instead: str) -> T:
        """What ``parse`` makes of the file's text; ``default`` where it is not there, or cannot be read.

        parse : raises ValueError, LookupError or TypeError for what it cannot take. instead : what is used
        then, in words.
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

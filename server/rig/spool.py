"""Readings on disk: those to be delivered, and the newest delivered ones; numbered, each written twice."""

from __future__ import annotations

import hashlib
import json
import logging
import secrets
import threading
from contextlib import suppress
from pathlib import Path

from server.log import Json, write_for_good

__all__ = ["Spool"]

KEPT = 200  # delivered readings that are kept, in case the page's log is restored to an older state
_WAITING, _AGAIN, _SENT, _COPY, _DAMAGED = ".json", ".again", ".sent", ".copy", ".damaged"
_log = logging.getLogger(__name__)


class Spool:
    """Readings that wait, oldest first. Numbers continue over restarts.

    ``name`` identifies the series of numbers; a new folder begins a new series. ``after`` is the last number
    that the page has. ``damaged`` counts readings of which neither copy could be read; they are set aside.
    Raises OSError if the folder cannot be made or read.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._lock = folder, threading.RLock()
        for torn in [*folder.glob("*.part"), *folder.glob(".*.part")]:
            torn.unlink()
        self.name = _kept_name(folder / "name") or self._new_name()
        self.damaged = len(list(folder.glob(f"*{_DAMAGED}")))
        self.after = max([_kept_number(folder / "delivered"), *self._numbers(_SENT)])
        self._last = max([self.after, *self._waiting(), *self._numbers(_DAMAGED)])

    def put(self, body: Json) -> int:
        """Write a reading; returns its number once it survives a power cut. Raises OSError."""
        with self._lock:
            number = self._last + 1
            text = json.dumps({**body, "series": self.name, "sequence": number})
            content = f"{hashlib.sha256(text.encode()).hexdigest()}\n{text}"
            write_for_good(self._path(number, _COPY), content)
            write_for_good(self._path(number, _WAITING), content)
            self._last = number
            return number

    def first(self) -> Json | None:
        """Return the oldest reading that waits, or None; one that cannot be read is set aside."""
        with self._lock:
            for number, path in sorted(self._waiting().items()):
                if number <= self.after:  # it has arrived, but the disk did not record that
                    continue
                found = _read(path) or _read(self._path(number, _COPY))
                if found is not None:
                    again = {"again": True} if path.suffix == _AGAIN else {}
                    return {**found, "series": self.name, "sequence": number, "after": self.after, **again}
                _log.error("%s: damaged, and so is its copy: set aside", path)
                path.replace(path.with_suffix(_DAMAGED))
                self._path(number, _COPY).unlink(missing_ok=True)
                self.damaged += 1
            return None

    def done(self, number: int) -> None:
        """Note that this reading and all before it have arrived."""
        with self._lock:
            self.after = max(self.after, number)
            for waiting, path in self._waiting().items():
                if waiting <= number:
                    path.replace(self._path(waiting, _SENT))
                    self._path(waiting, _COPY).unlink(missing_ok=True)
            for old in sorted(self._numbers(_SENT))[:-KEPT]:
                self._path(old, _SENT).unlink(missing_ok=True)

    def agree(self, last: int) -> None:
        """Go on from ``last``, the newest number that the page has (0: none, or it does not know this rig).

        If the page's log was restored to an older state, it gets again what it lost and is still here. If the
        page has more than this disk, this disk was restored: the numbers begin a new series.
        """
        with self._lock:
            if last > self._last:
                self.done(self.after)
                self.name = self._new_name()
                self.after = 0
            elif last > self.after:
                self.done(last)
            elif 0 < last < self.after:
                for number in self._numbers(_SENT):
                    if number > last:
                        self._path(number, _SENT).replace(self._path(number, _AGAIN))
                self.after = last
                (self._folder / "delivered").unlink(missing_ok=True)

    def __len__(self) -> int:
        return sum(number > self.after for number in self._waiting())

    def _new_name(self) -> str:
        name = secrets.token_hex(6)
        write_for_good(self._folder / "name", name)
        return name

    def _path(self, number: int, suffix: str) -> Path:
        return self._folder / f"{number:09d}{suffix}"

    def _numbers(self, suffix: str) -> list[int]:
        return [int(path.stem) for path in self._folder.glob(f"*{suffix}") if path.stem.isdecimal()]

    def _waiting(self) -> dict[int, Path]:
        """Return the files that wait, by number, even if only the second copy is left."""
        left = {n: self._path(n, _COPY) for n in self._numbers(_COPY)}
        return left | {
            n: self._path(n, suffix) for suffix in (_WAITING, _AGAIN) for n in self._numbers(suffix)
        }


def _read(path: Path) -> Json | None:
    """Return the reading in that file; None if it is damaged."""
    try:
        text = path.read_text("utf-8")
        if not text.startswith("{"):  # an older release wrote no checksum
            checksum, _, text = text.partition("\n")
            if hashlib.sha256(text.encode()).hexdigest() != checksum:
                return None
        found = json.loads(text)
        float(found["read_at"]["s"]), str(found["read_at"]["boot"])
    except (OSError, ValueError, RecursionError, LookupError, TypeError):
        return None
    return dict(found)


def _kept_name(path: Path) -> str:
    with suppress(OSError, ValueError):
        name = path.read_text("ascii").strip()
        return name if 4 <= len(name) <= 32 and set(name) <= set("0123456789abcdef") else ""
    return ""


def _kept_number(path: Path) -> int:
    """Return the number of the newest arrived reading, as an older release wrote it."""
    with suppress(OSError, ValueError):
        return max(int(path.read_text("ascii")), 0)
    return 0

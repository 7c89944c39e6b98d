"""The log's errors: always one line, always with what to do."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class LogError(Exception):
    """The log could not be read or written; the text is one line for a person."""


class BadEntry(LogError, ValueError):
    """The data cannot be stored; nothing was written.

    ``path`` says where in the data, with dots, and is empty for the whole.
    """

    def __init__(self, message: str, *, path: str = "") -> None:
        super().__init__(f"{path}: {message}" if path else message)
        self.path = path
        self.message = message


class Damaged(LogError, ValueError):
    """The database, or a row of it that is needed, is not as it was written."""


class DamagedRow(Damaged):
    """A row that is needed is damaged; the others are sound."""


class NoSuchEntry(LogError, LookupError):
    """No alignment or event has that number."""


class LogMissing(LogError, FileNotFoundError):
    """There is no log in that folder."""

    def __str__(self) -> str:
        return str(self.args[0])


_DISK_FULL = "the disk is full; free some space and do it again. What was shown as saved is safe"
_READ_ONLY = "cannot be written to; check who owns the folder and whether the disk is read-only"

_BY_ERRNO: dict[int | None, str] = {
    errno.ENOSPC: _DISK_FULL,
    errno.EDQUOT: _DISK_FULL,
    errno.EFBIG: _DISK_FULL,
    errno.EROFS: _READ_ONLY,
    errno.EACCES: _READ_ONLY,
    errno.EPERM: _READ_ONLY,
}

# Primary result codes, https://www.sqlite.org/rescode.html
_BY_SQLITE_CODE = {
    sqlite3.SQLITE_FULL: _DISK_FULL,
    sqlite3.SQLITE_IOERR: "the disk fails or takes no more; see whether it is full, or try another",
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that the folder is there and may be written to",
    sqlite3.SQLITE_BUSY: "another program holds the log; close it or wait a moment, then do it again",
    sqlite3.SQLITE_LOCKED: "another program holds the log; close it or wait a moment, then do it again",
    sqlite3.SQLITE_CORRUPT: "is damaged; 'spotwright log rescue' saves everything readable",
    sqlite3.SQLITE_NOTADB: "is not a log of Spotwright, or is damaged; see 'spotwright log rescue'",
    sqlite3.SQLITE_CONSTRAINT: "the entry does not fit the log; nothing was saved",
    sqlite3.SQLITE_TOOBIG: "the entry is too big to be kept",
}


_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _is_damage(error: sqlite3.Error) -> bool:
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in _DAMAGE


def _sqlite_text(error: sqlite3.Error) -> str:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return str(error)
    return _BY_SQLITE_CODE.get(code & 0xFF, f"the disk or the log reports an error ({error})")


@contextmanager
def one_line(path: Path) -> Iterator[None]:
    """Turn what the disk or SQLite raises inside the block into a :class:`LogError` that names ``path``."""
    try:
        yield
    except sqlite3.Error as error:
        kind = Damaged if _is_damage(error) else LogError
        raise kind(f"{path}: {_sqlite_text(error)}") from error
    except UnicodeDecodeError as error:  # SQLite's message quotes the damaged text
        raise Damaged(f"{path}: {_BY_SQLITE_CODE[sqlite3.SQLITE_CORRUPT]}") from error
    except (UnicodeError, OverflowError) as error:
        raise BadEntry(f"text or number that cannot be stored ({error})") from error
    except OSError as error:
        if isinstance(error, LogError):
            raise
        text = _BY_ERRNO.get(error.errno, error.strerror or str(error))
        raise LogError(f"{error.filename or path}: {text}") from error

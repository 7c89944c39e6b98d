"""Whatever the disk or SQLite raises is one line with the name of the file, of the right kind."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path

import pytest

from server.log import BadEntry, Damaged, LogError, LogMissing
from server.log._errors import one_line


def of_sqlite(code: int | None) -> sqlite3.Error:
    error = sqlite3.OperationalError("as SQLite says it")
    if code is not None:
        error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (of_sqlite(sqlite3.SQLITE_FULL), LogError, "the disk is full"),
        (of_sqlite(sqlite3.SQLITE_IOERR_FSYNC), LogError, "the disk fails"),
        (of_sqlite(sqlite3.SQLITE_READONLY), LogError, "cannot be written to"),
        (of_sqlite(sqlite3.SQLITE_CANTOPEN), LogError, "cannot be opened"),
        (of_sqlite(sqlite3.SQLITE_BUSY), LogError, "another program holds the log"),
        (of_sqlite(sqlite3.SQLITE_CORRUPT), Damaged, "is damaged"),
        (of_sqlite(sqlite3.SQLITE_CORRUPT_INDEX), Damaged, "is damaged"),
        (of_sqlite(sqlite3.SQLITE_NOTADB), Damaged, "is not a log of Spotwright"),
        (of_sqlite(sqlite3.SQLITE_INTERRUPT), LogError, r"reports an error \(as SQLite says it\)"),
        (of_sqlite(None), LogError, "as SQLite says it"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), Damaged, "is damaged"),
        (UnicodeEncodeError("utf-8", "\udc80", 0, 1, "surrogates"), BadEntry, "cannot be stored"),
        (OverflowError("int too large"), BadEntry, "cannot be stored"),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), LogError, "the disk is full"),
        (OSError(errno.EDQUOT, os.strerror(errno.EDQUOT)), LogError, "the disk is full"),
        (OSError(errno.EACCES, os.strerror(errno.EACCES)), LogError, "cannot be written to"),
        (OSError(errno.EIO, "Input/output error"), LogError, "here: Input/output error$"),
        (OSError(errno.EIO, "Input/output error", "/elsewhere"), LogError, "^/elsewhere: Input/output"),
        (OSError("no number"), LogError, "here: no number$"),
        (LogMissing("no log there"), LogMissing, "^no log there$"),
    ],
)
def test_what_is_raised_becomes_one_line(error: Exception, kind: type[LogError], said: str) -> None:
    with pytest.raises(LogError, match=said) as raised, one_line(Path("here")):
        raise error
    assert type(raised.value) is kind
    assert "\n" not in str(raised.value)

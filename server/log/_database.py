"""Opening the database so that what is acknowledged is on the disk."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import platformdirs

from server.log import _schema
from server.log._errors import LogError, LogMissing, one_line

FILE_NAME = "spotwright.db"
PATIENCE_S = 10.0  # how long to wait for another program that writes


def default_folder() -> Path:
    """The platform's place for a user's data, where the log lives unless told otherwise."""
    return platformdirs.user_data_path("spotwright", appauthor=False)


def fsync_folder(folder: Path) -> None:
    """Make a new or renamed entry of ``folder`` survive a power cut (see fsync(2), NOTES)."""
    if os.name == "nt":
        return  # Windows cannot open a folder; it orders its own metadata
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_for_good(path: Path, text: str) -> None:
    """Write a small text whole or not at all; it survives a power cut once this returns. Raises OSError."""
    part = path.with_suffix(".part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    fsync_folder(path.parent)


def make_folder(folder: Path) -> None:
    """Make ``folder`` and its parents, each entered in its parent for good."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for place in reversed(missing):
        fsync_folder(place.parent)


def connect(path: Path, *, mode: str, extra: str = "") -> sqlite3.Connection:
    """A connection in autocommit mode; ``mode`` is SQLite's URI parameter: ro, rw or rwc."""
    uri = f"{path.absolute().as_uri()}?mode={mode}{extra}"
    db = sqlite3.connect(uri, uri=True, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA foreign_keys = ON")
    return db


def open_writer(folder: Path, *, create: bool) -> sqlite3.Connection:
    """A connection that writes: WAL with full sync, tables of the newest version.

    Raises LogMissing without a log (unless ``create``), LogError with the reason in one line.
    """
    path = folder / FILE_NAME
    with one_line(path):
        if create:
            make_folder(folder)
        elif not path.is_file():
            raise LogMissing(f"{folder}: no log there yet; the first saved reading makes one")
        is_new = not path.exists()
        db = connect(path, mode="rwc")
        try:
            _set_up(db, path)
        except BaseException:
            db.close()
            raise
        if is_new:
            fsync_folder(folder)
        return db


def _set_up(db: sqlite3.Connection, path: Path) -> None:
    if db.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
        raise LogError(f"{path}: this disk cannot hold a write-ahead log (a network share?); use a local one")
    # FULL: in WAL mode each commit is synced before it returns, https://www.sqlite.org/pragma.html#pragma_synchronous
    db.execute("PRAGMA synchronous = FULL")
    try:
        _schema.migrate(db)
    except LogError as error:
        raise LogError(f"{path}: {error}") from error


def open_reader(folder: Path) -> sqlite3.Connection:
    """A connection that never writes, also on a read-only disk; refuses tables of another version."""
    path = folder / FILE_NAME
    db = open_any_version(folder)
    try:
        with one_line(path):
            _schema.check_version(db)
    except LogError as error:
        db.close()
        raise LogError(f"{path}: {error}") from error
    return db


def open_any_version(folder: Path) -> sqlite3.Connection:
    """As :func:`open_reader`, whatever the version of the tables and whosever the database is."""
    path = folder / FILE_NAME
    with one_line(path):
        if not path.is_file():
            raise LogMissing(f"{folder}: no log there yet; the first saved reading makes one")
        return _connect_reader(path)


def _connect_reader(path: Path) -> sqlite3.Connection:
    db = connect(path, mode="ro")
    try:
        db.execute("SELECT count(*) FROM sqlite_master")
        return db
    except sqlite3.OperationalError:
        db.close()
        if _has_content(path.with_name(path.name + "-wal")):
            raise  # its newest entries are in a file that a read-only disk does not let us join
    except sqlite3.Error:
        db.close()
        raise
    return connect(path, mode="ro", extra="&immutable=1")


def _has_content(path: Path) -> bool:
    return path.exists() and path.stat().st_size > 0


def copy_at_newest(folder: Path, into: sqlite3.Connection) -> None:
    """Copy the log in ``folder``, as it is at this moment, into an empty database of the newest version."""
    path = folder / FILE_NAME
    with closing(open_any_version(folder)) as db, one_line(path):
        db.backup(into)
        try:
            _schema.migrate(into)
        except LogError as error:
            raise LogError(f"{path}: {error}") from error

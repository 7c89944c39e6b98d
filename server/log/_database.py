"""Open the database so that everything acknowledged is on disk."""

from __future__ import annotations

import os
import secrets
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import BinaryIO

import platformdirs

from server.log import _schema
from server.log._errors import Damaged, LogError, LogMissing, one_line
from server.log._file_format import committed_frames
from server.log._progress import Tell, no_progress
from server.log._salvage import Salvage, salvage, write

FILE_NAME = "spotwright.db"
PART = ".part"  # ends the name of a file that is not whole yet
PATIENCE_S = 10.0  # how long to wait for another program that writes
_PAGES_AT_ONCE = 1000  # pages copied in one step


def default_folder() -> Path:
    """Return the user data folder of this system, the log's default folder."""
    return platformdirs.user_data_path("spotwright", appauthor=False)


def fsync(path: Path) -> None:
    """Make what was written to a file survive a power cut."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def fsync_folder(folder: Path) -> None:
    """Make a new or renamed entry of ``folder`` survive a power cut (see fsync(2), NOTES)."""
    if os.name == "nt":
        return  # Windows cannot open a folder; it orders its own metadata
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_disk(folder: Path) -> bool:
    """Make everything written to the disk of ``folder`` survive a power cut; False if the system cannot.

    One call for many files: a hundred times faster than a sync of each. Linux's syncfs(2) waits until all is
    written and reports what could not be (since version 5.8). Raises OSError.
    """
    if sys.platform != "linux":
        return False
    import ctypes  # slow to import, so only when many pictures are copied

    handle = os.open(folder, os.O_RDONLY)
    try:
        if ctypes.CDLL(None, use_errno=True).syncfs(handle) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number), str(folder))
    finally:
        os.close(handle)
    return True


def write_for_good(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all; it survives a power cut once this returns. Raises OSError."""
    with written_whole(path) as file:
        file.write(content.encode() if isinstance(content, str) else content)


@contextmanager
def written_whole(path: Path, *, sync: bool = True) -> Iterator[BinaryIO]:
    """Yield a file to write, which replaces ``path`` when the block ends and is removed if it raises.

    sync : make it survive a power cut; if not, the caller does that later or need not. Raises OSError.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}{PART}")
    try:
        with part.open("xb") as file:
            yield file
            file.flush()
            if sync:
                os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        error.filename = error.filename and str(path)  # the temporary name means nothing to a person
        error.filename2 = None
        raise
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    if sync:
        fsync_folder(path.parent)


def make_folder(folder: Path) -> None:
    """Make ``folder`` and its parents so that they survive a power cut."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for place in reversed(missing):
        fsync_folder(place.parent)


def connect(path: Path, *, mode: str, extra: str = "") -> sqlite3.Connection:
    """A connection in autocommit mode; ``mode`` is SQLite's URI parameter: ro, rw or rwc."""
    uri = f"{path.absolute().as_uri()}?mode={mode}{extra}"
    db = sqlite3.connect(uri, uri=True, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False)
    db.text_factory = _text  # text that is no longer UTF-8 is found by its row's checksum
    db.execute("PRAGMA foreign_keys = ON")
    return db


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


# offset in the file's head, how many bytes, what may stand there in a log: section 1.3 of
# https://www.sqlite.org/fileformat2.html
_FILE_HEAD = (
    (0, 16, (int.from_bytes(b"SQLite format 3\0", "big"),)),
    (16, 2, (1, *(1 << n for n in range(9, 16)))),
    (18, 2, (0x0101, 0x0202)),  # written and read with a rollback journal, or with a write-ahead log
    (21, 3, (0x402020,)),
    (44, 4, (4,)),
    (52, 4, (0,)),  # auto-vacuum is off: SQLite moves no pages
    (56, 4, (1,)),  # text is UTF-8
    (64, 4, (0,)),
)


def head_faults(path: Path) -> tuple[str, ...]:
    """What is wrong with the head of a database file; raises LogError.

    SQLite would take it for another kind of database, or only say that it is not a database.
    """
    with one_line(path), path.open("rb") as file:
        head = file.read(100)
    fresh = path.stat().st_size <= int.from_bytes(head[16:18], "big")  # all but its head is still in the WAL
    odd = [at for at, size, good in _FILE_HEAD if not _good(head[at : at + size], good, fresh)]
    return (f"database: the head of the file is damaged (byte {odd[0]})",) if odd else ()


def _good(data: bytes, good: tuple[int, ...], fresh: bool) -> bool:
    value = int.from_bytes(data, "big")
    return value in good or (fresh and value == 0)


def wal_faults(path: Path) -> tuple[str, ...]:
    """What is wrong with the write-ahead log beside a database; raises LogError.

    SQLite silently ignores everything committed after the first damaged byte.
    """
    wal = path.with_name(path.name + "-wal")
    with one_line(wal):
        if not wal.exists():
            return ()
        whole, later = committed_frames(wal.read_bytes())
    if later < 2:  # one that was cut off while it was written is undone, as it should be
        return ()
    return (f"database: its write-ahead log is damaged after {whole} pages; later entries are still in it",)


def open_writer(folder: Path, *, create: bool) -> sqlite3.Connection:
    """A connection that writes: WAL with full sync, tables of the newest version.

    Raises LogMissing without a log (unless ``create``), LogError with the reason in one line.
    """
    path = folder / FILE_NAME
    with one_line(path):
        if create:
            make_folder(folder)
        else:
            there(folder)
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
    with _named(path):
        _schema.migrate(db)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Add the file's name to a LogError raised inside the block."""
    try:
        with one_line(path):
            yield
    except LogError as error:
        named = str(error).startswith(str(path))
        raise error if named else type(error)(f"{path}: {error}") from error


def open_reader(folder: Path) -> sqlite3.Connection:
    """A connection that never writes, also on a read-only disk.

    Raises LogError for tables of another version, Damaged where these are not as they were made.
    """
    path = database_in(folder)
    if faults := head_faults(there(folder)):
        raise Damaged(f"{path}: {faults[0]}")
    db = open_any_version(folder)
    try:
        with _named(path):
            if fault := _schema.schema_fault(db):
                raise Damaged(fault)
            if not _schema.is_newest(db) and (faults := wal_faults(path)):
                raise Damaged(faults[0])  # the tables themselves are still in it
            _schema.check_version(db)
    except BaseException:
        db.close()
        raise
    return db


def database_in(place: Path) -> Path:
    """The database in a folder, or the file itself where one is named."""
    return place if place.is_file() else place / FILE_NAME


def there(folder: Path) -> Path:
    """As :func:`database_in`; LogMissing without one."""
    path = database_in(folder)
    if not path.is_file():
        raise LogMissing(f"{folder}: no log there yet; the first saved reading makes one")
    return path


def open_any_version(folder: Path) -> sqlite3.Connection:
    """As :func:`open_reader`, for any version of the tables and for another program's database too."""
    path = there(folder)
    with one_line(path):
        return _connect_reader(path)


def salvaged_copy(*files: Path) -> tuple[sqlite3.Connection, Salvage]:
    """Return everything readable of a damaged database (and its backups) as a sound one in memory.

    The Salvage's ``lost`` says what is missing. Raises Damaged if nothing is found.
    """
    with one_line(files[0]):
        found = salvage(files)
        if not (found.alignments or found.events or found.entries):
            raise Damaged(f"{files[0]}: is not a log of Spotwright, or nothing of it can be read any more")
        db = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        try:
            write(found, db)
        except BaseException:
            db.close()
            raise
        return db, found


def _connect_reader(path: Path) -> sqlite3.Connection:
    db = connect(path, mode="ro")
    try:
        db.execute("SELECT count(*) FROM sqlite_master")
        return db
    except sqlite3.OperationalError:
        db.close()
        if _has_content(path.with_name(path.name + "-wal")):
            raise  # its newest entries are in the write-ahead log, which a read-only disk cannot merge
    except (sqlite3.Error, UnicodeError):
        db.close()
        raise
    return connect(path, mode="ro", extra="&immutable=1")


def _has_content(path: Path) -> bool:
    return path.exists() and path.stat().st_size > 0


def copy_at_newest(folder: Path, into: sqlite3.Connection, *, tell: Tell = no_progress) -> None:
    """Copy the log in ``folder``, as it is at this moment, into an empty database of the newest version."""
    path = database_in(folder)

    def copied(_: int, left: int, of: int) -> None:
        tell("pages of the database", of - left, of)

    with closing(open_any_version(folder)) as db, one_line(path):
        db.execute("BEGIN")
        db.execute("SELECT 1 FROM sqlite_master").fetchone()  # from now on what others write is not seen
        try:
            db.backup(into, pages=_PAGES_AT_ONCE, progress=copied)
        except sqlite3.Error as error:
            if not _is_of_the_target(error):
                raise
            with one_line(Path(into.execute("PRAGMA database_list").fetchone()[2])):
                raise
        with _named(path):
            _schema.migrate(into)


def _is_of_the_target(error: sqlite3.Error) -> bool:
    """Whether the disk that is written to has failed, not the source."""
    code = getattr(error, "sqlite_errorcode", None) or 0
    reads = (sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ)
    failed = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR)
    return code & 0xFF in failed and code not in reads


@contextmanager
def at_newest(folder: Path) -> Iterator[sqlite3.Connection]:
    """Yield a log of the newest version, to read only: the log itself, or a migrated copy."""
    with closing(open_any_version(folder)) as db:
        with _named(database_in(folder)):
            db.execute("BEGIN")  # one moment in time for all that is read
            newest = _schema.is_newest(db)
        if newest:
            yield db
            return
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as copy:
        copy_at_newest(folder, copy)
        yield copy

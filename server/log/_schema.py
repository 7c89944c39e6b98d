"""The tables, and the migrations from each older version to the newest.

A released version is never edited: a change is a new entry at the end of ``MIGRATIONS``.
"""

from __future__ import annotations

import re
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from functools import cache

from server.log import _checksum
from server.log._errors import LogError

SOURCES = ("practice", "camera", "offline")
KINDS = ("cut", "upkeep", "hours", "reminder")
APPLICATION_ID = 0x53505754  # "SPWT", so that `file` and we can tell our log from any other database

# body is the event as the solver reads it; the columns computed from it let lists, charts and
# exports run at the database's speed instead of parsing each body again.
_VERSION_1 = """
CREATE TABLE alignment (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    uuid TEXT NOT NULL UNIQUE,
    started TEXT NOT NULL,
    source TEXT NOT NULL CHECK (source IN ('practice', 'camera', 'offline')),
    machine TEXT NOT NULL CHECK (json_valid(machine)),
    note TEXT NOT NULL,
    state TEXT CHECK (state IS NULL OR json_valid(state)),
    verdict TEXT CHECK (verdict IS NULL OR json_valid(verdict)),
    done INTEGER NOT NULL DEFAULT 0 CHECK (done IN (0, 1))
);
CREATE TABLE event (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    uuid TEXT NOT NULL UNIQUE,
    alignment_id INTEGER NOT NULL REFERENCES alignment (id),
    sequence INTEGER NOT NULL,
    happened TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    reading TEXT CHECK (reading IS NULL OR json_valid(reading)),
    picture TEXT,
    withdrawn INTEGER NOT NULL DEFAULT 0 CHECK (withdrawn IN (0, 1)),
    kind TEXT NOT NULL AS (json_extract(body, '$.kind')) STORED,
    station TEXT AS (json_extract(body, '$.station')) STORED,
    head_x_mm REAL AS (json_extract(body, '$.head_mm[0]')) STORED,
    head_y_mm REAL AS (json_extract(body, '$.head_mm[1]')) STORED,
    u_mm REAL AS (json_extract(body, '$.offset_mm[0]')) STORED,
    v_mm REAL AS (json_extract(body, '$.offset_mm[1]')) STORED,
    sigma_u_mm REAL AS
        (coalesce(json_extract(body, '$.sigma_mm[0]'), json_extract(body, '$.sigma_mm'))) STORED,
    sigma_v_mm REAL AS
        (coalesce(json_extract(body, '$.sigma_mm[1]'), json_extract(body, '$.sigma_mm'))) STORED,
    mount INTEGER AS (json_extract(body, '$.mount')) STORED,
    screw TEXT AS (json_extract(body, '$.screw')) STORED,
    turns REAL AS (json_extract(body, '$.turns')) STORED,
    part TEXT AS (json_extract(body, '$.part')) STORED,
    move_x_mm REAL AS (json_extract(body, '$.move_mm[0]')) STORED,
    move_y_mm REAL AS (json_extract(body, '$.move_mm[1]')) STORED,
    move_z_mm REAL AS (json_extract(body, '$.move_mm[2]')) STORED,
    cause TEXT AS (json_extract(body, '$.cause')) STORED,
    outcome TEXT AS (json_extract(body, '$.outcome')) STORED,
    UNIQUE (alignment_id, sequence)
);
CREATE INDEX event_by_picture ON event (picture) WHERE picture IS NOT NULL;
"""


# the columns of an event that are computed from its body, and how
COMPUTED: tuple[tuple[str, str], ...] = tuple(
    re.findall(r"^ {4}(\w+) [A-Z ]+ AS\s+\((.*)\) STORED", _VERSION_1, re.M)
)


# version 2: damage to an event can be detected, and the user's rules are kept in the log
_VERSION_2 = """
ALTER TABLE event ADD COLUMN checksum INTEGER;
CREATE INDEX mark_by_station ON event (station, alignment_id, sequence, u_mm, v_mm)
    WHERE kind = 'mark' AND NOT withdrawn;
CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL CHECK (json_valid(value)));
"""


# version 3: what belongs to the laser and not to one pulse: test cuts, upkeep, hours run, reminders
_VERSION_3 = """
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    uuid TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL CHECK (kind IN ('cut', 'upkeep', 'hours', 'reminder')),
    alignment_id INTEGER REFERENCES alignment (id),
    happened TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    picture TEXT,
    withdrawn INTEGER NOT NULL DEFAULT 0 CHECK (withdrawn IN (0, 1)),
    checksum INTEGER NOT NULL
);
CREATE INDEX entry_by_alignment ON entry (alignment_id);
"""


# version 4: damage to any row can be detected; own: whether an alignment was begun here or imported
_VERSION_4 = """
ALTER TABLE alignment ADD COLUMN own INTEGER NOT NULL DEFAULT 1 CHECK (own IN (0, 1));
ALTER TABLE alignment ADD COLUMN head_checksum INTEGER;
ALTER TABLE alignment ADD COLUMN state_checksum INTEGER;
ALTER TABLE alignment ADD COLUMN verdict_checksum INTEGER;
ALTER TABLE setting ADD COLUMN checksum INTEGER;
"""


def older_checksum(uuid: str, happened: str, body: str, reading: str | None) -> int:
    """Return the checksum of versions 2 and 3: CRC-32 over what never changes in an event or an entry."""
    return zlib.crc32("\n".join((uuid, happened, body, reading or "")).encode())


def _add_checksums(db: sqlite3.Connection) -> None:
    _script(_VERSION_2)(db)
    rows = db.execute("SELECT uuid, happened, body, reading, id FROM event")
    sums = [(older_checksum(*row[:4]), row[4]) for row in rows.fetchall()]
    db.executemany("UPDATE event SET checksum = ? WHERE id = ?", sums)


def _seal_everything(db: sqlite3.Connection) -> None:
    _script(_VERSION_4)(db)
    for table, columns in (("event", _checksum.EVENT), ("entry", _checksum.ENTRY)):
        reading = "reading" if table == "event" else "NULL"
        sql = f"SELECT id, checksum, happened, {reading} AS reading, {', '.join(columns)} FROM {table}"
        sums = [(_renewed(row, columns), row["id"]) for row in _rows(db, sql)]
        db.executemany(f"UPDATE {table} SET checksum = ? WHERE id = ?", sums)
    for kept, parts in _checksum.ALIGNMENT.items():
        rows = _rows(db, "SELECT * FROM alignment")
        heads = [(_checksum.sum_of(row, parts), row["id"]) for row in rows]
        db.executemany(f"UPDATE alignment SET {kept} = ? WHERE id = ?", heads)
    settings = [(_checksum.sum_of(row, _checksum.SETTING), row["name"]) for row in _rows(db, _SETTINGS)]
    db.executemany("UPDATE setting SET checksum = ? WHERE name = ?", settings)


_SETTINGS = "SELECT * FROM setting"


def _rows(db: sqlite3.Connection, sql: str) -> list[sqlite3.Row]:
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    return cursor.execute(sql).fetchall()


def _renewed(row: sqlite3.Row, columns: tuple[str, ...]) -> int:
    """Return the new checksum; a row that was damaged by the old one stays damaged."""
    older = row["checksum"]
    texts = (row["uuid"], row["happened"], row["body"], row["reading"])
    whole = older is None or older == older_checksum(*texts)
    return _checksum.sum_of(row, columns) if whole else _checksum.NEVER


def _script(text: str) -> Callable[[sqlite3.Connection], None]:
    def run(db: sqlite3.Connection) -> None:
        # executescript would commit the transaction that holds the whole migration together
        for statement in text.split(";\n"):
            if statement.strip():
                db.execute(statement)

    return run


# every migration must change the tables: sound tables with a wrong version number count as damage
MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    _script(_VERSION_1),
    _add_checksums,
    _script(_VERSION_3),
    _seal_everything,
)
NEWEST = len(MIGRATIONS)


def version(db: sqlite3.Connection) -> int:
    """The version of the tables in ``db``, 0 for an empty file."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


@cache
def tables(of: int) -> frozenset[tuple[str, str | None]]:
    """Return name and SQL of everything in a sound log of that version."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        migrate(db, to=of)
        return frozenset(db.execute("SELECT name, sql FROM sqlite_master"))


def schema_fault(db: sqlite3.Connection) -> str | None:
    """Return what is wrong with a log's tables or its version number; None: nothing."""
    there = frozenset(db.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_stat%'"))
    known = next((number for number in range(NEWEST, 0, -1) if tables(number) == there), None)
    marked = db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    if known is not None:
        return None if marked and version(db) == known else "the version that it says it has is damaged"
    return "the tables are not as they were made" if marked and 0 < version(db) <= NEWEST else None


def _refuse_strangers(db: sqlite3.Connection) -> None:
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables and db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise LogError("this database is not a log of Spotwright; name another folder")
    if version(db) > NEWEST:
        raise LogError(
            f"this log was written by a newer Spotwright (version {version(db)} of the tables, "
            f"this one knows {NEWEST}); update Spotwright"
        )


def is_newest(db: sqlite3.Connection) -> bool:
    """Whether this is a log of the newest version; LogError if it is newer, or not a log."""
    _refuse_strangers(db)
    return version(db) == NEWEST


def check_version(db: sqlite3.Connection) -> None:
    """Raise LogError for a database that cannot be read as it is: another program's, a newer or older log."""
    if not is_newest(db):
        raise LogError("this log is of an older version; open it once where it can be written to")


def migrate(db: sqlite3.Connection, *, to: int = NEWEST) -> None:
    """Bring the tables to version ``to`` in one transaction; never backwards.

    ``to`` is there so that a test can make a log of any older version.
    """
    _refuse_strangers(db)
    if version(db) >= to:
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for step in range(version(db), to):
            MIGRATIONS[step](db)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {to}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise

"""Check the log: the file, its tables, every row, every picture."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from server.log import _checksum as sums
from server.log import _schema
from server.log._database import (
    at_newest,
    head_faults,
    open_any_version,
    salvaged_copy,
    there,
    wal_faults,
)
from server.log._errors import Damaged, LogError, one_line
from server.log._pictures import PictureFolder, name_of
from server.log._progress import Tell, no_progress, with_progress
from server.log._prune import named_pictures

_IN_HEAD = {
    "head_checksum": "its laser's profile or its note",
    "state_checksum": "its state",
    "verdict_checksum": "its verdict",
}


@dataclass(frozen=True)
class Health:
    """What a check found: how much can be read, and each thing that is wrong in one line."""

    alignments: int
    events: int
    pictures: int
    problems: tuple[str, ...]


def check(folder: Path, *, tell: Tell = no_progress) -> Health:
    """Read the whole log and every picture. Damage is reported, not raised; LogMissing without a log."""
    path = there(folder)
    pictures = PictureFolder(path.parent / "pictures")
    try:
        faults = structure_faults(folder)
        if not faults:
            with at_newest(folder) as db, one_line(path):
                return check_database(db, pictures, tell=tell)
        return _what_is_left(path, pictures, faults, tell)
    except LogError as error:
        return Health(0, 0, 0, (str(error),))


def _what_is_left(path: Path, pictures: PictureFolder, faults: tuple[str, ...], tell: Tell) -> Health:
    try:
        db, found = salvaged_copy(path)
    except Damaged:
        return Health(0, 0, 0, faults)
    with closing(db):
        rest = check_database(db, pictures, tell=tell)
    return Health(rest.alignments, rest.events, rest.pictures, (*faults, *found.lost, *rest.problems))


def structure_faults(folder: Path) -> tuple[str, ...]:
    """Return what is wrong with the database file and its tables, apart from the rows; raises LogError."""
    path = there(folder)
    if faults := (*head_faults(path), *wal_faults(path)):
        return faults
    try:
        with closing(open_any_version(folder)) as db, one_line(path):
            fault = _schema.schema_fault(db)
            return (*([f"database: {fault}"] if fault else ()), *_damage(db))
    except Damaged as error:
        return (str(error),)


def _damage(db: sqlite3.Connection) -> tuple[str, ...]:
    """Return each fault as one line; a row from SQLite holds one or many, depending on its version."""
    rows = db.execute("PRAGMA integrity_check").fetchall()
    lines = [line.strip() for (text,) in rows for line in str(text).splitlines()]
    return tuple(f"database: {line}" for line in lines if line not in ("", "ok") and not _is_heading(line))


def _is_heading(line: str) -> bool:
    return line.startswith("*** in database ")


def check_database(db: sqlite3.Connection, pictures: PictureFolder, *, tell: Tell = no_progress) -> Health:
    """Check every row of a database of the newest version, and every picture that it names."""
    names = named_pictures(db)
    problems = (*row_faults(db, tell=tell), *_picture_faults(names, pictures, tell))
    return Health(_count(db, "alignment"), _count(db, "event"), len(names), problems)


def _count(db: sqlite3.Connection, table: str) -> int:
    return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def row_faults(db: sqlite3.Connection, *, tell: Tell = no_progress) -> list[str]:
    """Return one line for each row that is damaged or missing."""
    count = len(sums.ALIGNMENT) * _count(db, "alignment") + 2 * _count(db, "event") + _count(db, "entry")
    rows = with_progress(chain(_altered(db), _shifted(db)), "rows", count + _count(db, "setting"), tell)
    return [*_loose_ends(db), *_gaps(db), *(line for line in rows if line is not None)]


def _loose_ends(db: sqlite3.Connection) -> list[str]:
    rows = db.execute("PRAGMA foreign_key_check").fetchall()
    return [f"{row[0]} {row[1]} belongs to nothing in {row[2]}" for row in rows]


def _gaps(db: sqlite3.Connection) -> list[str]:
    sql = "SELECT alignment_id FROM event GROUP BY 1 HAVING count(*) != max(sequence) OR min(sequence) != 1"
    return [f"alignment {row[0]}: events are missing" for row in db.execute(sql)]


def _altered(db: sqlite3.Connection) -> Iterator[str | None]:
    """For each checksum what is wrong, None for nothing."""
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    for row in cursor.execute("SELECT * FROM alignment ORDER BY id"):
        for kept, columns in sums.ALIGNMENT.items():
            whole = sums.sound(row, columns, kept=kept)
            yield None if whole else f"alignment {row['id']}: {_IN_HEAD[kept]} is damaged"
    for table, columns in (("event", sums.EVENT), ("entry", sums.ENTRY)):
        sql = f"SELECT id, checksum, {', '.join(columns)} FROM {table} ORDER BY id"
        for row in cursor.execute(sql):
            whole = sums.sound(row, columns)
            yield None if whole else f"{table} {row['id']}: its content is damaged"
    for row in cursor.execute("SELECT * FROM setting"):
        whole = sums.sound(row, sums.SETTING)
        yield None if whole else f"the setting {row['name']!a} is damaged; it is as if it had never been set"


def _shifted(db: sqlite3.Connection) -> Iterator[str | None]:
    """Yield for each event None, or a line if its computed columns (for charts) disagree with the body."""
    same = " AND ".join(f"{name} IS {how}" for name, how in _schema.COMPUTED)
    sound = "typeof(body) = 'text' AND json_valid(body)"
    sql = f"SELECT id, CASE WHEN {sound} THEN NOT ({same}) ELSE 0 END FROM event ORDER BY id"
    for number, shifted in db.execute(sql):
        yield f"event {number}: a number beside its content is damaged" if shifted else None


def _picture_faults(names: list[str], pictures: PictureFolder, tell: Tell) -> Iterator[str]:
    for name in with_progress(names, "pictures", len(names), tell):
        if (fault := picture_fault(name, pictures)) is not None:
            yield f"picture {name}: {fault}"


def picture_fault(name: str, pictures: PictureFolder) -> str | None:
    """What is wrong with one picture; None: nothing."""
    try:
        data = pictures.read(name)
    except OSError as error:
        return error.strerror or str(error)
    if data is None:
        return "is missing"
    return None if name_of(data) == name else "is damaged"

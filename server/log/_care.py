"""Is the log whole, a copy of it elsewhere, and back from the copy."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from server.log._database import (
    FILE_NAME,
    PART,
    at_newest,
    connect,
    copy_at_newest,
    fsync,
    fsync_folder,
    make_folder,
    open_any_version,
    write_for_good,
)
from server.log._errors import LogError, LogMissing, one_line
from server.log._pictures import PictureFolder, name_of
from server.log._prune import named_pictures
from server.log._schema import checksum

BESIDE = "lasers"
_PART = FILE_NAME + PART
_COMPANIONS = ("-wal", "-shm")


@dataclass(frozen=True)
class Health:
    """What a check found: how much there is, and each thing that is wrong in one line."""

    alignments: int
    events: int
    pictures: int
    problems: tuple[str, ...]


def check(folder: Path) -> Health:
    """Read the whole log and every picture. Damage is reported, not raised; LogMissing without a log."""
    path = folder / FILE_NAME
    try:
        with closing(open_any_version(folder)) as db, one_line(path):
            damage = _damage(db)
        if damage:
            return Health(0, 0, 0, damage)
        with at_newest(folder) as db, one_line(path):
            return _health(db, PictureFolder(folder / "pictures"))
    except LogMissing:
        raise
    except LogError as error:
        return Health(0, 0, 0, (str(error),))


def _damage(db: sqlite3.Connection) -> tuple[str, ...]:
    """Each fault in a line of its own; SQLite's rows hold one or many lines, and it has changed which."""
    rows = db.execute("PRAGMA integrity_check").fetchall()
    lines = [line.strip() for (text,) in rows for line in str(text).splitlines()]
    return tuple(f"database: {line}" for line in lines if line not in ("", "ok") and not _is_heading(line))


def _is_heading(line: str) -> bool:
    return line.startswith("*** in database ")


def _health(db: sqlite3.Connection, pictures: PictureFolder) -> Health:
    names = named_pictures(db)
    return Health(
        alignments=_count(db, "alignment"),
        events=_count(db, "event"),
        pictures=len(names),
        problems=(*_loose_ends(db), *_gaps(db), *_altered(db), *_picture_faults(names, pictures)),
    )


def _count(db: sqlite3.Connection, table: str) -> int:
    return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def _loose_ends(db: sqlite3.Connection) -> list[str]:
    rows = db.execute("PRAGMA foreign_key_check").fetchall()
    return [f"{row[0]} {row[1]} belongs to nothing in {row[2]}" for row in rows]


def _gaps(db: sqlite3.Connection) -> list[str]:
    sql = "SELECT alignment_id FROM event GROUP BY 1 HAVING count(*) != max(sequence) OR min(sequence) != 1"
    return [f"alignment {row[0]}: events are missing" for row in db.execute(sql)]


def _altered(db: sqlite3.Connection) -> list[str]:
    sql = """SELECT uuid, happened, body, reading, checksum, id, 'event' FROM event WHERE checksum IS NOT NULL
             UNION ALL SELECT uuid, happened, body, NULL, checksum, id, 'entry' FROM entry"""
    return [
        f"{row[6]} {row[5]}: its content is damaged"
        for row in db.execute(sql)
        if checksum(*row[:4]) != row[4]
    ]


def _picture_faults(names: list[str], pictures: PictureFolder) -> list[str]:
    faults = ((name, _picture_fault(name, pictures)) for name in names)
    return [f"picture {name}: {fault}" for name, fault in faults if fault]


def _picture_fault(name: str, pictures: PictureFolder) -> str | None:
    try:
        data = pictures.read(name)
    except OSError as error:
        return str(error.strerror)
    if data is None:
        return "is missing"
    return None if name_of(data) == name else "is damaged"


def back_up(folder: Path, target: Path) -> Health:
    """Copy the log to the folder ``target``; it may be in use meanwhile. An older backup there is renewed.

    What stands in ``target`` stays whole until the new copy is: a power cut leaves the old or the new one.
    """
    with one_line(target):
        if target.exists() and (target.samefile(folder) or not _is_backup_place(target)):
            raise LogError(f"{target}: neither empty nor a backup; name another folder")
        make_folder(target)
        part = _fresh_part(target)
        with closing(connect(part, mode="rwc")) as copy:
            copy_at_newest(folder, copy)
            # one plain file, readable where nothing may be written
            copy.execute("PRAGMA journal_mode = DELETE")
            _copy_pictures(named_pictures(copy), folder, target)
        _copy_beside(folder, target, over=True)
        _put_in_place(part, target / FILE_NAME)
    return check(target)


def _is_backup_place(target: Path) -> bool:
    """Empty, or a backup, or one that was begun and never finished."""
    begun = (target / FILE_NAME).is_file() or (target / _PART).is_file()
    return begun or (target.is_dir() and not any(target.iterdir()))


def _copy_beside(source: Path, target: Path, *, over: bool) -> None:
    """The laser profiles that the page keeps beside the log; ``over`` replaces those that are there."""
    for path in sorted((source / BESIDE).glob("*")):
        goal = target / BESIDE / path.name
        if path.is_file() and path.suffix != PART and (over or not goal.exists()):
            make_folder(goal.parent)
            write_for_good(goal, path.read_bytes())


def _fresh_part(folder: Path) -> Path:
    part = folder / _PART
    for leftover in (part, *(part.with_name(part.name + end) for end in (*_COMPANIONS, "-journal"))):
        leftover.unlink(missing_ok=True)
    return part


def _copy_pictures(names: list[str], source: Path, target: Path) -> None:
    """Bring what is missing or damaged in ``target``; all of it is on the disk afterwards."""
    come_from, go_to = PictureFolder(source / "pictures"), PictureFolder(target / "pictures")
    new = []
    for name in names:
        kept = go_to.read(name)
        if kept is None or name_of(kept) != name:
            data = come_from.read(name)
            new += [] if data is None else [go_to.keep(data, sync=False)]
    go_to.sync(new)


def _put_in_place(part: Path, path: Path) -> None:
    fsync(part)
    part.replace(path)
    fsync_folder(path.parent)


def restore(backup: Path, folder: Path, *, replace: bool = False) -> Health:
    """Put the log that was backed up (or any log) into ``folder``.

    A damaged backup is refused. A log that stands there is refused unless ``replace``, and then kept beside
    the new one as ``spotwright-replaced-N.db``; pictures and laser profiles are only ever added. Raises
    LogError; until the last moment nothing has changed.
    """
    _refuse_damaged(backup)
    path = folder / FILE_NAME
    with one_line(path):
        if path.exists() and not replace:
            raise LogError(f"{path}: there is a log already; say --replace to put it aside and go on")
        make_folder(folder)
        part = _fresh_part(folder)
        with closing(connect(part, mode="rwc")) as copy:
            copy_at_newest(backup, copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            _copy_pictures(named_pictures(copy), backup, folder)
        _copy_beside(backup, folder, over=False)
        if path.exists():
            _put_aside(path)
        _put_in_place(part, path)
    return check(folder)


def _refuse_damaged(backup: Path) -> None:
    problems = check(backup).problems
    if problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise LogError(f"{backup}: this backup is not whole: {problems[0]}{more}; nothing was changed")


def _put_aside(path: Path) -> None:
    _close_for_good(path)
    number = 1
    while (aside := path.with_name(f"spotwright-replaced-{number}.db")).exists():
        number += 1
    for end in _COMPANIONS:  # only left where the old log is damaged; they must not meet the new one
        with suppress(FileNotFoundError):
            os.replace(path.with_name(path.name + end), aside.with_name(aside.name + end))
    shutil.copy2(path, aside)
    fsync_folder(path.parent)


def _close_for_good(path: Path) -> None:
    """Fold the write-ahead log into the file; refused by SQLite while another program has the log open."""
    try:
        with closing(connect(path, mode="rw")) as db:
            db.execute("PRAGMA busy_timeout = 500")
            db.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        raise LogError(f"{path}: the log is in use; stop 'spotwright serve' first") from error
    except sqlite3.DatabaseError:
        return  # damaged, which is why it is being replaced

"""Put a damaged log aside, and a sound one with everything readable in its place."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from server.log._check import check, check_database, structure_faults
from server.log._database import (
    FILE_NAME,
    PART,
    connect,
    database_in,
    fsync,
    fsync_folder,
    make_folder,
    salvaged_copy,
)
from server.log._errors import Damaged, LogError, LogMissing, one_line
from server.log._pictures import PictureFolder, name_of
from server.log._progress import Tell, no_progress, with_progress
from server.log._prune import keep_setting, named_pictures, rule_in

COMPANIONS = ("-wal", "-shm")


@dataclass(frozen=True)
class Rescue:
    """The result of a rescue: how much was saved, what is lost (a line each), where the damaged log is."""

    alignments: int
    events: int
    pictures: int
    lost: tuple[str, ...]
    aside: Path | None


def rescue(folder: Path, backups: Sequence[Path] = (), *, tell: Tell = no_progress) -> Rescue:
    """Replace the log in ``folder`` by a sound one with everything readable from it and these backups.

    The damaged log stays beside it as ``spotwright-damaged-N.db``. A sound log is left as it is; if there is
    none, only the backups are read. Raises LogError; nothing changes until the last moment.
    """
    path = folder / FILE_NAME
    files = [place for place in (path, *map(database_in, backups)) if place.is_file()]
    if not files:
        raise LogMissing(f"{folder}: no log there, and no backup named that could be read")
    if path.is_file() and (whole := check(folder, tell=tell)).problems == ():
        return Rescue(whole.alignments, whole.events, whole.pictures, (), None)
    with one_line(path):
        make_folder(folder)
        part, lost = _salvaged_part(folder, files)
        with closing(connect(part, mode="rw")) as db:
            _bring_pictures(db, folder, backups, tell)
            health = check_database(db, PictureFolder(folder / "pictures"), tell=tell)
        aside = put_aside(path, "damaged") if path.is_file() else None
        put_in_place(part, path)
    return Rescue(health.alignments, health.events, health.pictures, (*lost, *health.problems), aside)


def rescue_if_damaged(folder: Path) -> Rescue | None:
    """As :func:`rescue`, but only if the database is too damaged to be written to."""
    path = folder / FILE_NAME
    if not path.is_file() or not path.stat().st_size:
        return None
    try:
        faults = structure_faults(folder)
    except LogError:
        return None  # opening it says what it is
    if not faults:
        return None
    with suppress(Damaged):  # not one row of ours in it
        return rescue(folder)
    return None


def rescued_file(folder: Path, target: Path) -> tuple[int, tuple[str, ...]]:
    """Write what can be read of the log in ``folder`` to the file ``target``: its events, what is lost."""
    part, lost = _salvaged_part(target.parent, [folder / FILE_NAME], name=target.name + PART)
    with closing(connect(part, mode="rw")) as db:
        count = int(db.execute("SELECT count(*) FROM event").fetchone()[0])
    put_in_place(part, target)
    return count, lost


def _salvaged_part(
    folder: Path, files: Sequence[Path], *, name: str = FILE_NAME + PART
) -> tuple[Path, tuple[str, ...]]:
    part = fresh_part(folder, name)
    copy, found = salvaged_copy(*files)
    with closing(copy), closing(connect(part, mode="rwc")) as db:
        copy.backup(db)
        _keep_rule(files[0], db)
        db.execute("PRAGMA journal_mode = DELETE")
    return part, tuple(found.lost)


def _keep_rule(path: Path, db: sqlite3.Connection) -> None:
    """Copy the rule for pictures if SQLite can still read it; without one no picture is deleted."""
    with suppress(sqlite3.Error, LogError, ValueError), closing(connect(path, mode="ro")) as old:
        keep_setting(db, "pictures", rule_in(old).as_json())


def _bring_pictures(db: sqlite3.Connection, folder: Path, backups: Sequence[Path], tell: Tell) -> None:
    for backup in backups:
        place = backup.parent if backup.is_file() else backup
        copy_pictures(named_pictures(db), place, folder, tell)


def copy_pictures(names: list[str], source: Path, target: Path, tell: Tell = no_progress) -> None:
    """Copy the pictures that are missing or damaged in ``target``; all are on disk afterwards.

    Raises LogError that says which of the two folders failed.
    """
    come_from, go_to = PictureFolder(source / "pictures"), PictureFolder(target / "pictures")
    new = []
    for name in with_progress(names, "pictures", len(names), tell):
        with one_line(go_to.folder / name):
            kept = go_to.read(name)
        if kept is None or name_of(kept) != name:
            with one_line(come_from.folder / name):
                data = come_from.read(name)
            if data is not None and name_of(data) == name:
                with one_line(go_to.folder / name):
                    new.append(go_to.keep(data, sync=False))
    with one_line(go_to.folder):
        go_to.sync(new)


def fresh_part(folder: Path, name: str = FILE_NAME + PART) -> Path:
    """Return the path where a new database is built; removes what an earlier attempt left there."""
    part = folder / name
    for leftover in (part, *(part.with_name(part.name + end) for end in (*COMPANIONS, "-journal"))):
        leftover.unlink(missing_ok=True)
    return part


def put_in_place(part: Path, path: Path) -> None:
    """Move a finished database into its place, so that it survives a power cut."""
    fsync(part)
    part.replace(path)
    fsync_folder(path.parent)


def put_aside(path: Path, why: str) -> Path:
    """Keep the database that another will replace as ``spotwright-WHY-N.db``; returns where."""
    _close_for_good(path)
    number = 1
    while (aside := path.with_name(f"spotwright-{why}-{number}.db")).exists():
        number += 1
    try:
        os.link(path, aside)
    except OSError:  # this file system has no hard links
        shutil.copy2(path, aside)
    for end in COMPANIONS:  # only left where the old log is damaged; they must not meet the new one
        with suppress(FileNotFoundError):
            os.replace(path.with_name(path.name + end), aside.with_name(aside.name + end))
    fsync_folder(path.parent)
    return aside


def _close_for_good(path: Path) -> None:
    """Fold the write-ahead log into the file; refused by SQLite while another program has the log open."""
    if structure_faults(path.parent):
        return  # SQLite could drop what is in it
    try:
        with closing(connect(path, mode="rw")) as db:
            db.execute("PRAGMA busy_timeout = 500")
            db.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        raise LogError(f"{path}: the log is in use; stop 'spotwright serve' first") from error

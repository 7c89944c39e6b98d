"""Back up the log to another folder, and restore it from there."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from server.log._check import Health, check, check_database, structure_faults
from server.log._database import (
    FILE_NAME,
    PART,
    connect,
    copy_at_newest,
    make_folder,
    there,
    write_for_good,
)
from server.log._errors import LogError, one_line
from server.log._pictures import PictureFolder
from server.log._progress import Tell, no_progress
from server.log._prune import named_pictures
from server.log._rescue import (
    copy_pictures,
    fresh_part,
    put_aside,
    put_in_place,
    rescued_file,
)

BESIDE = "lasers"
RESCUED = "spotwright-rescued.db"  # beside a backup: what could be read when the log was damaged
_PART = FILE_NAME + PART


def back_up(folder: Path, target: Path, *, tell: Tell = no_progress) -> Health:
    """Copy the log to the folder ``target``, even while it is in use; replaces an older backup there.

    The old backup stays until the new copy has been checked: a power cut leaves the old or the new one. A
    damaged database never replaces a backup: everything readable is written beside the backup, as
    ``spotwright-rescued.db``, and the result's problems say so. Damaged or missing pictures are listed in the
    problems too, but do not stop the backup: a good one in ``target`` stays.
    """
    there(folder)
    with one_line(target):
        if target.exists() and (target.samefile(folder) or not _is_backup_place(target)):
            raise LogError(f"{target}: neither empty nor a backup; name another folder")
        make_folder(target)
        faults = structure_faults(folder)
        part = fresh_part(target)
        if faults:
            return _rescued_beside(folder, target, faults, tell)
        faults, health = _copied(folder, target, part, tell)
        if faults:
            part.unlink(missing_ok=True)
            return _rescued_beside(folder, target, faults, tell)
        _copy_beside(folder, target, over=True)
        put_in_place(part, target / FILE_NAME)
        (target / RESCUED).unlink(missing_ok=True)
    return health


def _copied(folder: Path, target: Path, part: Path, tell: Tell) -> tuple[tuple[str, ...], Health]:
    """Copy database and pictures; returns the faults of the rows, and the whole result."""
    with closing(connect(part, mode="rwc")) as copy:
        copy_at_newest(folder, copy, tell=tell)
        # one plain file, readable where nothing may be written
        copy.execute("PRAGMA journal_mode = DELETE")
        copy_pictures(named_pictures(copy), folder, target, tell)
        health = check_database(copy, PictureFolder(target / "pictures"), tell=tell)
    return tuple(line for line in health.problems if not line.startswith("picture ")), health


def _rescued_beside(folder: Path, target: Path, faults: tuple[str, ...], tell: Tell) -> Health:
    _, lost = rescued_file(folder, target / RESCUED)
    with closing(connect(target / RESCUED, mode="ro")) as copy:
        copy_pictures(named_pictures(copy), folder, target, tell)
        health = check_database(copy, PictureFolder(target / "pictures"), tell=tell)
    old = "; the previous backup is unchanged" if (target / FILE_NAME).exists() else ""
    line = f"{folder}: this log is damaged: what can be read of it is in {target / RESCUED}{old}"
    return Health(health.alignments, health.events, health.pictures, (line, *faults, *lost, *health.problems))


def _is_backup_place(target: Path) -> bool:
    """Whether the folder is empty, holds a backup, or one that was never finished."""
    begun = any((target / name).is_file() for name in (FILE_NAME, _PART, RESCUED))
    return begun or (target.is_dir() and not any(target.iterdir()))


def _copy_beside(source: Path, target: Path, *, over: bool) -> None:
    """The laser profiles that the page keeps beside the log; ``over`` replaces those that are there."""
    for path in sorted((source / BESIDE).glob("*")):
        goal = target / BESIDE / path.name
        if path.is_file() and path.suffix != PART and (over or not goal.exists()):
            with one_line(path):
                content = path.read_bytes()
            make_folder(goal.parent)
            write_for_good(goal, content)


def restore(backup: Path, folder: Path, *, replace: bool = False, tell: Tell = no_progress) -> Health:
    """Restore a backup (or any log) into ``folder``; ``backup`` is its folder or its database file.

    A damaged backup is refused. So is a ``folder`` that already has a log, unless ``replace``: then that log
    is kept beside the new one as ``spotwright-replaced-N.db``. Pictures and laser profiles are only ever
    added. Raises LogError; nothing changes until the last moment.
    """
    place = backup.parent if backup.is_file() else backup
    _refuse_damaged(backup, tell)
    path = folder / FILE_NAME
    with one_line(path):
        if path.exists() and not replace:
            raise LogError(f"{path}: there is a log already; use --replace to put it aside")
        make_folder(folder)
        part = fresh_part(folder)
        with closing(connect(part, mode="rwc")) as copy:
            copy_at_newest(backup, copy, tell=tell)
            copy.execute("PRAGMA journal_mode = DELETE")
            copy_pictures(named_pictures(copy), place, folder, tell)
        _copy_beside(place, folder, over=False)
        if path.exists():
            put_aside(path, "replaced")
        put_in_place(part, path)
    return check(folder, tell=tell)


def _refuse_damaged(backup: Path, tell: Tell) -> None:
    problems = check(backup, tell=tell).problems
    if problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        way = f"'spotwright log rescue {backup}' saves everything readable"
        raise LogError(f"{backup}: this backup is not whole: {problems[0]}{more}; nothing was changed. {way}")

"""Check finds each kind of damage; a backup restores everything; nothing is replaced without being asked."""

from __future__ import annotations

import ctypes
import errno
import io
import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest

from server.log import Log, LogError, LogMissing, back_up, check, default_folder, rescue, restore
from server.log._check import _damage
from server.log._database import sync_disk, write_for_good, written_whole
from server.log._pictures import PictureFolder

MACHINE = {"name": "one"}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}
JPEG = b"\xff\xd8\xff a picture"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def log(data: Path) -> Iterator[Log]:
    with Log(data) as opened:
        number = opened.start_alignment(machine=MACHINE, source="camera")
        opened.add_event(number, TURN, picture=JPEG)
        opened.add_event(number, TURN)
        yield opened


def exported(folder: Path) -> str:
    stream = io.StringIO()
    with Log(folder, access="read-only") as log:
        log.export_json(stream)
    return stream.getvalue()


def picture_file(data: Path) -> Path:
    (path,) = (data / "pictures").glob("*/*")
    return path


def change(data: Path, sql: str) -> None:
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute(sql)


def test_whole_log_is_whole(log: Log, data: Path) -> None:
    health = check(data)
    assert (health.alignments, health.events, health.pictures, health.problems) == (1, 2, 1, ())


def test_missing_picture_is_found(log: Log, data: Path) -> None:
    picture_file(data).unlink()
    (problem,) = check(data).problems
    assert problem.startswith("picture ") and problem.endswith("is missing")


def test_a_backup_tells_how_much_is_copied(
    log: Log, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.log._database._PAGES_AT_ONCE", 1)
    progress: list[tuple[str, int, int]] = []
    back_up(data, tmp_path / "copy", tell=lambda *words: progress.append(words))
    pages = [(done, of) for what, done, of in progress if what == "pages of the database"]
    assert len(pages) > 5
    assert pages == [(number, len(pages)) for number in range(1, len(pages) + 1)]


def test_damaged_picture_is_found(log: Log, data: Path) -> None:
    picture_file(data).write_bytes(JPEG[:-1])
    (problem,) = check(data).problems
    assert problem.endswith("is damaged")


def test_a_picture_that_cannot_be_read_is_said(log: Log, data: Path) -> None:
    picture = picture_file(data)
    picture.unlink()
    picture.mkdir()
    (problem,) = check(data).problems
    assert problem.startswith("picture ") and problem.endswith(": Is a directory")


def test_missing_event_is_found(log: Log, data: Path) -> None:
    change(data, "DELETE FROM event WHERE sequence = 1")
    assert check(data).problems == ("alignment 1: events are missing",)


@pytest.mark.parametrize("column", ["body", "happened", "reading"])
def test_altered_event_is_found(log: Log, data: Path, column: str) -> None:
    change(data, f'UPDATE event SET {column} = \'{{"kind": "turn", "turns": 0.6}}\' WHERE id = 2')
    assert check(data).problems == ("event 2: its content is damaged",)


def test_event_of_no_alignment_is_found(log: Log, data: Path) -> None:
    change(data, "DELETE FROM alignment")
    assert "event 1 belongs to nothing in alignment" in check(data).problems


@pytest.mark.parametrize("at", [0.3, 0.6, 0.9])
def test_overwritten_database_is_found(data: Path, at: float) -> None:
    with Log(data) as log:
        number = log.start_alignment(machine=MACHINE, source="camera")
        for _ in range(200):
            log.add_event(number, TURN)
    path = data / "spotwright.db"
    content = bytearray(path.read_bytes())
    start = int(at * len(content)) // 4096 * 4096
    content[start : start + 4096] = bytes(4096)
    path.write_bytes(content)
    problems = check(data).problems
    assert problems and all("\n" not in problem for problem in problems)


@pytest.mark.parametrize(
    "rows",
    [
        ["*** in database main ***", "Tree 8 page 8: code 11", "Page 9: never used"],
        ["*** in database main ***\nTree 8 page 8: code 11\nPage 9: never used"],
        ["*** in database main ***\nTree 8 page 8: code 11", "Page 9: never used\n"],
    ],
)
def test_each_fault_is_a_line_of_its_own_whatever_rows_sqlite_puts_them_in(rows: list[str]) -> None:
    class Answering(sqlite3.Connection):
        def execute(self, sql: str, *_: object) -> sqlite3.Cursor:
            assert sql == "PRAGMA integrity_check"
            return super().execute("VALUES " + ", ".join("(?)" for _ in rows), rows)

    with closing(sqlite3.connect(":memory:", factory=Answering)) as db:
        assert _damage(db) == (
            "database: Tree 8 page 8: code 11",
            "database: Page 9: never used",
        )


def test_no_log_is_not_a_healthy_one(tmp_path: Path) -> None:
    with pytest.raises(LogMissing):
        check(tmp_path)


def test_backup_and_restore_bring_everything_back(log: Log, data: Path, tmp_path: Path) -> None:
    assert back_up(data, tmp_path / "copy").problems == ()
    assert restore(tmp_path / "copy", tmp_path / "new").events == 2
    assert exported(tmp_path / "new") == exported(data)
    with Log(tmp_path / "new") as again:
        assert again.picture(1) == JPEG
        again.add_event(1, TURN)  # and it goes on from there


def test_laser_profiles_go_along(log: Log, data: Path, tmp_path: Path) -> None:
    for place, text in ((data, "old"), (tmp_path / "new", "kept")):
        (place / "lasers").mkdir(parents=True, exist_ok=True)
        (place / "lasers" / "one.json").write_text(text)
    (data / "lasers" / "two.json").write_text("two")
    (data / "access-code").write_text("secret")
    back_up(data, tmp_path / "copy")
    (data / "lasers" / "one.json").write_text("newer")
    back_up(data, tmp_path / "copy")
    assert (tmp_path / "copy" / "lasers" / "one.json").read_text() == "newer"
    assert not (tmp_path / "copy" / "access-code").exists()
    restore(tmp_path / "copy", tmp_path / "new")
    texts = [path.read_text() for path in sorted((tmp_path / "new" / "lasers").iterdir())]
    assert texts == ["kept", "two"]


def test_backup_is_renewed(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    log.add_event(1, TURN, picture=JPEG + b"2")
    assert back_up(data, tmp_path / "copy").pictures == 2
    assert exported(tmp_path / "copy") == exported(data)


def test_a_damaged_picture_in_a_backup_is_replaced(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    picture_file(tmp_path / "copy").write_bytes(b"")  # as a power cut before the sync may leave it
    assert back_up(data, tmp_path / "copy").problems == ()
    assert picture_file(tmp_path / "copy").read_bytes() == JPEG


def test_a_good_picture_in_a_backup_stays_when_the_log_s_own_is_damaged(
    log: Log, data: Path, tmp_path: Path
) -> None:
    back_up(data, tmp_path / "copy")
    picture_file(data).write_bytes(b"no more a picture")
    assert back_up(data, tmp_path / "copy").problems == ()
    assert picture_file(tmp_path / "copy").read_bytes() == JPEG


def test_a_backup_that_was_cut_off_can_be_done_again(
    log: Log, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dies(_: Path) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr("server.log._pictures.sync_disk", dies)
        with pytest.raises(LogError, match="the disk is full"):
            back_up(data, tmp_path / "copy")
    with pytest.raises(LogMissing):
        check(tmp_path / "copy")  # nothing there pretends to be a backup
    assert back_up(data, tmp_path / "copy").problems == ()
    assert exported(tmp_path / "copy") == exported(data)
    assert not list((tmp_path / "copy").rglob("*.part"))


@pytest.mark.parametrize("together", [True, False])
def test_what_was_kept_without_sync_is_synced_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, together: bool
) -> None:
    """fsync(2): a file's content and its name in the folder are two things to sync."""
    synced: list[Path] = []

    def all_at_once(folder: Path) -> bool:
        synced.append(folder)
        return together

    monkeypatch.setattr("server.log._pictures.sync_disk", all_at_once)
    monkeypatch.setattr("server.log._pictures.fsync", synced.append)
    monkeypatch.setattr("server.log._pictures.fsync_folder", synced.append)
    pictures = PictureFolder(tmp_path)
    name = pictures.keep(JPEG, sync=False)
    pictures.sync([name])
    assert synced == [tmp_path, *([] if together else [tmp_path / name, (tmp_path / name).parent])]


@pytest.mark.skipif(sys.platform != "linux", reason="the call is Linux's")
def test_the_whole_disk_is_synced_and_a_failure_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert sync_disk(tmp_path)
    with pytest.raises(FileNotFoundError):
        sync_disk(tmp_path / "gone")
    fails = SimpleNamespace(syncfs=lambda _: ctypes.set_errno(errno.EIO) or -1)
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: fails)
    with pytest.raises(OSError, match="Input/output error"):
        sync_disk(tmp_path)


def test_another_system_syncs_each_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.log._database.sys", SimpleNamespace(platform="darwin"))
    assert not sync_disk(tmp_path)


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError, OSError])
def test_a_file_that_was_not_written_to_its_end_leaves_nothing(
    tmp_path: Path, error: type[BaseException]
) -> None:
    with pytest.raises(error), written_whole(tmp_path / "file") as file:
        file.write(b"half")
        raise error
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("place", ["none/file", "folder"])
def test_a_file_that_cannot_be_written_is_named_as_it_would_be(tmp_path: Path, place: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError) as failed:
        write_for_good(tmp_path / place, b"x")
    assert (failed.value.filename, failed.value.filename2) == (str(tmp_path / place), None)
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_backup_never_goes_where_other_things_are(log: Log, data: Path, tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("a")
    for place in (tmp_path / "letters", data):
        with pytest.raises(LogError, match="name another folder"):
            back_up(data, place)


def test_backup_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(LogMissing):
        back_up(tmp_path / "nowhere", tmp_path / "copy")


def test_restore_replaces_nothing_unasked(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    log.add_event(1, TURN)
    log.close()
    with pytest.raises(LogError, match="--replace"):
        restore(tmp_path / "copy", data)
    newer = exported(data)
    restore(tmp_path / "copy", data, replace=True)
    assert exported(data) == exported(tmp_path / "copy")
    (data / "spotwright-replaced-1.db").rename(tmp_path / "spotwright.db")
    assert exported(tmp_path) == newer


def test_each_log_that_is_put_aside_has_its_own_name(
    log: Log, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "as on a stick")

    back_up(data, tmp_path / "copy")
    log.close()
    for _ in range(2):
        before = (data / "spotwright.db").read_bytes()
        restore(tmp_path / "copy", data, replace=True)
        monkeypatch.setattr(os, "link", no_links)
    assert (data / "spotwright-replaced-1.db").exists()
    assert (data / "spotwright-replaced-2.db").read_bytes() == before


def test_rescue_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(LogMissing, match="no backup named"):
        rescue(tmp_path, [tmp_path / "none"])


def test_restore_refuses_a_log_in_use(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    before = exported(data)
    with pytest.raises(LogError, match="in use; stop 'spotwright serve' first"):
        restore(tmp_path / "copy", data, replace=True)
    assert exported(data) == before


def test_damaged_backup_is_refused(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    picture_file(tmp_path / "copy").write_bytes(b"")
    with pytest.raises(LogError, match=r"not whole: picture .* is damaged; nothing was changed"):
        restore(tmp_path / "copy", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_restore_heals_a_damaged_log(log: Log, data: Path, tmp_path: Path) -> None:
    back_up(data, tmp_path / "copy")
    log.close()
    (data / "spotwright.db").write_bytes(b"gone" * 3000)
    (data / "spotwright.db-wal").write_bytes(b"stale" * 3000)
    restore(tmp_path / "copy", data, replace=True)
    assert exported(data) == exported(tmp_path / "copy")
    assert (data / "spotwright-replaced-1.db").read_bytes() == b"gone" * 3000


def test_default_folder_is_the_users_own(own_data_folder: Path) -> None:
    assert default_folder() == own_data_folder / "spotwright"

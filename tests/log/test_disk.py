"""A disk that is full or read-only, a locked log, another file: reported in one line, and nothing is lost."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from pathlib import Path

import pytest

from server.log import Access, Damaged, Log, LogError, LogMissing, _database, _schema, check

MACHINE = {"name": "one"}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}


def one_line(error: pytest.ExceptionInfo[BaseException]) -> str:
    text = str(error.value)
    assert "\n" not in text and text
    return text


def limit_pages(log: Log, spare: int) -> None:
    with log.writing() as db:
        used = db.execute("PRAGMA page_count").fetchone()[0]
        db.execute(f"PRAGMA max_page_count = {used + spare}")


def test_full_database_keeps_what_it_has(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        number = log.start_alignment(machine=MACHINE, source="camera")
        log.add_event(number, TURN)
        limit_pages(log, spare=1)
        with pytest.raises(LogError, match="the disk is full") as error:
            log.add_event(number, TURN | {"screw": "x" * 100_000})
        assert str(tmp_path) in one_line(error)
        assert log.document(number)["events"] == [TURN]
        log.add_event(number, TURN)  # a small one still fits
    assert check(tmp_path).problems == ()


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "cannot be written to"),
        (errno.EIO, "Input/output error"),
    ],
)
def test_picture_that_cannot_be_written_leaves_no_event(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, said: str
) -> None:
    def fails(_: int) -> None:
        raise OSError(number, os.strerror(number))

    with Log(tmp_path) as log:
        alignment = log.start_alignment(machine=MACHINE, source="camera")
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", fails)
            with pytest.raises(LogError, match=said) as error:
                log.add_event(alignment, TURN, picture=b"\xff\xd8\xff")
        one_line(error)
        assert log.events(alignment) == []
        assert [path for path in (tmp_path / "pictures").rglob("*") if path.is_file()] == []
        log.add_event(alignment, TURN, picture=b"\xff\xd8\xff")


_FILLING = """
    import resource, sys
    from pathlib import Path
    from server.log import Access, Damaged, Log, LogError
    log = Log(Path(sys.argv[1]))
    number = log.start_alignment(machine={"name": "one"}, source="camera")
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, 1_000_000))
    try:
        for turns in range(1, 10_000):
            log.add_event(number, {"kind": "turn", "turns": turns, "screw": "x" * 500})
            print(turns, flush=True)
    except LogError as error:
        print(error)
"""


def test_file_that_may_not_grow_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    command = [sys.executable, "-c", textwrap.dedent(_FILLING), str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2])
    *acknowledged, said = done.stdout.splitlines()
    assert str(tmp_path) in said
    assert len(acknowledged) > 20
    with Log(tmp_path) as log:
        kept = [event["turns"] for event in log.document(1)["events"]]
    assert kept[: len(acknowledged)] == [int(turns) for turns in acknowledged]
    assert check(tmp_path).problems == ()


def test_read_only_disk_is_said(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        number = log.start_alignment(machine=MACHINE, source="camera")
        with log.writing() as db:
            db.execute("PRAGMA query_only = ON")  # SQLite then answers as on a read-only disk
        with pytest.raises(LogError, match="cannot be written to") as error:
            log.add_event(number, TURN)
        one_line(error)


def test_log_on_a_read_only_disk_can_be_read(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        number = log.start_alignment(machine=MACHINE, source="camera")
    if subprocess.run(["mount", "--bind", tmp_path, tmp_path], capture_output=True, check=False).returncode:
        pytest.skip("this user may not mount")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", tmp_path], check=True)
        with Log(tmp_path, access="read-only") as log:
            assert log.document(number)["machine"] == MACHINE
        assert check(tmp_path).problems == ()
        with pytest.raises(LogError, match=r"cannot be (written to|opened)") as error:
            Log(tmp_path)
        one_line(error)
    finally:
        subprocess.run(["umount", tmp_path], check=True)


@pytest.mark.parametrize(
    ("error", "wal", "raised"),
    [
        (sqlite3.OperationalError("unable to open"), b"", None),  # as on a read-only disk
        (sqlite3.OperationalError("unable to open"), b"newer entries", LogError),
        (sqlite3.DatabaseError("malformed"), b"", LogError),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), b"", Damaged),
    ],
)
def test_what_cannot_be_asked_for_its_tables_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, wal: bytes, raised: type | None
) -> None:
    Log(tmp_path).close()
    (tmp_path / "spotwright.db-wal").write_bytes(wal)
    asked, connect = [], _database.connect

    class Refuses(sqlite3.Connection):
        closed = 0

        def execute(self, *_: object) -> sqlite3.Cursor:
            raise error

        def close(self) -> None:
            Refuses.closed += 1
            super().close()

    def refuses(path: Path, *, mode: str, extra: str = "") -> sqlite3.Connection:
        asked.append(extra)
        return (
            connect(path, mode=mode, extra=extra) if extra else sqlite3.connect(":memory:", factory=Refuses)
        )

    monkeypatch.setattr(_database, "connect", refuses)
    if raised is None:
        _database.open_any_version(tmp_path).close()
        assert asked == ["", "&immutable=1"]
    else:
        with pytest.raises(raised) as said:
            _database.open_any_version(tmp_path)
        one_line(said)
    assert Refuses.closed == 1


def fails(*_: object) -> tuple[str, ...]:
    raise LogError("the disk fails")


def test_where_the_structure_cannot_be_looked_at_the_log_is_used_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(tmp_path) as log:
        log.start_alignment(machine=MACHINE, source="camera")
    monkeypatch.setattr("server.log._rescue.structure_faults", fails)
    monkeypatch.setattr("server.log._store.structure_faults", fails)
    with Log(tmp_path) as log:
        assert len(json.loads("".join(log.json_texts()))["alignments"]) == 1


def test_log_held_by_another_program_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_database, "PATIENCE_S", 0.01)
    with Log(tmp_path) as log, closing(sqlite3.connect(tmp_path / "spotwright.db")) as other:
        number = log.start_alignment(machine=MACHINE, source="camera")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogError, match="another program holds the log") as error:
            log.add_event(number, TURN)
        one_line(error)
        other.rollback()
        log.add_event(number, TURN)
        assert len(log.events(number)) == 1


@pytest.mark.parametrize("gone", ["moved", "replaced"])
def test_a_log_that_was_moved_away_refuses_writes(tmp_path: Path, gone: str) -> None:
    with Log(tmp_path / "data") as log:
        number = log.start_alignment(machine=MACHINE, source="camera")
        (tmp_path / "data").rename(tmp_path / "elsewhere")
        if gone == "replaced":
            Log(tmp_path / "data").close()
        with pytest.raises(LogError) as error:
            log.add_event(number, TURN)
        one_line(error)
    with Log(tmp_path / "elsewhere") as log:
        assert log.events(number) == []


def test_a_disk_that_holds_no_write_ahead_log_is_refused() -> None:
    path = Path("spotwright.db")
    held = closing(sqlite3.connect(":memory:"))  # SQLite keeps none for it either
    with held as db, pytest.raises(LogError, match="cannot hold a write-ahead log") as error:
        _database._set_up(db, path)
    assert one_line(error).startswith(str(path))


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    with pytest.raises(LogError) as error:
        Log(tmp_path / "data")
    one_line(error)


@pytest.mark.parametrize(
    ("content", "byte"),
    [(b"not a database" * 200, 0), (b"SQLite format 3\0" + bytes(4000), 16), (b"SQLite format 3\0", 16)],
)
def test_file_that_is_no_database(tmp_path: Path, content: bytes, byte: int) -> None:
    (tmp_path / "spotwright.db").write_bytes(content)
    with pytest.raises(LogError) as error:
        Log(tmp_path)
    one_line(error)
    assert check(tmp_path).problems == (f"database: the head of the file is damaged (byte {byte})",)
    assert (tmp_path / "spotwright.db").read_bytes() == content


def test_an_empty_file_is_an_empty_log(tmp_path: Path) -> None:
    (tmp_path / "spotwright.db").touch()
    with Log(tmp_path) as log:
        assert log.alignments() == []
    assert check(tmp_path).problems == ()


def test_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "spotwright.db")) as db:
        db.execute("CREATE TABLE invoice (number INTEGER)")
    with pytest.raises(LogError, match="not a log of Spotwright") as error:
        Log(tmp_path)
    one_line(error)


def test_log_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    Log(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "spotwright.db")) as db:
        db.execute("ALTER TABLE setting ADD COLUMN colour TEXT")
        db.execute(f"PRAGMA user_version = {_schema.NEWEST + 1}")
    accesses: tuple[Access, ...] = ("create", "read-only")
    for access in accesses:
        with pytest.raises(LogError, match="newer Spotwright") as error:
            Log(tmp_path, access=access)
        assert check(tmp_path).problems == (one_line(error),)
        assert str(error.value).startswith(str(tmp_path / "spotwright.db"))


@pytest.mark.parametrize("access", ["existing", "read-only"])
def test_missing_log_is_not_made_by_reading(tmp_path: Path, access: Access) -> None:
    with pytest.raises(LogMissing, match="no log there yet") as error:
        Log(tmp_path / "nowhere", access=access)
    one_line(error)
    assert not (tmp_path / "nowhere").exists()

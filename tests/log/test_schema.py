"""Each older version of the tables is migrated with everything that was in it."""

from __future__ import annotations

import json
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest

from server.log import Log, LogError, _schema, back_up, check, import_folder, rescue, restore

MACHINE = '{"name": "one"}'
UUID, WHEN = "0f8fad5b-d9cb-469f-a165-70867728950e", "2024-02-29T12:00:00.000Z"
BODIES = ('{"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}', '{"kind": "no-mark"}')
OLDER = range(1, _schema.NEWEST)
ALL = range(1, _schema.NEWEST + 1)


def make(folder: Path, version: int) -> None:
    """Make a log of that version of the tables, filled with plain SQL and not by today's code."""
    folder.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(folder / "spotwright.db", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        _schema.migrate(db, to=version)
        db.execute(
            "INSERT INTO alignment (uuid, started, source, machine, note) VALUES (?, ?, 'camera', ?, 'old')",
            (UUID, WHEN, MACHINE),
        )
        for sequence, body in enumerate(BODIES, start=1):
            db.execute(
                "INSERT INTO event (uuid, alignment_id, sequence, happened, body) VALUES (?, 1, ?, ?, ?)",
                (event_uuid(sequence), sequence, WHEN, body),
            )
        if version >= 4:
            seal(db)


def event_uuid(sequence: int) -> str:
    return f"7c9e6679-7425-40de-944b-e07fc1f9000{sequence}"


def seal(db: sqlite3.Connection) -> None:
    """Write the checksums of version 4, computed here from their definition and not by today's code."""
    for sequence, body in enumerate(BODIES, start=1):
        text = f"('{event_uuid(sequence)}', 1, {sequence}, '{WHEN}', '{body}', None, None, 0)"
        db.execute("UPDATE event SET checksum = ? WHERE id = ?", (zlib.crc32(text.encode()), sequence))
    head = f"('{UUID}', '{WHEN}', 'camera', '{MACHINE}', 'old', 1)"
    sums = [zlib.crc32(text.encode()) for text in (head, f"('{UUID}', None)", f"('{UUID}', None, 0)")]
    db.execute("UPDATE alignment SET (head_checksum, state_checksum, verdict_checksum) = (?, ?, ?)", sums)


def assert_all_there(log: Log) -> None:
    assert log.document(1) == {
        "machine": {"name": "one"},
        "events": [{"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}, {"kind": "no-mark"}],
    }
    log.add_event(1, {"kind": "no-mark"}, picture=b"\xff\xd8\xff")
    assert check(log.folder).problems == ()


@pytest.mark.parametrize("version", ALL)
def test_opening_brings_every_version_to_the_newest(tmp_path: Path, version: int) -> None:
    make(tmp_path, version)
    with Log(tmp_path) as log:
        assert_all_there(log)
        with log.reading() as db:
            assert _schema.version(db) == _schema.NEWEST


@pytest.mark.parametrize("version", ALL)
def test_every_version_can_be_checked_backed_up_restored_and_imported(tmp_path: Path, version: int) -> None:
    make(tmp_path / "old", version)
    content = (tmp_path / "old" / "spotwright.db").read_bytes()
    assert check(tmp_path / "old").events == len(BODIES)
    back_up(tmp_path / "old", tmp_path / "copy")
    restore(tmp_path / "old", tmp_path / "new")
    for place in ("copy", "new"):
        with Log(tmp_path / place) as log:
            assert_all_there(log)
    with Log(tmp_path / "merged") as log:
        import_folder(log, tmp_path / "old")
        assert_all_there(log)
    assert (tmp_path / "old" / "spotwright.db").read_bytes() == content  # none of it wrote to the old log


@pytest.mark.parametrize("version", ALL)
def test_every_version_can_be_rescued(tmp_path: Path, version: int) -> None:
    make(tmp_path, version)
    with closing(sqlite3.connect(tmp_path / "spotwright.db")) as db, db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        columns = "uuid, alignment_id, sequence, happened, body, picture, withdrawn"
        damaged = [("never", None, 0), (WHEN, "../../etc/passwd", 0), (WHEN, None, 2), (7, None, 0)]
        for sequence, (happened, picture, withdrawn) in enumerate(damaged, start=len(BODIES) + 1):
            values = (event_uuid(sequence), 1, sequence, happened, '{"kind": "x"}', picture, withdrawn)
            db.execute(f"INSERT INTO event ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?)", values)
    content = (tmp_path / "spotwright.db").read_bytes()
    (tmp_path / "spotwright.db").write_bytes(b"no SQLite" + content[9:])
    found = rescue(tmp_path)
    assert (found.alignments, found.events) == (1, len(BODIES))
    with Log(tmp_path) as log:
        assert [row["event"] for row in log.events(1)] == [json.loads(body) for body in BODIES]
        assert log.machine(1) == {"name": "one"}
    assert len(found.lost) == len(damaged)


@pytest.mark.parametrize("version", [2, 3])
def test_a_row_that_was_damaged_before_stays_so(tmp_path: Path, version: int) -> None:
    make(tmp_path, version)
    with closing(sqlite3.connect(tmp_path / "spotwright.db")) as db, db:
        for sequence, body in enumerate(BODIES, start=1):
            text = "\n".join((event_uuid(sequence), WHEN, body, ""))  # as these versions had it
            db.execute("UPDATE event SET checksum = ? WHERE id = ?", (zlib.crc32(text.encode()), sequence))
        db.execute("UPDATE event SET body = replace(body, '0.5', '5.5')")
    said = ("event 1: its content is damaged",)
    assert check(tmp_path).problems == said
    with Log(tmp_path) as log:
        assert [row["damaged"] for row in log.events(1)] == [True, False]
    assert check(tmp_path).problems == said


@pytest.mark.parametrize("version", OLDER)
def test_older_log_is_not_changed_by_reading(tmp_path: Path, version: int) -> None:
    make(tmp_path, version)
    with pytest.raises(LogError, match="older version; open it once where it can be written to"):
        Log(tmp_path, access="read-only")


# CRC-32 of each released version's statements; a new version adds a line here
AS_RELEASED = {1: 3202792659, 2: 3615235971, 3: 1067759189, 4: 1450404611}


def test_the_mark_of_a_log_is_never_changed() -> None:
    assert _schema.APPLICATION_ID.to_bytes(4, "big") == b"SPWT"


def test_a_released_migration_is_never_edited() -> None:
    assert set(AS_RELEASED) == set(ALL)
    for version, known in AS_RELEASED.items():
        assert zlib.crc32(getattr(_schema, f"_VERSION_{version}").encode()) == known


def test_every_migration_path_gives_the_same_tables(tmp_path: Path) -> None:
    def tables(version: int) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
            _schema.migrate(db, to=version)
            _schema.migrate(db)
            return db.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()

    assert all(tables(version) == tables(_schema.NEWEST) for version in ALL)


def test_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make(tmp_path, _schema.NEWEST)

    def fails(db: sqlite3.Connection) -> None:
        db.execute("ALTER TABLE event ADD COLUMN colour TEXT")
        db.execute("CREATE TABLE event (id INTEGER)")  # is there already

    monkeypatch.setattr(_schema, "MIGRATIONS", (*_schema.MIGRATIONS, fails))
    with closing(sqlite3.connect(tmp_path / "spotwright.db", isolation_level=None)) as db:
        with pytest.raises(sqlite3.OperationalError):
            _schema.migrate(db, to=_schema.NEWEST + 1)
        assert _schema.version(db) == _schema.NEWEST
        assert "colour" not in str(db.execute("SELECT sql FROM sqlite_master").fetchall())
    monkeypatch.undo()
    with Log(tmp_path) as log:
        assert_all_there(log)

"""What is shown and kept of a row with one damaged part, and what an error of the disk becomes."""

from __future__ import annotations

import csv
import errno
import io
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from server.log import (
    BadEntry,
    Log,
    LogError,
    LogMissing,
    PictureRule,
    add_entry,
    back_up,
    check,
    import_json,
    rescue,
    restore,
)
from server.log import _database as database
from server.log._errors import Damaged, one_line
from server.log._prune import named_pictures
from server.log._rescue import fresh_part
from server.log._salvage import Salvage
from server.log._salvage import _Row as Row
from tests.log.test_one_line import of_sqlite
from tests.log.test_prune import MARK, log, picture

Json = dict[str, Any]
__all__ = ["log"]  # the fixture
FOLDER = Path("folder")


def change(folder: Path, sql: str) -> None:
    """Change the database as damage would: behind the back of its checksums and constraints."""
    with closing(sqlite3.connect(folder / "spotwright.db")) as db, db:
        db.execute("PRAGMA ignore_check_constraints = 1")
        db.execute(sql)


def exported(log: Log) -> Json:
    stream = io.StringIO()
    log.export_json(stream)
    content: Json = json.loads(stream.getvalue())
    return content


def lines(log: Log) -> list[Json]:
    stream = io.StringIO(newline="")
    log.export_csv(stream)
    return list(csv.DictReader(io.StringIO(stream.getvalue(), newline="")))


@pytest.mark.parametrize(
    ("part", "key", "left"),
    [
        ("started = 'soon'", "started", "1970-01-01T00:00:00.000Z"),
        ("started = '2023-02-29T12:00:00.000Z'", "started", "1970-01-01T00:00:00.000Z"),
        ("note = 'mine'", "note", "mine (damaged)"),
        ("started = '', note = ''", "note", "(damaged)"),
        ("machine = '{\"name\": 7}', note = 'x'", "machine", {}),
        ("machine = (SELECT machine FROM alignment WHERE id = 1), note = 'x'", "machine", {"name": "one"}),
        ("machine = '{', note = 'x'", "machine", {}),
    ],
)
def test_of_a_damaged_head_what_may_be_right_is_exported(log: Log, part: str, key: str, left: Any) -> None:
    change(log.folder, f"UPDATE alignment SET {part} WHERE id = 2")
    alignment = exported(log)["alignments"][1]
    assert alignment[key] == left and alignment["damaged"] is True
    assert len(alignment["events"]) == 2 and alignment["state"] is None
    assert any("alignment 2: its laser or its note is damaged" in line for line in log.lost)
    assert "damaged" not in exported(log)["alignments"][0]


def test_a_damaged_profile_is_that_of_another_alignment_if_its_checksum_says_so(log: Log) -> None:
    change(log.folder, "UPDATE alignment SET machine = '{\"name\": 7}' WHERE id = 2")
    alignment = exported(log)["alignments"][1]
    assert alignment["machine"] == {"name": "one"} and "damaged" not in alignment
    assert log.machine(2) == {"name": "one"} and log.lost == ()


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("note = 'x'", "alignment 2: its laser's profile or its note is damaged"),
        ("state = '{}'", "alignment 2: its state is damaged"),
        ("verdict = '{}'", "alignment 2: its verdict is damaged"),
        ("done = 1", "alignment 2: its verdict is damaged"),
    ],
)
def test_a_check_names_the_part_that_is_damaged(log: Log, part: str, said: str) -> None:
    change(log.folder, f"UPDATE alignment SET {part} WHERE id = 2")
    found = check(log.folder)
    assert found.problems == (said,)
    assert (found.alignments, found.events, found.pictures) == (4, 8, 8)
    assert [row["damaged"] for row in log.alignments()] == [False, True, False, False]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("DELETE FROM event WHERE id = 1", "alignment 1: events are missing"),
        ("DELETE FROM event WHERE id = 5", "alignment 3: events are missing"),
        ("DELETE FROM alignment WHERE id = 2", "event 3 belongs to nothing in alignment"),
        ("UPDATE event SET withdrawn = 1 WHERE id = 3", "event 3: its content is damaged"),
        ('UPDATE event SET body = \'{"kind": "x"}\' WHERE id = 3', "event 3: its content is damaged"),
        (
            "UPDATE setting SET value = '{}'",
            "the setting 'pictures' is damaged; it is as if it had never been set",
        ),
        ("UPDATE entry SET picture = 'x'", "entry 1: its content is damaged"),
    ],
)
def test_a_check_finds_what_is_missing_loose_or_changed(log: Log, sql: str, said: str) -> None:
    log.set_picture_rule(PictureRule(keep_alignments=9))
    add_entry(log, "hours", {"laser": "one", "hours": 5.0})
    change(log.folder, sql)
    assert said in check(log.folder).problems


def test_the_last_events_of_an_alignment_leave_no_gap(log: Log) -> None:
    change(log.folder, "DELETE FROM event WHERE id = 2")
    assert check(log.folder).problems == ()


def test_pictures_that_are_missing_or_damaged_are_named(log: Log) -> None:
    one, two, *_ = sorted(log.pictures.names())
    (log.pictures.folder / one).unlink()
    (log.pictures.folder / two).write_bytes(b"other")
    assert check(log.folder).problems == (f"picture {one}: is missing", f"picture {two}: is damaged")


def test_a_damaged_entry_has_no_content_and_an_alignment_with_one_no_document(log: Log) -> None:
    change(log.folder, "UPDATE event SET withdrawn = 1 WHERE id = 3")
    damaged, sound = log.events(2)
    assert (damaged["damaged"], damaged["event"], damaged["id"]) == (True, {"kind": "damaged"}, 3)
    assert (damaged["uuid"], damaged["reading"], damaged["withdrawn"], damaged["has_picture"]) == (
        *("", None, False),
        False,
    )
    assert (sound["damaged"], sound["has_picture"], sound["withdrawn"]) == (False, True, False)
    assert log.picture(3) is None and log.picture(4) == picture(11)
    with pytest.raises(Damaged, match="entry 1 of alignment 2 is damaged"):
        log.document(2)
    assert [line["alignment"] for line in lines(log)] == ["1", "1", "2", "3", "3", "4", "4"]
    assert "entry 1 of alignment 2 is damaged and left out" in log.lost


def test_a_line_of_csv_has_what_was_saved(log: Log) -> None:
    number = log.start_alignment(machine={"name": "=evil"}, source="offline", note='a, "b"')
    turn = log.add_event(number, {"kind": "turn", "mount": 2, "screw": "top", "turns": -0.25})
    log.withdraw_event(turn)
    log.add_event(number, MARK | {"sigma_mm": [0.1, 0.2], "offset_mm": [1.5, -2.0], "head_mm": [3.0, 4.0]})
    turned, marked = lines(log)[-2:]
    common = {"alignment": f"{number}", "source": "offline", "machine": "'=evil", "note": 'a, "b"'}
    assert turned.items() >= (common | {"event": "1", "withdrawn": "yes", "picture": ""}).items()
    assert turned.items() >= {"kind": "turn", "mount": "2", "screw": "top", "turns": "-0.25"}.items()
    assert marked.items() >= (common | {"event": "2", "withdrawn": "no", "kind": "mark"}).items()
    places = ("head_x_mm", "head_y_mm", "u_mm", "v_mm", "sigma_u_mm", "sigma_v_mm")
    assert [float(marked[key]) for key in places] == [3.0, 4.0, 1.5, -2.0, 0.1, 0.2]


def test_a_rescue_keeps_the_rule_of_the_damaged_log_and_not_the_backups(log: Log, tmp_path: Path) -> None:
    log.set_picture_rule(PictureRule(keep_alignments=9))
    back_up(log.folder, tmp_path / "copy")
    log.set_picture_rule(PictureRule(keep_alignments=7))
    change(log.folder, "UPDATE event SET withdrawn = 1 WHERE id = 3")
    log.close()
    assert rescue(log.folder, [tmp_path / "copy"]).lost == ()
    with Log(log.folder) as again:
        assert again.picture_rule() == PictureRule(keep_alignments=7)


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (of_sqlite(sqlite3.SQLITE_FULL), LogError, "folder: the disk is full"),
        (of_sqlite(sqlite3.SQLITE_IOERR | 3 << 8), LogError, "folder: the disk fails"),
        (of_sqlite(sqlite3.SQLITE_READONLY | 4 << 8), LogError, "folder: cannot be written to"),
        (of_sqlite(sqlite3.SQLITE_CORRUPT | 1 << 8), Damaged, "folder: is damaged"),
        (of_sqlite(sqlite3.SQLITE_NOTADB), Damaged, "folder: is not a log"),
        (of_sqlite(sqlite3.SQLITE_BUSY), LogError, "folder: another program holds the log"),
        (of_sqlite(sqlite3.SQLITE_MISUSE), LogError, "reports an error .as SQLite says it"),
        (of_sqlite(None), LogError, "folder: as SQLite says it"),
        (UnicodeDecodeError("utf-8", b"x", 0, 1, "bad"), Damaged, "folder: is damaged"),
        (UnicodeEncodeError("utf-8", "x", 0, 1, "bad"), BadEntry, "text or number that cannot be stored"),
        (OverflowError("too large"), BadEntry, "text or number that cannot be stored .too large"),
        (OSError(errno.ENOSPC, "No space"), LogError, "folder: the disk is full"),
        (OSError(errno.EACCES, "No", "its own name"), LogError, "its own name: cannot be written to"),
        (OSError(errno.EIO, "Input/output error"), LogError, "folder: Input/output error"),
        (OSError("unplugged"), LogError, "folder: unplugged"),
        (LogMissing("folder: no log"), LogMissing, "folder: no log"),
    ],
)
def test_an_error_of_the_disk_is_one_line_with_the_place(
    error: Exception, kind: type[LogError], said: str
) -> None:
    with pytest.raises(LogError, match=said) as raised, one_line(FOLDER):
        raise error
    assert type(raised.value) is kind and "\n" not in str(raised.value)


def test_an_error_that_is_not_the_disks_is_left_as_it_is() -> None:
    with pytest.raises(ZeroDivisionError), one_line(FOLDER):
        raise ZeroDivisionError


def test_a_damaged_name_of_a_picture_is_no_name(log: Log) -> None:
    change(log.folder, "UPDATE event SET picture = '../../secret' WHERE id = 3")
    change(log.folder, "UPDATE event SET picture = x'00' WHERE id = 4")
    with log.reading() as db:
        assert len(named_pictures(db)) == 6
    assert check(log.folder).pictures == 6


def test_an_event_belongs_to_one_alignment(log: Log, tmp_path: Path) -> None:
    content = exported(log)
    name = content["alignments"][0]["events"][0]["uuid"]
    content["alignments"][1]["events"][0]["uuid"] = name
    both = json.dumps(content)
    del content["alignments"][0]
    other = json.dumps(content)
    with Log(tmp_path / "new") as new:
        for into, text in ((new, both), (log, other)):
            count = len(into.alignments())
            with pytest.raises(BadEntry, match="belongs to another alignment already") as refused:
                import_json(into, io.StringIO(text))
            assert refused.value.path == f"event {name}" and len(into.alignments()) == count
        assert import_json(new, io.StringIO(other)).events == 6


def test_an_export_has_no_other_parts(log: Log, tmp_path: Path) -> None:
    for key in ("a", "b", "z"):
        with Log(tmp_path / key) as new, pytest.raises(BadEntry) as refused:
            import_json(new, io.StringIO(json.dumps({key: []} | exported(log))))
        assert refused.value.path == key
    content = exported(log)
    del content["alignments"]
    with Log(tmp_path / "none") as new, pytest.raises(BadEntry) as refused:
        import_json(new, io.StringIO(json.dumps(content)))
    assert refused.value.path == "alignments"


def test_what_an_earlier_attempt_left_is_removed_before_a_new_one(log: Log, tmp_path: Path) -> None:
    left = [f"spotwright.db.part{end}" for end in ("", "-wal", "-shm", "-journal")]
    for name in (*left, "spotwright.db.party"):
        (tmp_path / name).write_bytes(b"left")
    assert fresh_part(tmp_path) == tmp_path / "spotwright.db.part"
    assert [name for name in left if (tmp_path / name).exists()] == []
    assert (tmp_path / "spotwright.db.party").exists()
    copy = tmp_path / "copy"
    copy.mkdir()
    for name in left:
        (copy / name).write_bytes(b"left")
    assert back_up(log.folder, copy).problems == ()
    assert check(copy).events == 8 and not any((copy / name).exists() for name in left)


@pytest.mark.parametrize(("missing", "more"), [(1, ""), (2, " (and 1 more)"), (4, " (and 3 more)")])
def test_a_damaged_backup_is_not_restored_and_nothing_is_changed(
    log: Log, tmp_path: Path, missing: int, more: str
) -> None:
    copy, new = tmp_path / "copy", tmp_path / "new"
    back_up(log.folder, copy)
    names = sorted(log.pictures.names())[:missing]
    for name in names:
        (copy / "pictures" / name).unlink()
    with pytest.raises(LogError) as refused:
        restore(copy, new)
    assert f"not whole: picture {names[0]}: is missing{more}; nothing was changed" in str(refused.value)
    assert not new.exists()


def test_what_was_put_aside_is_numbered_and_stays(log: Log, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    back_up(log.folder, copy)
    log.close()
    for number in (1, 2, 3):
        with pytest.raises(LogError, match="there is a log already"):
            restore(copy, log.folder)
        assert restore(copy, log.folder, replace=True).events == 8
        assert (log.folder / f"spotwright-replaced-{number}.db").is_file()
    assert not (log.folder / "spotwright-replaced-4.db").exists()


def test_laser_profiles_are_replaced_in_a_backup_and_kept_in_a_log(log: Log, tmp_path: Path) -> None:
    copy, beside = tmp_path / "copy", log.folder / "lasers"
    beside.mkdir()
    (beside / "mine.toml").write_text("old")
    (beside / "half.toml.part").write_text("not whole")
    back_up(log.folder, copy)
    (beside / "mine.toml").write_text("new")
    (beside / "other.toml").write_text("other")
    back_up(log.folder, copy)
    assert (copy / "lasers" / "mine.toml").read_text() == "new"
    assert not (copy / "lasers" / "half.toml.part").exists()
    (beside / "mine.toml").write_text("newer")
    (beside / "other.toml").unlink()
    log.close()
    restore(copy, log.folder, replace=True)
    assert (beside / "mine.toml").read_text() == "newer"
    assert (beside / "other.toml").read_text() == "other"


@pytest.mark.parametrize("name", ["notes.txt", "pictures"])
def test_a_folder_with_other_things_is_no_place_for_a_backup(log: Log, tmp_path: Path, name: str) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / name).write_text("mine")
    for target in (other, log.folder):
        with pytest.raises(LogError, match="neither empty nor a backup"):
            back_up(log.folder, target)
    assert [path.name for path in other.iterdir()] == [name]
    (other / name).unlink()
    assert back_up(log.folder, other).problems == ()


def test_the_first_of_several_faults_is_named(log: Log, tmp_path: Path) -> None:
    content = exported(log)
    content["alignments"][0] |= {"started": "now", "source": "moon"}
    with Log(tmp_path / "new") as new, pytest.raises(BadEntry) as refused:
        import_json(new, io.StringIO(json.dumps(content)))
    assert refused.value.path == "alignments.0.started"
    with pytest.raises(BadEntry) as refused:
        add_entry(log, "hours", {"laser": "", "hours": -1.0})
    assert refused.value.path == "laser"


def test_a_rescue_keeps_the_numbers_of_events_and_alignments(log: Log) -> None:
    log.withdraw_event(3)
    before = [(row["id"], [event["id"] for event in log.events(row["id"])]) for row in log.alignments()]
    change(log.folder, "UPDATE alignment SET verdict = '{}' WHERE id = 3")
    log.close()
    assert rescue(log.folder).lost == ("alignment 3: its verdict is damaged",)
    with Log(log.folder) as again:
        after = [
            (row["id"], [event["id"] for event in again.events(row["id"])]) for row in again.alignments()
        ]
        assert after == before and before[0] == (1, [1, 2])
        assert again.add_event(1, MARK) == 9


@pytest.mark.parametrize(
    ("found", "none"),
    [
        (Salvage(), True),
        (
            Salvage(events={"e": Row(0, 1, False, True, {"alignment_id": None, "sequence": 1, "body": "x"})}),
            False,
        ),
        (Salvage(entries={"e": Row(0, 1, False, True, {"kind": "cut", "body": "x"})}), False),
    ],
)
def test_a_file_is_no_log_only_where_nothing_of_any_kind_is_left(
    found: Salvage, none: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "salvage", lambda _: found)
    if none:
        with pytest.raises(Damaged, match="nothing of it can be read"):
            database.salvaged_copy(tmp_path / "x.db")
        return
    db, salvaged = database.salvaged_copy(tmp_path / "x.db")
    db.close()
    assert len(salvaged.lost) == 1 and "is damaged: x" in salvaged.lost[0]


def test_the_folder_of_a_new_log_is_synced_and_that_of_an_old_one_need_not_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[Path] = []
    monkeypatch.setattr(database, "fsync_folder", synced.append)
    folder = tmp_path / "new"
    for folders in ([tmp_path, folder], []):
        synced.clear()
        database.open_writer(folder, create=True).close()
        assert synced == folders


def test_alignments_of_two_logs_with_one_number_are_both_rescued(log: Log, tmp_path: Path) -> None:
    with Log(tmp_path / "other") as other:
        for name in ("two", "three"):
            number = other.start_alignment(machine={"name": name}, source="offline")
            other.add_event(number, MARK)
    change(log.folder, "UPDATE alignment SET state = '{}' WHERE id = 1")
    names = [row["uuid"] for row in log.alignments()]
    log.close()
    found = rescue(log.folder, [tmp_path / "other"])
    assert (found.alignments, found.events) == (6, 10)
    with Log(log.folder) as again:
        rows = again.alignments()
        assert [row["id"] for row in rows] == [1, 2, 3, 4, 5, 6]
        assert [row["uuid"] for row in rows[:4]] == names
        assert [row["machine"] for row in rows[4:]] == ["two", "three"]
        events = [event["id"] for row in rows for event in again.events(row["id"])]
        assert len(set(events)) == 10 and events[:8] == list(range(1, 9))


@pytest.mark.parametrize(("mine", "theirs", "whole"), [(2, 2, True), (3, 2, False), (2, 3, True)])
def test_a_state_is_taken_from_a_backup_that_has_all_entries_that_are_left(
    tmp_path: Path, mine: int, theirs: int, whole: bool
) -> None:
    """How many entries the damaged log and the backup have."""
    data, copy = tmp_path / "log", tmp_path / "copy"
    with Log(data) as opened:
        opened.start_alignment(machine={"name": "one"}, source="camera")
        for number in range(max(mine, theirs)):
            if number == min(mine, theirs) and theirs < mine:
                back_up(data, copy)
            opened.add_event(1, MARK, state={"at": "then"})
        if theirs >= mine:
            back_up(data, copy)
    if theirs > mine:
        change(data, "DELETE FROM event WHERE id = 3")
    change(data, "UPDATE alignment SET state = '{}'")
    lost = rescue(data, [copy]).lost
    with Log(data) as opened:
        kept = opened.state(1)
        assert len(opened.events(1)) == max(mine, theirs)
    assert (kept, lost == ()) == ({"at": "then"} if whole else None, whole)

"""A damaged byte is found, costs only its row and never a backup, and everything else goes on."""

from __future__ import annotations

import io
import json
import random
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from server.log import (
    Damaged,
    Imported,
    Log,
    LogError,
    _pictures,
    add_entry,
    back_up,
    check,
    damaged_entries,
    entries,
    import_folder,
    import_json,
    rescue,
    restore,
    written_whole,
)
from server.log._file_format import rows_in
from server.log._salvage import salvage
from server.session.import_check import check_alignment
from tests.bench.log_flips import Tally, exported, one_flip, small_log

Json = dict[str, Any]
MACHINE = {"name": "one"}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good") / "log"
    small_log(folder)
    return folder


@pytest.fixture
def data(good: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(good, tmp_path / "data"))


def change(data: Path, sql: str, *values: object) -> None:
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute(sql, values)


def overwrite(data: Path, at: int, content: bytes) -> None:
    path = data / "spotwright.db"
    whole = bytearray(path.read_bytes())
    whole[at : at + len(content)] = content
    path.write_bytes(whole)


def test_a_flip_anywhere_is_found_or_does_not_matter_and_all_goes_on(good: Path, tmp_path: Path) -> None:
    """A sample; tests/bench/log_flips.py takes every byte."""
    draw, sound, tally = random.Random(7), exported(good), Tally()
    size = (good / "spotwright.db").stat().st_size
    places = [*range(16, 28), 44, 59, 63, 71, *(draw.randrange(100, size) for _ in range(30))]
    for at in places:
        one_flip(good, tmp_path / "place", at, draw.randrange(9), sound, tally)
    bad = ("check fails", "export fails", "start fails", "missed by check")
    assert {name: tally.examples.get(name) for name in bad} == dict.fromkeys(bad)


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        (
            "UPDATE alignment SET machine = replace(machine, '1600', '1610') WHERE id = 2",
            "profile or its note",
        ),
        ("UPDATE alignment SET note = 'x' WHERE id = 2", "profile or its note"),
        ("UPDATE alignment SET source = 'offline' WHERE id = 2", "profile or its note"),
        ("UPDATE alignment SET own = 0 WHERE id = 2", "profile or its note"),
        ("UPDATE alignment SET state = '{}' WHERE id = 2", "its state"),
        ("UPDATE alignment SET verdict = NULL WHERE id = 2", "its verdict"),
        ("UPDATE alignment SET done = 0 WHERE id = 2", "its verdict"),
        ("UPDATE event SET withdrawn = 1 WHERE id = 3", "event 3: its content"),
        ("UPDATE event SET picture = NULL WHERE id = 4", "event 4: its content"),
        ("UPDATE event SET checksum = NULL WHERE id = 4", "event 4: its content"),
        ("UPDATE entry SET withdrawn = 1 WHERE id = 1", "entry 1: its content"),
        ("UPDATE entry SET kind = 'hours' WHERE id = 1", "entry 1: its content"),
    ],
)
def test_every_column_has_a_checksum(data: Path, sql: str, said: str) -> None:
    change(data, sql)
    (problem,) = check(data).problems
    assert said in problem


def test_a_head_that_sqlite_refuses_as_a_whole_costs_nothing(data: Path) -> None:
    before = exported(data)
    overwrite(data, 47, b"\5")  # the format of the tables: of a future SQLite, as it seems
    assert check(data).problems == ("database: the head of the file is damaged (byte 44)",)
    assert exported(data) == before
    with Log(data) as log:
        assert log.rescued is not None and log.rescued.lost == ()
    assert exported(data) == before


def test_a_number_that_is_kept_beside_its_event_is_compared_with_it(data: Path) -> None:
    at = (data / "spotwright.db").read_bytes().index(struct.pack(">d", 0.25))
    overwrite(data, at, struct.pack(">d", 0.75))
    (problem,) = check(data).problems
    assert problem.startswith("event ") and problem.endswith(": a number beside its content is damaged")


@pytest.mark.parametrize("checksum", ["checksum", "0", "4294967295"])  # as it was, the least and the most
def test_a_damaged_rule_lets_no_picture_go(checksum: str, data: Path) -> None:
    with Log(data) as log:
        log.set_picture_rule(log.picture_rule().__class__(keep_alignments=200))
    change(data, f"UPDATE setting SET value = replace(value, '200', '1'), checksum = {checksum}")
    assert any("setting 'pictures'" in line for line in check(data).problems)
    with Log(data) as log:
        log.start_alignment(machine=MACHINE, source="camera")
        assert log.prune().pictures == 0
        assert sum(log.picture(row["id"]) is not None for n in (1, 2, 3) for row in log.events(n)) == 3


@pytest.mark.parametrize("column", ["state", "machine", "verdict", "started", "note"])
@pytest.mark.parametrize("value", [b"\xff\xfe", "{", None, 7])
def test_a_damaged_alignment_is_shown_as_such_and_the_others_work(
    data: Path, column: str, value: object
) -> None:
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        if value is None and column not in ("state", "verdict"):
            pytest.skip("this column always has something")
        db.execute(f"UPDATE alignment SET {column} = ? WHERE id = 3", (value,))
    with Log(data) as log:
        assert [row["damaged"] for row in log.alignments()] == [False, False, True]
        assert log.newest("camera") == (3 if column == "verdict" else 2)
        written = json.loads("".join(log.json_texts()))["alignments"]
        assert [len(alignment["events"]) for alignment in written] == [12, 12, 12]
        assert len("".join(log.csv_texts()).splitlines()) == 1 + 36
        assert log.state(1) is not None and len(log.document(1)["events"]) == 12
        assert (log.state(3) is None) == (column == "state")


def test_a_damaged_event_is_shown_and_no_step_rests_on_the_others(data: Path) -> None:
    change(data, 'UPDATE event SET body = \'{"kind": "turn", "turns": 9}\' WHERE id = 5')
    with Log(data) as log:
        rows = log.events(1)
        assert [row["damaged"] for row in rows] == [number == 4 for number in range(12)]
        assert rows[4]["event"] == {"kind": "damaged"}
        with pytest.raises(Damaged, match="entry 5 of alignment 1 is damaged"):
            log.document(1)
        assert len(json.loads("".join(log.json_texts()))["alignments"][0]["events"]) == 11
        assert log.lost == ("entry 5 of alignment 1 is damaged and left out",)


def test_a_change_to_a_damaged_row_does_not_hide_the_damage(data: Path) -> None:
    change(data, 'UPDATE event SET body = \'{"kind": "no-mark"}\' WHERE id = 5')
    with Log(data) as log:
        log.withdraw_event(5)
    assert "event 5: its content is damaged" in check(data).problems


def test_a_damaged_entry_is_left_out_and_counted(data: Path) -> None:
    change(data, "UPDATE entry SET body = '{}' WHERE id = 2")
    with Log(data) as log:
        assert [row["kind"] for row in entries(log)] == ["cut"]
        assert damaged_entries(log) == 1
        assert len(json.loads("".join(log.json_texts()))["entries"]) == 1
        assert log.lost == ("entry 2 of the upkeep is damaged and left out",)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("uuid", "0f8fad5b-d9cb-469f-a165-70867728950e"),
        ("uuid", b"\xff"),
        ("started", "2025-02-30T10:00:00.000Z"),
        ("source", "offline"),
        ("note", b"\xff\xfe"),
        ("note", "x" * 3000),
        ("head_checksum", 7),
        ("machine", "{}"),
    ],
)
@pytest.mark.parametrize("alone", [True, False])
def test_what_an_export_has_of_a_damaged_alignment_can_be_taken_in(
    good: Path, data: Path, tmp_path: Path, column: str, value: object, alone: bool
) -> None:
    change(data, f"UPDATE alignment SET {column} = ? WHERE id = 1", value)
    if alone:  # no other alignment tells what its laser was
        change(data, "UPDATE alignment SET machine = replace(machine, '1600', '1610') WHERE id != 1")
    elif column == "machine":
        return  # that of the others heals it
    with Log(data) as log:
        text = "".join(log.json_texts())
    assert sum("alignment 1: its laser or its note is damaged" in line for line in log.lost) == 1
    with Log(tmp_path / "new") as log:
        new = import_json(log, io.StringIO(text), judge=check_alignment)
        assert (new.alignments, new.events, new.entries) == (3, 36, 2)
        assert (log.machine(1) == {}) == alone
        assert [len(log.events(number)) for number in (1, 2, 3)] == [12, 12, 12]
        assert [row["alignment"] for row in entries(log)] == [1, None]
        assert import_json(log, io.StringIO(text), judge=check_alignment).events == 0
    assert check(tmp_path / "new").problems == ()
    with Log(tmp_path / "old") as log:  # which knows all but the newest of it already
        import_folder(log, good)
    change(tmp_path / "old", "DELETE FROM event WHERE id = 12")
    change(tmp_path / "old", "DELETE FROM entry WHERE id = 1")
    with Log(tmp_path / "old") as log:
        before, machine = log.alignments()[0], log.machine(1)
        assert import_json(log, io.StringIO(text), judge=check_alignment) == Imported(events=1, entries=1)
        assert (log.alignments()[0], log.machine(1)) == (before | {"events": 12}, machine)
        assert sorted(row["alignment"] or 0 for row in entries(log)) == [0, 1]
    assert check(tmp_path / "old").problems == ()


def test_a_damaged_verdict_elsewhere_takes_none_back_here(good: Path, data: Path, tmp_path: Path) -> None:
    change(data, "UPDATE alignment SET verdict = NULL WHERE id = 2")
    with Log(data) as log, Log(tmp_path / "mine") as mine:
        import_folder(mine, good)
        before = mine.alignments()[1]
        log.add_event(2, TURN)
        assert import_json(mine, io.StringIO("".join(log.json_texts()))).events == 1
        assert mine.alignments()[1] == before | {"events": 13}


# backup and rescue


@pytest.mark.parametrize("place", ["event", "alignment", "index", "head"])
def test_a_good_backup_outlives_a_damaged_log(data: Path, tmp_path: Path, place: str) -> None:
    copy, before = tmp_path / "copy", exported(data)
    back_up(data, copy)
    damage(data, place)
    health = back_up(data, copy)
    assert health.problems and "is unchanged" in health.problems[0] and str(copy) in health.problems[0]
    assert health.events >= 30 and health.alignments == 3
    assert exported(copy) == before and check(copy).problems == ()
    restore(copy, tmp_path / "new")
    assert exported(tmp_path / "new") == before
    assert restore(copy / "spotwright-rescued.db", tmp_path / "left").events >= 30


def damage(data: Path, place: str) -> None:
    content = (data / "spotwright.db").read_bytes()
    if place == "event":
        overwrite(data, content.index(b'"turns": 0.25') + 9, b"9.99")
    elif place == "alignment":
        overwrite(data, content.index(b'"used": true') + 2, b"U")
    elif place == "index":
        with closing(sqlite3.connect(data / "spotwright.db")) as db:
            (page,) = db.execute(
                "SELECT rootpage FROM sqlite_master WHERE name LIKE 'sqlite_autoindex_event_1'"
            )
        overwrite(data, (page[0] - 1) * 4096, bytes(4096))
    else:
        overwrite(data, 0, b"no SQLite")


def test_numbers_that_are_none_are_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "spotwright.db"
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE event (id INTEGER PRIMARY KEY AUTOINCREMENT, alignment_id, sequence)")
        rows = [(None, 3), (1, "x"), (b"2", 2), (1.5, 2), (4, 5)]
        db.executemany("INSERT INTO event (alignment_id, sequence) VALUES (?, ?)", rows)
        db.execute("UPDATE sqlite_sequence SET seq = NULL")
    found = salvage([path])
    assert (found.last, found.lengths) == ({}, {4: 5})


@pytest.mark.parametrize("place", ["event", "alignment", "index", "head"])
def test_rescue_gets_all_but_what_is_damaged_and_a_backup_fills_it(
    data: Path, tmp_path: Path, place: str
) -> None:
    before = exported(data)
    back_up(data, tmp_path / "copy")
    damage(data, place)
    shutil.copytree(data, tmp_path / "alone")
    alone = rescue(tmp_path / "alone")
    assert alone.events >= 35 and check(tmp_path / "alone").problems == ()
    assert bool(alone.lost) == (place in ("event", "alignment"))
    assert all(line.startswith("alignment ") for line in alone.lost)
    both = rescue(data, [tmp_path / "copy"])
    assert both.aside is not None and both.aside.exists()
    assert (exported(data)[1], both.events) == (before[1], 36)


@pytest.mark.parametrize(
    "part", ["state = '{}'", "verdict = NULL", "done = 0", "note = 'x'", "machine = '{}'", "started = ''"]
)
def test_a_backup_fills_what_is_damaged_beside_the_entries(
    good: Path, data: Path, tmp_path: Path, part: str
) -> None:
    change(data, f"UPDATE alignment SET {part} WHERE id = 2")
    change(data, "UPDATE entry SET body = '{}' WHERE id = 1")
    assert rescue(data, [good]).lost == ()
    assert exported(data) == exported(good)


def test_a_backup_with_fewer_entries_does_not_give_the_state_of_now(good: Path, data: Path) -> None:
    with Log(data) as log:
        log.add_event(2, TURN, state={"used": False})
    change(data, "UPDATE alignment SET state = '{}' WHERE id = 2")
    (said,) = rescue(data, [good]).lost
    assert "its state is damaged" in said
    with Log(data) as log:
        assert log.state(2) is None and len(log.events(2)) == 13


def test_a_profile_that_may_be_damaged_is_left_out_and_holds_nothing_up(data: Path, tmp_path: Path) -> None:
    change(data, "UPDATE alignment SET machine = '{\"name\": 7}', note = 'mine' WHERE id = 2")
    damage(data, "index")
    with Log(tmp_path / "mine") as log:
        assert import_folder(log, data, judge=check_alignment).events == 36
        assert [log.machine(number) == {} for number in (1, 2, 3)] == [False, True, False]
    assert sum("a profile that no other has is left out" in line for line in rescue(data).lost) == 1
    with Log(data) as log:
        assert log.machine(2) == {} and "mine" in log.alignments()[1]["note"]


@pytest.mark.parametrize(
    "part", ["uuid = '0f8fad5b-d9cb-469f-a165-70867728950e'", "uuid = '?'", "note = 'x'"]
)
def test_what_is_known_already_is_known_again_from_a_damaged_file(
    good: Path, data: Path, tmp_path: Path, part: str
) -> None:
    change(data, f"UPDATE alignment SET {part} WHERE id = 2")
    damage(data, "index")
    with Log(tmp_path / "mine") as log:
        import_folder(log, good, judge=check_alignment)
        before = "".join(log.json_texts())
        new = import_folder(log, data, judge=check_alignment)
        assert (new.alignments, new.events, new.entries) == (0, 0, 0)
        assert "".join(log.json_texts()) == before


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE alignment SET machine = '{}' WHERE id = 2", ()),  # the others tell what it was
        (
            "UPDATE alignment SET verdict = NULL WHERE id = 2",
            ("alignment 2: its verdict is damaged",),
        ),
        ("UPDATE entry SET body = '{}' WHERE id = 2", ("reminder (number 2) is damaged: {}",)),
        (
            "UPDATE event SET alignment_id = 'x' WHERE id = 36",
            ('an entry (number 36) is damaged: {"kind": "mark"',),
        ),
        (
            "UPDATE event SET body = '{\"kind\": 7}' WHERE id = 5",
            ('alignment 1: entry 5 is damaged: {"kind": 7}',),
        ),
        (
            "UPDATE event SET happened = x'32', checksum = NULL WHERE id = 5",  # as version 1 had none
            ('alignment 1: entry 5 is damaged: {"kind"',),
        ),
        (
            "UPDATE sqlite_sequence SET seq = seq + 4 WHERE name = 'alignment'",
            ("alignments: the last 4 are lost",),
        ),
        (
            "UPDATE sqlite_sequence SET seq = seq + 1 WHERE name = 'entry'",
            ("cuts or upkeep: the last 1 are lost",),
        ),
    ],
)
def test_each_loss_is_said(data: Path, sql: str, said: tuple[str, ...]) -> None:
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute(sql)
    damage(data, "index" if "alignment_id" not in sql else "head")
    found = rescue(data).lost
    assert len(found) == len(said)
    assert all(line.startswith(start) for line, start in zip(found, said, strict=True)), found


@pytest.mark.parametrize("number", [0, 1 << 62, (1 << 63) - 1])
def test_a_damaged_number_is_not_taken_over(data: Path, number: int) -> None:
    """SQLite adds nothing to a table with AUTOINCREMENT once the largest number is taken."""
    change(data, "UPDATE event SET id = ? WHERE id = 5", number)
    change(data, "UPDATE alignment SET id = ? WHERE id = 3", number)
    damage(data, "index")
    assert rescue(data).events == 36
    with Log(data) as log:
        assert log.add_event(2, TURN) < 1 << 62
        assert log.start_alignment(machine=MACHINE, source="camera") < 1 << 62


def test_an_alignment_of_which_nothing_is_left_is_said(data: Path) -> None:
    change(data, "UPDATE alignment SET note = 'x' WHERE id = 2")
    change(data, "UPDATE event SET body = '{\"kind\": 7}' WHERE alignment_id = 2")
    damage(data, "index")
    found = rescue(data)
    assert found.alignments == 2
    assert found.lost.count('alignment 2: an entry is damaged: {"kind": 7}') == 12
    assert found.lost[-1] == "alignment 2: it is damaged, and nothing of it is left"


def test_what_never_was_is_not_lost(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        log.add_event(log.start_alignment(machine=MACHINE, source="camera"), TURN)
    overwrite(tmp_path, 47, b"\5")
    found = rescue(tmp_path)
    assert (found.alignments, found.events, found.lost) == (1, 1, ())


def test_rescue_lists_its_losses_alignment_by_alignment(data: Path) -> None:
    for number, page in pages_of(data, "event"):
        if number == 2:
            overwrite(data, page * 4096, bytes(4096))
    found = rescue(data)
    with Log(data) as log:
        left = sum(len(log.events(row["id"])) for row in log.alignments())
        rows = log.alignments()
    assert 0 < left == found.events < 36
    named = sum("is lost" in line or "damaged" in line for line in found.lost)
    assert named == 36 - left and all(line.startswith("alignment ") for line in found.lost)
    hurt = [row for row in rows if "rescued" in row["note"]]
    assert hurt and all(not row["own"] for row in hurt)


def pages_of(data: Path, table: str) -> list[tuple[int, int]]:
    """Number of leaf and of page (from 0) of a table, in the order of the file."""
    content = (data / "spotwright.db").read_bytes()
    with closing(sqlite3.connect(data / "spotwright.db")) as db:
        (uuid,) = db.execute(f"SELECT uuid FROM {table} WHERE id = 5").fetchone()
    found = [n for n in range(len(content) // 4096) if content[n * 4096] == 0x0D]
    with_events = [n for n in found if b'"turns"' in content[n * 4096 : n * 4096 + 4096]]
    assert uuid.encode() in content
    return list(enumerate(with_events, start=1))


def test_a_log_that_is_damaged_as_a_file_is_put_aside_at_the_start(data: Path) -> None:
    before = exported(data)
    damage(data, "index")
    with Log(data) as log:
        assert log.rescued is not None and log.rescued.lost == ()
        log.add_event(1, TURN)
    assert exported(data)[1] == before[1] + 1
    assert (data / "spotwright-damaged-1.db").exists()


def test_a_whole_log_is_left_as_it_is(data: Path) -> None:
    content = (data / "spotwright.db").read_bytes()
    assert rescue(data).aside is None
    assert (data / "spotwright.db").read_bytes() == content


@pytest.mark.parametrize("frame", [1, 3, -7])
def test_entries_in_a_damaged_write_ahead_log_are_found(tmp_path: Path, frame: int) -> None:
    source = tmp_path / "source"
    log = Log(source)
    number = log.start_alignment(machine=MACHINE, source="camera")
    for _ in range(5):
        log.add_event(number, TURN)
    data = Path(shutil.copytree(source, tmp_path / "data"))  # as a power cut leaves it
    log.close()
    (data / "spotwright.db-shm").unlink()
    wal = data / "spotwright.db-wal"
    content = bytearray(wal.read_bytes())
    content[32 + (24 + 4096) * (frame % ((len(content) - 32) // (24 + 4096))) + 2000] ^= 1
    wal.write_bytes(content)
    assert any("write-ahead log is damaged" in line for line in check(data).problems)
    with Log(data, access="read-only") as reader:  # goes on with what there is
        assert [row["id"] for row in reader.alignments()] == [number]
        assert len(json.loads("".join(reader.json_texts()))["alignments"][0]["events"]) >= 4
    with Log(data) as again:
        assert again.rescued is not None and len(again.events(number)) >= 4


values = (
    st.none()
    | st.integers(-(2**62), 2**62)
    | st.floats(allow_nan=False)
    | st.text(max_size=40)
    | st.just("x" * 9000)
)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    rows=st.lists(st.lists(values, min_size=2, max_size=2), max_size=12),
    numbers=st.sets(st.integers(1, 2**40)),
)
def test_outside_rows_read_without_sqlite_are_those_that_sqlite_wrote(
    tmp_path: Path, rows: list[list[Any]], numbers: set[int]
) -> None:
    """The reference is SQLite itself, https://www.sqlite.org/fileformat2.html."""
    path = tmp_path / "other.db"
    path.unlink(missing_ok=True)
    uuid = "0f8fad5b-d9cb-469f-a165-70867728950e"
    columns = ", ".join(f"c{n}" for n in range(8))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"CREATE TABLE t (id INTEGER PRIMARY KEY, uuid TEXT, {columns})")
        for number, row in zip(sorted(numbers), rows, strict=False):
            db.execute(f"INSERT INTO t VALUES ({', '.join('?' * 10)})", (number, uuid, *row * 4))
        kept = db.execute("SELECT * FROM t ORDER BY id").fetchall()
    found = sorted((row for row in rows_in(path) if row.live), key=lambda row: row.rowid)
    assert [(row.rowid, *row.values[1:]) for row in found] == kept


# import


def spoiled(good: Path, change: Any) -> io.StringIO:
    with Log(good, access="read-only") as log:
        whole = json.loads("".join(log.json_texts()))
    change(whole)
    return io.StringIO(json.dumps(whole))


def test_imported_alignments_are_never_own(data: Path, tmp_path: Path) -> None:
    with Log(tmp_path / "mine") as log:
        mine = log.start_alignment(machine=MACHINE, source="camera")
        import_folder(log, data)
        assert log.newest("camera") == log.newest() == mine
        assert [row["own"] for row in log.alignments()] == [True, False, False, False]


def test_a_prune_while_a_log_is_taken_in_costs_no_picture(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(tmp_path / "mine") as log, Log(tmp_path / "mine") as other:
        gone: list[int] = []
        # between the pictures and the rows that name them
        monkeypatch.setattr(log.pictures, "sync", lambda _: gone.append(other.prune().pictures))
        assert import_folder(log, data).pictures == 3
        assert gone == [1]  # the three are one file
    assert check(tmp_path / "mine").problems == ()


def test_a_prune_while_a_picture_is_being_written_does_not_end_the_import(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(tmp_path / "mine") as log, Log(tmp_path / "mine") as other:
        gone: list[int] = []

        @contextmanager
        def written(path: Path, *, sync: bool = True) -> Iterator[BinaryIO]:
            with written_whole(path, sync=sync) as file:
                yield file
                if not gone:
                    gone.append(other.prune().pictures)

        monkeypatch.setattr(_pictures, "written_whole", written)
        assert import_folder(log, data).pictures == 3
        assert gone == [1]
    assert check(tmp_path / "mine").problems == ()


def test_a_damaged_picture_is_not_taken_in(data: Path, tmp_path: Path) -> None:
    (path,) = (data / "pictures").glob("*/*.jpg")
    path.write_bytes(b"\xff\xd8\xff another")
    with Log(tmp_path / "mine") as log:
        new = import_folder(log, data)
    assert (new.events, new.pictures) == (36, 0)
    assert new.lost == (f"picture {path.parent.name}/{path.name} is missing or damaged, and left out",)


def test_a_save_comes_between_the_steps_of_an_import(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from server.log import _transfer

    monkeypatch.setattr(_transfer, "HELD_S", 0.0)
    with Log(tmp_path) as log, Log(tmp_path) as other:
        mine = log.start_alignment(machine=MACHINE, source="camera")
        saved: list[int] = []

        def tell(what: str, done: int, of: int) -> None:
            saved.append(other.add_event(mine, TURN))  # would wait for ever, were the log held all the time

        import_json(log, spoiled(good, lambda _: None), tell=tell)
        assert len(saved) > 36 and len(log.alignments()) == 4


def test_after_each_step_of_an_import_the_log_is_left_alone_as_long(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from server.log import _transfer

    left_alone: list[float] = []
    monkeypatch.setattr(_transfer, "HELD_S", 1e-9)  # a step of one row takes longer
    monkeypatch.setattr("server.log._transfer.time.sleep", left_alone.append)
    said: list[tuple[str, int, int]] = []
    with Log(tmp_path) as log:
        import_json(log, spoiled(good, lambda _: None), tell=lambda *words: said.append(words))
    assert left_alone == [1e-9] * (36 + 2 * 3 + 2)  # rows, beginnings and ends of alignments, entries
    rows = 36 + 3 + 2
    assert said[:3] == [("alignments looked at", number, 0) for number in (1, 2, 3)]
    assert said[3] == ("rows", 1, rows) and said[-1] == ("rows", rows, rows)


def test_ctrl_c_leaves_no_half_alignment(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from server.log import _transfer

    monkeypatch.setattr(_transfer, "HELD_S", 0.0)
    count = 0

    def tell(what: str, done: int, of: int) -> None:
        nonlocal count
        count += what == "rows"
        if count == 20:
            raise KeyboardInterrupt

    with Log(tmp_path) as log:
        with pytest.raises(KeyboardInterrupt):
            import_json(log, spoiled(good, lambda _: None), tell=tell)
        assert [row["events"] for row in log.alignments()] == [12]
        import_json(log, spoiled(good, lambda _: None))
        assert [row["events"] for row in log.alignments()] == [12, 12, 12]


@pytest.mark.parametrize("when", ["2025-02-30T10:00:00.000Z", "2025-01-01T25:00:00.000Z"])
def test_a_day_that_no_calendar_has_is_refused(good: Path, tmp_path: Path, when: str) -> None:
    def change(whole: Json) -> None:
        whole["alignments"][0]["events"][3]["when"] = when

    with Log(tmp_path) as log:
        with pytest.raises(LogError, match=r"alignments\.0\.events\.3\.when"):
            import_json(log, spoiled(good, change))
        assert log.alignments() == []


def test_an_entry_of_an_older_version_with_no_such_day_stops_nothing(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        add_entry(log, "reminder", {"laser": "one", "what": "clean", "every_days": 30})
        from server.log import reminders
        from server.log._rows import change as change_row

        with log.writing() as db:
            change_row(db, "entry", 1, happened="2025-02-30T10:00:00.000Z")
        assert reminders(log) == []


@pytest.mark.parametrize("name", ["../../secret.jpg", b"\xff\xfe"])
def test_a_damaged_name_of_a_picture_leads_to_no_file_elsewhere(
    name: object, data: Path, tmp_path: Path
) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"not ours")
    change(data, "UPDATE event SET picture = ? WHERE id = 4", name)
    problems = back_up(data, tmp_path / "stick" / "log").problems
    assert any("event 4: its content is damaged" in line for line in problems)
    assert not list((tmp_path / "stick").rglob("secret.jpg"))

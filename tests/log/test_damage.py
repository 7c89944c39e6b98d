"""A damaged byte is found, costs only its row and never a backup, and everything else goes on."""

from __future__ import annotations

import io
import json
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from server.log import (
    Damaged,
    Log,
    LogError,
    add_entry,
    back_up,
    check,
    damaged_entries,
    entries,
    import_folder,
    import_json,
    rescue,
    restore,
)
from server.log._file_format import rows_in
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
        ("UPDATE alignment SET state = '{}' WHERE id = 2", "in mind"),
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


def test_a_damaged_rule_lets_no_picture_go(data: Path) -> None:
    with Log(data) as log:
        log.set_picture_rule(log.picture_rule().__class__(keep_alignments=200))
    change(data, "UPDATE setting SET value = replace(value, '200', '1')")
    assert any("setting 'pictures'" in line for line in check(data).problems)
    with Log(data) as log:
        log.start_alignment(machine=MACHINE, source="camera")
        assert log.prune().pictures == 0
        assert all(log.picture(row["id"]) for n in (1, 2, 3) for row in log.events(n) if row["has_picture"])


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
        assert len(json.loads("".join(log.json_texts()))["alignments"]) >= 2
        assert len("".join(log.csv_texts()).splitlines()) == 1 + 36
        assert log.state(1) is not None and len(log.document(1)["events"]) == 12


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


# backup and rescue


@pytest.mark.parametrize("place", ["event", "alignment", "index", "head"])
def test_a_good_backup_outlives_a_damaged_log(data: Path, tmp_path: Path, place: str) -> None:
    copy, before = tmp_path / "copy", exported(data)
    back_up(data, copy)
    damage(data, place)
    health = back_up(data, copy)
    assert health.problems and "as it was" in health.problems[0] and str(copy) in health.problems[0]
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


def test_what_rescue_loses_it_says_alignment_by_alignment(data: Path) -> None:
    for number, page in pages_of(data, "event"):
        if number == 2:
            overwrite(data, page * 4096, bytes(4096))
    found = rescue(data)
    with Log(data) as log:
        left = sum(len(log.events(row["id"])) for row in log.alignments())
        rows = log.alignments()
    assert 0 < left == found.events < 36
    told = sum("is lost" in line or "damaged" in line for line in found.lost)
    assert told == 36 - left and all(line.startswith("alignment ") for line in found.lost)
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


def test_what_stands_in_a_damaged_write_ahead_log_is_found(tmp_path: Path) -> None:
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
    content[32 + 24 + 4096 * 3] ^= 1
    wal.write_bytes(content)
    assert any("write-ahead log is damaged" in line for line in check(data).problems)
    with Log(data) as again:
        assert again.rescued is not None and len(again.events(number)) >= 4


values = (
    st.none()
    | st.integers(-(2**62), 2**62)
    | st.floats(allow_nan=False)
    | st.text(max_size=40)
    | st.just("x" * 9000)
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
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


def test_what_is_taken_in_is_never_ones_own(data: Path, tmp_path: Path) -> None:
    with Log(tmp_path / "mine") as log:
        mine = log.start_alignment(machine=MACHINE, source="camera")
        import_folder(log, data)
        assert log.newest("camera") == log.newest() == mine
        assert [row["own"] for row in log.alignments()] == [True, False, False, False]


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

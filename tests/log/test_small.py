"""Small parts of the log, each by itself: what is whole, what is imported, how long it is held."""

from __future__ import annotations

import io
import json
import os
import sqlite3
from collections import deque
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from server.log import (
    BadEntry,
    Imported,
    Log,
    PictureRule,
    Pruned,
    back_up,
    checked_entry,
    import_folder,
    import_json,
    rescue,
)
from server.log import _checksum as sums
from server.log import _database as database
from server.log import _salvage as salvage
from server.log import _schema as schema
from server.log import _store as store
from server.log import _transfer as transfer
from server.log._errors import LogError
from server.log._file_format import Found
from server.log._rescue import copy_pictures
from server.log._text import as_text, event_text, moment, stamp
from tests.log.test_prune import MARK, SIZE, files, held, log, picture

Json = dict[str, Any]
__all__ = ["log"]  # the fixture
UUID = "0f8fad5b-d9cb-469f-a165-70867728950e"
WHEN = "2024-02-29T12:00:00.000Z"


@pytest.mark.parametrize("to", range(1, schema.NEWEST + 1))
def test_tables_of_each_version_are_sound_under_their_own_number_alone(to: int) -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        schema.migrate(db, to=to)
        assert schema.schema_fault(db) is None and schema.version(db) == to
        for other in {0, to - 1, to + 1, 99} - {to}:
            db.execute(f"PRAGMA user_version = {other}")
            assert schema.schema_fault(db) == "the version that it says it has is damaged"
        db.execute(f"PRAGMA user_version = {to}")
        db.execute("PRAGMA application_id = 7")
        assert schema.schema_fault(db) == "the version that it says it has is damaged"


@pytest.mark.parametrize(
    ("mark", "version", "fault"),
    [
        (schema.APPLICATION_ID, 0, None),
        (schema.APPLICATION_ID, 1, "the tables are not as they were made"),
        (schema.APPLICATION_ID, schema.NEWEST, "the tables are not as they were made"),
        (schema.APPLICATION_ID, schema.NEWEST + 1, None),  # of a newer program
        (7, 1, None),  # of another program
        (schema.APPLICATION_ID + 1, 1, None),
    ],
)
def test_other_tables_are_damage_only_in_a_log_of_a_version_that_is_known(
    mark: int, version: int, fault: str | None
) -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        db.execute("CREATE TABLE other (id INTEGER)")
        db.execute(f"PRAGMA application_id = {mark}")
        db.execute(f"PRAGMA user_version = {version}")
        assert schema.schema_fault(db) == fault
        if version > schema.NEWEST or mark != schema.APPLICATION_ID:
            with pytest.raises(
                LogError, match="newer Spotwright" if mark == schema.APPLICATION_ID else "not a log"
            ):
                schema.is_newest(db)
        else:
            assert schema.is_newest(db) is (version == schema.NEWEST)


def test_a_log_is_brought_up_and_never_down() -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for to, now in ((2, 2), (1, 2), (2, 2), (3, 3)):
            schema.migrate(db, to=to)
            assert schema.version(db) == now and not db.in_transaction


OLD: Json = {
    "uuid": UUID,
    "alignment_id": 1,
    "sequence": 1,
    "happened": WHEN,
    "body": '{"kind": "mark"}',
    "reading": None,
    "picture": None,
    "withdrawn": 0,
}


@pytest.mark.parametrize(
    ("change", "whole"),
    [
        ({}, True),
        ({"withdrawn": 1}, True),
        ({"withdrawn": 2}, False),
        ({"withdrawn": -1}, False),
        ({"alignment_id": None}, True),
        ({"alignment_id": "1"}, False),
        ({"picture": f"ab/{'ab' * 32}.jpg"}, True),
        ({"picture": "ab/cd.jpg"}, False),
        ({"reading": "{}"}, True),
        ({"reading": b"{}"}, False),
        ({"uuid": b"x"}, False),
        ({"body": None}, False),
        ({"happened": 5}, False),
        ({"happened": "yesterday"}, False),
        ({"happened": f"{WHEN} "}, False),
        ({"body": "\ud800"}, False),
    ],
)
def test_a_row_of_an_older_version_is_whole_if_each_of_its_parts_may_be(change: Json, whole: bool) -> None:
    row = OLD | change
    assert salvage._old_and_whole(row, None) is whole
    texts = [row[key] for key in ("uuid", "happened", "body", "reading")]
    if whole:
        assert salvage._old_and_whole(row, schema.older_checksum(*texts))
        assert not salvage._old_and_whole(row, schema.older_checksum(*texts) + 1)


@pytest.mark.parametrize(
    ("text", "is_json"),
    [
        (None, True),
        ("{}", True),
        ('{"a": 1}', True),
        ("[]", False),
        ("{", False),
        (b"{}", False),
        ("[" * 9999, False),
    ],
)
def test_what_a_row_keeps_is_an_object_or_nothing(text: object, is_json: bool) -> None:
    assert salvage._is_json(text) is is_json


@pytest.mark.parametrize(
    ("body", "shown"),
    [
        ("plain", "plain"),
        (b"\xff bytes", "\\ufffd bytes"),
        ("two\n\n  lines", "two\\n\\n lines"),
        (None, "None"),
        ("é", "\\xe9"),
    ],
)
def test_a_damaged_entry_is_shown_in_plain_letters_on_one_line(body: object, shown: str) -> None:
    assert salvage._shown({"body": body}) == shown
    assert len(salvage._shown({"body": "x" * 999})) == salvage._SHOWN


class Clock:
    """Each step of the writing takes so long; a sleep is noted."""

    def __init__(self, step_s: float) -> None:
        self.now_s, self.step_s, self.slept = 0.0, step_s, list[float]()

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, span_s: float) -> None:
        self.slept.append(span_s)

    def step(self, _: sqlite3.Connection) -> None:
        self.now_s += self.step_s


@pytest.mark.parametrize(
    ("step", "count", "done", "rests"),
    [
        (0.0, 5, 5, False),
        (0.02, 5, 5, False),  # a tenth of the time is not worth a rest
        (0.03, 5, 5, True),
        (0.5, 5, 2, True),
        (0.4, 5, 3, True),
        (9.0, 5, 1, True),  # one at least
    ],
)
def test_a_log_is_held_for_a_while_and_then_left_alone_for_as_long(
    log: Log, step: float, count: int, done: int, rests: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``step``: how long one takes, as a share of the time that the log is held."""
    clock = Clock(step * transfer.HELD_S)
    monkeypatch.setattr(transfer, "time", clock)
    waiting: deque[transfer.Step] = deque([clock.step] * count)
    assert transfer._write_some(log, waiting) == done
    assert len(waiting) == count - done
    assert clock.slept == ([transfer.HELD_S] if rests else [])


def test_how_long_a_log_was_held_does_not_depend_on_when(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(0.0)
    clock.now_s = 1e6
    monkeypatch.setattr(transfer, "time", clock)
    assert transfer._write_some(log, deque([clock.step])) == 1
    assert clock.slept == []


def test_a_damaged_copy_of_an_entry_that_is_whole_elsewhere_is_no_loss() -> None:
    def row(sequence: int, sound: bool) -> salvage._Row:
        return salvage._Row(0, sequence, sound, True, {"sequence": sequence, "body": f"{sequence} {sound}"})

    rows = [row(2, True), row(1, False), row(1, True), row(3, False)]
    group = salvage._group(7, "name", None, rows, 4)
    assert [one.fields["sequence"] for one in group.events] == [1, 2]
    assert group.faults[1:] == ["entry 3 is damaged: 3 False", "entry 4 is lost"]


def exported(log: Log) -> Json:
    stream = io.StringIO()
    log.export_json(stream)
    content: Json = json.loads(stream.getvalue())
    return content


@pytest.mark.parametrize(
    ("place", "value", "path"),
    [
        (("version",), 3, "version"),
        (("version",), 0, "version"),
        (("format",), "other", "format"),
        (("alignments", 0, "note"), "n" * 2001, "alignments.0.note"),
        (("alignments", 0, "started"), "2023-02-29T12:00:00.000Z", "alignments.0.started"),
        (("alignments", 0, "started"), f"{WHEN}Z", "alignments.0.started"),
        (("alignments", 0, "uuid"), UUID.upper(), "alignments.0.uuid"),
        (("alignments", 0, "events", 0, "picture"), f"ab/{'ab' * 32}.jpgg", "alignments.0.events.0.picture"),
        (("alignments", 0, "surprise"), 1, "alignments.0.surprise"),
        (("alignments", 0, "done"), 1, "alignments.0.done"),
    ],
)
def test_an_export_that_is_not_quite_one_is_refused_with_its_place(
    log: Log, tmp_path: Path, place: tuple[Any, ...], value: Any, path: str
) -> None:
    content = exported(log)
    part: Any = content
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = value
    with Log(tmp_path / "other") as other:
        with pytest.raises(BadEntry) as refused:
            import_json(other, io.StringIO(json.dumps(content)))
        assert refused.value.path == path
        assert other.alignments() == []


def test_an_export_at_its_limits_is_taken(log: Log, tmp_path: Path) -> None:
    for version in (1, 2):
        content = exported(log) | {"version": version}
        content["alignments"][0] |= {"note": "n" * 2000, "started": WHEN}
        with Log(tmp_path / f"other-{version}") as other:
            import_json(other, io.StringIO(json.dumps(content)))
            rows = other.alignments()
            assert (rows[0]["note"], rows[0]["started"]) == ("n" * 2000, WHEN)
            assert not any(row["damaged"] or row["own"] for row in rows)


def test_room_that_is_just_enough_is_enough(log: Log) -> None:
    for keep_bytes, left in ((3 * SIZE, [0, 0, 1, 2]), (3 * SIZE - 1, [0, 0, 0, 2])):
        log.set_picture_rule(PictureRule(keep_gb=keep_bytes / 1e9))
        log.prune()
        assert held(log) == left
    log.add_event(4, MARK, picture=picture(50))
    log.set_picture_rule(PictureRule(keep_gb=3 * SIZE / 1e9))
    log.prune()
    log.start_alignment(machine={"name": "one"}, source="camera")
    assert files(log) == 3


def test_a_rule_is_nothing_less_than_one_alignment_and_no_gigabyte() -> None:
    assert PictureRule(keep_alignments=1, keep_gb=0.0).as_json() == {"keep_alignments": 1, "keep_gb": 0.0}
    rules: tuple[Json, ...] = ({"keep_alignments": 0}, {"keep_gb": -1e-9}, {"keep_gb": float("inf")})
    for rule in rules:
        with pytest.raises(BadEntry) as refused:
            PictureRule(**rule)
        assert refused.value.path == next(iter(rule))
    assert Pruned() == Pruned(0, 0) and Pruned(1, 20) + Pruned(3, 5) == Pruned(4, 25)


@pytest.mark.parametrize(
    ("field", "taken", "refused"),
    [
        ("reminder", ["r" * 36, "", None], ["r" * 37, 5]),
        ("hours", [0.0, 1e6, None], [-0.5, 1_000_001.0, float("nan"), float("inf")]),
        ("note", ["", "n" * 500], ["n" * 501]),
        ("laser", ["l", "l" * 200], ["", "l" * 201]),
    ],
)
def test_upkeep_has_its_limits(field: str, taken: list[Any], refused: list[Any]) -> None:
    body = {"laser": "one", "what": "cleaning"}
    for value in taken:
        assert checked_entry("upkeep", body | {field: value})[field] == value
    for value in refused:
        with pytest.raises(BadEntry) as raised:
            checked_entry("upkeep", body | {field: value})
        assert raised.value.path == field


@pytest.mark.parametrize("field", ["thickness_mm", "speed_mm_s", "power_percent"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), True])
def test_a_cut_has_only_numbers_that_are_some(field: str, value: object) -> None:
    cut = {"stage": "after", "place": "near", "material": "ply", "through": True}
    cut |= {"thickness_mm": 4.0, "speed_mm_s": 12.0, "power_percent": 60.0}
    with pytest.raises(BadEntry):
        checked_entry("cut", cut | {field: value})


def test_moments_are_written_in_utc_to_the_millisecond_and_read_again() -> None:
    from datetime import datetime, timedelta, timezone

    noon = datetime(2024, 2, 29, 12, 0, 0, 123_999, timezone(timedelta(hours=2)))
    assert stamp(noon) == "2024-02-29T10:00:00.123Z"
    assert moment(stamp(noon)) == noon - timedelta(microseconds=999)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}, "\ud800"])
def test_what_json_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(BadEntry) as refused:
        as_text({"a": value}, what="state")
    assert refused.value.path == "state"


def test_text_with_a_pair_of_surrogates_is_kept_and_an_event_has_a_kind() -> None:
    assert json.loads(as_text({"a": "\U0001f600"}, what="state")) == {"a": "\U0001f600"}
    assert json.loads(event_text({"kind": "mark"})) == {"kind": "mark"}
    events: tuple[Any, ...] = ({}, {"kind": 1}, [], None)
    for event in events:
        with pytest.raises(BadEntry):
            event_text(event)


def test_all_that_came_is_counted(log: Log, tmp_path: Path) -> None:
    text = json.dumps(exported(log))
    with Log(tmp_path / "other") as other:
        assert import_json(other, io.StringIO(text)) == Imported(alignments=4, events=8)
        assert import_folder(other, log.folder) == Imported(pictures=8)
        number = log.start_alignment(machine={"name": "one"}, source="camera")
        log.add_event(number, MARK, picture=picture(90))
        log.add_event(1, MARK)
        assert import_folder(other, log.folder) == Imported(alignments=1, events=2, pictures=1)


def test_a_verdict_that_is_damaged_is_no_verdict(log: Log) -> None:
    log.set_verdict(2, {"aligned": True}, done=True)
    before = exported(log)["alignments"][1]
    assert (before["done"], before["verdict"]) == (True, {"aligned": True})
    with log.writing() as db:
        db.execute("UPDATE alignment SET verdict = '{}' WHERE id = 2")
    after = exported(log)["alignments"][1]
    assert (after["done"], after["verdict"]) == (False, None)
    listed = log.alignments()[1]
    assert (listed["done"], listed["verdict"], listed["damaged"]) == (False, None, True)
    assert "the verdict of alignment 2 is damaged and left out" in log.lost


@pytest.mark.parametrize("which", [0, -1])
@pytest.mark.parametrize("spoilt", range(3))
def test_a_picture_that_is_damaged_is_copied_anew_whatever_is_in_it(
    log: Log, tmp_path: Path, spoilt: int, which: int
) -> None:
    name = sorted(log.pictures.names())[which]
    copy = tmp_path / "copy"
    copy_pictures([name], log.folder, copy)
    (copy / "pictures" / name).write_bytes(b"\xff\xd8\xff" + bytes([spoilt]))
    copy_pictures([name], log.folder, copy)
    assert (copy / "pictures" / name).read_bytes() == log.pictures.read(name)
    (log.pictures.folder / name).write_bytes(b"\xff\xd8\xff" + bytes([spoilt]))
    (copy / "pictures" / name).unlink()
    copy_pictures([name], log.folder, copy)
    assert not (copy / "pictures" / name).exists()  # nothing is better than what is damaged


@pytest.mark.parametrize("by", [-1, 1])
def test_a_log_that_is_another_file_now_is_written_to_no_more(
    log: Log, by: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    device, number = store._identity(log.folder / "spotwright.db")
    monkeypatch.setattr(store, "_identity", lambda _: (device, number + by))
    with pytest.raises(LogError, match="moved or deleted"):
        log.add_event(1, MARK)


def test_the_state_of_an_alignment_without_entries_comes_from_a_backup(tmp_path: Path) -> None:
    data, copy = tmp_path / "log", tmp_path / "copy"
    with Log(data) as opened:
        opened.start_alignment(machine={"name": "one"}, source="camera", state={"place": "mirror-2"})
    back_up(data, copy)
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute("UPDATE alignment SET state = '{}'")
    assert rescue(data, [copy]).lost == ()
    with Log(data) as opened:
        assert opened.state(1) == {"place": "mirror-2"} and opened.newest("camera") == 1


def test_after_a_long_wait_for_the_log_one_row_at_least_is_written(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock(0.0)
    waited = iter([0.0, *[9.0] * 9])
    monkeypatch.setattr(clock, "monotonic", lambda: next(waited))
    monkeypatch.setattr(transfer, "time", clock)
    assert transfer._write_some(log, deque([clock.step] * 3)) == 1


def test_what_is_new_takes_room_from_what_is_old(log: Log) -> None:
    log.set_picture_rule(PictureRule(keep_gb=9 * SIZE / 1e9))
    for number, left in ((60, [2, 2, 2, 2, 1]), (61, [1, 2, 2, 2, 1, 1]), (62, [0, 2, 2, 2, 1, 1, 1])):
        added = log.start_alignment(machine={"name": "one"}, source="camera")
        log.add_event(added, MARK, picture=picture(number))
        log.start_alignment(machine={"name": "one"}, source="camera")
        assert [count for count in held(log) if count] == [count for count in left if count]
        assert files(log) == min(9, sum(left))


@pytest.mark.parametrize(("later", "damaged"), [(0, False), (1, False), (2, True), (9, True)])
def test_a_write_ahead_log_is_damaged_where_later_entries_are_still_in_it(
    tmp_path: Path, later: int, damaged: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One commit behind the fault may be one that was cut off while it was written."""
    monkeypatch.setattr(database, "committed_frames", lambda _: (5, later))
    assert database.wal_faults(tmp_path / "x.db") == ()
    (tmp_path / "x.db-wal").write_bytes(b"frames")
    faults = database.wal_faults(tmp_path / "x.db")
    assert bool(faults) is damaged and all("damaged after 5 pages" in line for line in faults)


@pytest.mark.parametrize(
    ("size", "fresh"), [(100, True), (4095, True), (4096, True), (4097, False), (8192, False)]
)
def test_a_head_may_be_empty_where_it_is_all_that_is_in_the_file(
    tmp_path: Path, size: int, fresh: bool
) -> None:
    head = bytearray(100)
    head[:24] = b"SQLite format 3\0" + bytes((0x10, 0x00, 2, 2, 0, 0x40, 0x20, 0x20))
    (tmp_path / "x.db").write_bytes(bytes(head) + bytes(size - 100))
    assert (database.head_faults(tmp_path / "x.db") == ()) is fresh


HEAD: Json = {"uuid": UUID, "started": WHEN, "source": "camera", "machine": "{}", "note": ""}


@pytest.mark.parametrize(
    ("change", "plausible"),
    [
        ({}, True),
        ({"source": "practice", "note": "n"}, True),
        ({"source": "moon"}, False),
        ({"uuid": "x"}, False),
        ({"uuid": UUID.upper()}, False),
        ({"uuid": f"{UUID}0"}, False),
        ({"started": "now"}, False),
        ({"started": f"{WHEN}Z"}, False),
        ({"machine": None}, False),
        ({"note": 5}, False),
        ({"uuid": b"x"}, False),
        ({"source": None}, False),
    ],
)
def test_what_may_be_the_head_of_an_alignment(change: Json, plausible: bool) -> None:
    assert salvage._plausible(HEAD | change) is plausible


OLD_HEAD = (None, UUID, WHEN, "camera", "{}", "note", '{"a": 1}', None, 1)


@pytest.mark.parametrize(
    ("values", "found"),
    [
        (OLD_HEAD, True),
        ((*OLD_HEAD[:8], 0), True),
        ((*OLD_HEAD[:8], 2), False),
        ((*OLD_HEAD[:8], -1), False),
        ((*OLD_HEAD[:3], "moon", *OLD_HEAD[4:]), False),
        (OLD_HEAD[:8], False),
        ((*OLD_HEAD, 1), False),
    ],
)
def test_a_head_of_an_older_version_is_one_if_it_may_be(values: tuple[Any, ...], found: bool) -> None:
    made = salvage._alignment(Found(1, values, True))
    assert (made is not None) is found
    if made is not None:
        fields, whole = made
        assert whole and fields["own"] == 1 and fields["sound_state"] and fields["sound_verdict"]
        assert (fields["uuid"], fields["note"], fields["done"]) == (UUID, "note", values[8])
    spoilt = salvage._alignment(Found(1, (*OLD_HEAD[:6], "{", None, 1), True))
    assert spoilt is not None and not spoilt[0]["sound_state"]


@pytest.mark.parametrize("part", [None, "head", "state", "verdict"])
def test_a_head_is_as_sound_as_its_checksums(part: str | None) -> None:
    fields = dict(zip(salvage._ALIGNMENT, OLD_HEAD[1:], strict=True)) | {"own": 0}
    kept = {name: sums.sum_of(fields, columns) for name, columns in sums.ALIGNMENT.items()}
    kept |= {} if part is None else {f"{part}_checksum": 7}
    made = salvage._alignment(Found(1, (*OLD_HEAD, 0, *kept.values()), True))
    assert made is not None
    row, whole = made
    assert (whole, row["sound_state"], row["sound_verdict"], row["own"]) == (
        *(part != "head", part != "state", part != "verdict"),
        0,
    )


def test_a_row_of_another_width_is_none_of_ours() -> None:
    row = (None, UUID, 1, 1, WHEN, '{"kind": "mark"}', None, None, 0, *[None] * 17)
    fields = dict(zip(sums.EVENT, row[1:9], strict=True))
    seal = sums.sum_of(fields, sums.EVENT)
    for values, whole in (((*row, seal), True), (row, True), ((*row, seal + 1), False)):
        made = salvage._event(Found(1, values, True))
        assert made == (fields, whole)
    assert salvage._event(Found(1, row[:-1], True)) is None
    assert salvage._event(Found(1, (*row, seal, 1), True)) is None
    entry = (None, UUID, "cut", None, WHEN, "{}", None, 0)
    parts = dict(zip(sums.ENTRY, entry[1:], strict=True))
    assert salvage._entry(Found(1, (*entry, sums.sum_of(parts, sums.ENTRY)), True)) == (parts, True)
    assert salvage._entry(Found(1, (*entry, 5), True)) == (parts, False)
    assert salvage._entry(Found(1, (*entry[:2], "thought", *entry[3:], 5), True)) is None
    assert salvage._entry(Found(1, entry, True)) is None


def test_a_log_with_a_table_more_or_less_is_not_as_it_was_made(log: Log) -> None:
    for sql in ("CREATE TABLE other (id INTEGER)", "DROP TABLE other", "DROP INDEX entry_by_alignment"):
        with closing(sqlite3.connect(log.folder / "spotwright.db")) as db, db:
            db.execute(sql)
            sound = sql.startswith("DROP TABLE")
            assert (schema.schema_fault(db) is None) is sound


def test_an_alignment_without_a_profile_is_exported_as_damaged(tmp_path: Path) -> None:
    with Log(tmp_path) as opened:
        opened.start_alignment(machine={}, source="offline")
        opened.start_alignment(machine={"name": "one"}, source="offline")
        one, two = exported(opened)["alignments"]
        assert one["damaged"] is True and "damaged" not in two


def test_a_folder_is_synced_where_the_system_can(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    database.fsync_folder(tmp_path)
    assert len(synced) == (os.name != "nt")

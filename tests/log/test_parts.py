"""Parts of the log by closed cases: numbers that a rescue keeps, hours since upkeep, what a check found."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from server.log import Log, check
from server.log import _check as checks
from server.log import _checksum as sums
from server.log import _salvage as salvage
from server.log import _schema as schema
from server.log import _transfer as transfer
from server.log import _upkeep as upkeep
from server.log._check import Health
from server.log._errors import Damaged, LogError
from server.log._pictures import PictureFolder
from server.log._progress import no_progress

Json = dict[str, Any]
WHEN = "2024-02-29T12:00:00.000Z"


# what a check found


@pytest.mark.parametrize("error", [LogError("the disk fails"), Damaged("not a database")])
def test_a_log_that_cannot_be_read_has_that_as_its_only_problem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: LogError
) -> None:
    def fails(folder: Path) -> tuple[str, ...]:
        raise error

    Log(tmp_path).close()
    monkeypatch.setattr(checks, "structure_faults", fails)
    assert check(tmp_path) == Health(0, 0, 0, (str(error),))


def test_of_a_damaged_log_of_which_nothing_is_left_the_faults_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Log(tmp_path).close()
    monkeypatch.setattr(checks, "structure_faults", lambda _: ("database: page 3 is odd",))
    assert check(tmp_path) == Health(0, 0, 0, ("database: page 3 is odd",))


@pytest.mark.parametrize("digit", ["0", "f"])
def test_a_picture_under_any_other_name_than_its_own_is_damaged(tmp_path: Path, digit: str) -> None:
    """Whether its own would come before that name or after it."""
    folder = PictureFolder(tmp_path)
    own, other = folder.keep(b"a picture"), f"{2 * digit}/{64 * digit}.bin"
    (tmp_path / other).parent.mkdir()
    (tmp_path / other).write_bytes(b"a picture")
    assert (own < other) == (digit == "f")
    gone = f"{2 * digit}/{63 * digit}1.bin"
    faults = checks._picture_faults([own, other, gone], folder, no_progress)
    assert list(faults) == [f"picture {other}: is damaged", f"picture {gone}: is missing"]


# what a rescue keeps


def event(number: int, sequence: int) -> salvage._Row:
    fields: Json = {
        "uuid": f"0f8fad5b-d9cb-469f-a165-{sequence:012d}",
        "happened": WHEN,
        "body": '{"kind": "mark"}',
        "reading": None,
        "picture": None,
        "withdrawn": 0,
        "alignment_id": 5,
        "sequence": 90 + sequence,
    }
    return salvage._Row(0, number, True, True, fields)


def test_events_keep_their_numbers_where_they_can() -> None:
    """Not twice the same, none below 1, none that leaves no room for later ones; then they get the next."""
    numbers = [7, 3, 7, 0, -4, (1 << 62) - 1, 1 << 62]
    group = salvage._Group(5, "name", None, [event(n, i) for i, n in enumerate(numbers)], [])
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        schema.migrate(db)
        db.execute("PRAGMA foreign_keys = OFF")
        salvage._write_events(db, group)
        rows = db.execute("SELECT id, sequence, alignment_id FROM event ORDER BY sequence").fetchall()
    kept = [number for number, _, _ in rows]
    assert kept == [7, 3, 8, 9, 10, (1 << 62) - 1, 1 << 62]
    assert [place for _, place, _ in rows] == [1, 2, 3, 4, 5, 6, 7]
    assert {of for _, _, of in rows} == {5}


@pytest.mark.parametrize(
    ("last", "numbers", "lost"),
    [
        ({"alignment": 5}, [(0, 3), (0, 2)], ["alignments: the last 2 are lost"]),
        ({"alignment": 4}, [(0, 3)], ["alignments: the last 1 are lost"]),
        ({"alignment": 3}, [(0, 3)], []),
        ({"alignment": 2}, [(0, 3)], []),
        ({}, [(0, 3)], []),
        ({"alignment": 5}, [(0, 3), (1, 5)], ["alignments: the last 2 are lost"]),  # another file's own count
        ({"alignment": 2}, [], ["alignments: the last 2 are lost"]),
        ({"entry": 1, "alignment": 0}, [], ["cuts or upkeep: the last 1 are lost"]),
        ({"event": 9}, [], []),  # of these every gap shows
    ],
)
def test_what_is_lost_at_the_end_is_counted(
    last: dict[str, int], numbers: list[tuple[int, int]], lost: list[str]
) -> None:
    rows = {f"{file} {number}": replace(event(number, 1), file=file) for file, number in numbers}
    found = salvage.Salvage(alignments=rows, last=last)
    salvage._tell_the_end(found)
    assert found.lost == lost


# rows of older versions


@pytest.mark.parametrize(
    ("wrong", "whole"), [(None, True), (0, True), (1, False), (-1, False), (2**31, False), (-(2**31), False)]
)
def test_a_row_that_was_damaged_by_an_older_checksum_stays_damaged(wrong: int | None, whole: bool) -> None:
    """``wrong``: by how much it is off, None where that version had none."""
    texts = ("0f8fad5b-d9cb-469f-a165-70867728950e", WHEN, '{"kind": "mark"}', None)
    columns = ("uuid", "happened", "body", "reading")
    kept = None if wrong is None else schema.older_checksum(*texts) + wrong
    with closing(sqlite3.connect(":memory:")) as db:
        db.row_factory = sqlite3.Row
        row = db.execute(
            "SELECT ? AS uuid, ? AS happened, ? AS body, ? AS reading, ? AS checksum", (*texts, kept)
        ).fetchone()
    wanted = sums.sum_of(dict(zip(columns, texts, strict=True)), columns) if whole else sums.NEVER
    assert schema._renewed(row, columns) == wanted


# hours since upkeep


def row(number: int, hours: float | None, laser: str = "one") -> Json:
    return {"id": number, "hours": hours, "laser": laser}


@pytest.mark.parametrize(
    ("last", "hours"),
    [
        (1, 60.0),  # before the first reading: from that on
        (2, 60.0),
        (3, 60.0),  # between two: from the one before
        (4, 40.0),
        (5, 40.0),
        (6, 0.0),
        (7, 0.0),
    ],
)
def test_hours_count_from_the_last_reading_before(last: int, hours: float) -> None:
    rows = [row(2, 100.0), row(3, 999.0, "other"), row(4, 120.0), row(5, None), row(6, 160.0)]
    assert upkeep._hours_since({"id": last}, rows, "one") == hours
    assert upkeep._hours_since({"id": last}, rows[1:2], "one") == 0.0


# how long the log is held


def test_the_log_is_held_no_longer_than_another_waits_between_two_tries() -> None:
    """SQLite's own wait grows to 100 ms (from memory of its `sqliteDefaultBusyCallback`)."""
    assert 0 < transfer.HELD_S <= 0.1


@pytest.mark.parametrize(
    ("steps", "bytes_each", "taken"), [(3, 0, 3), (9, 0, 5), (9, 50, 2), (9, 99, 2), (9, 100, 1), (0, 0, 0)]
)
def test_rows_wait_in_memory_until_they_are_many_or_their_pictures_large(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, steps: int, bytes_each: int, taken: int
) -> None:
    monkeypatch.setattr(transfer, "_AT_ONCE", 5)
    monkeypatch.setattr(transfer, "_BYTES_AT_ONCE", 100)
    with Log(tmp_path) as log:
        target = transfer._Target(log, lambda _: None)

        def each() -> Any:
            for _ in range(steps):
                target.unsynced_bytes += bytes_each
                yield lambda db: None

        assert len(target.some(each())) == taken

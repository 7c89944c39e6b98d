"""Test cuts, upkeep, hours and reminders: saved, withdrawn, exported, imported, and due in time."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.log import (
    BadEntry,
    Imported,
    Log,
    NoSuchEntry,
    PictureRule,
    add_entry,
    back_up,
    check,
    checked_entry,
    entries,
    entry_picture,
    import_folder,
    import_json,
    reminders,
    withdraw_entry,
    write_upkeep_csv,
)

Json = dict[str, Any]
MACHINE = {"name": "one"}
JPEG = b"\xff\xd8\xff a photo of a cut"
CUT: Json = {
    "stage": "before",
    "place": "far",
    "material": "birch plywood",
    "thickness_mm": 4.0,
    "speed_mm_s": 12.0,
    "power_percent": 60.0,
    "through": False,
}
CLEAN: Json = {"laser": "one", "what": "clean mirrors and lens", "every_days": 30, "every_hours": 40.0}


class Calendar:
    def __init__(self) -> None:
        self.now = datetime(2024, 2, 29, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def calendar() -> Calendar:
    return Calendar()


@pytest.fixture
def log(tmp_path: Path, calendar: Calendar) -> Log:
    return Log(tmp_path / "log", now=calendar)


def begin(log: Log) -> int:
    return log.start_alignment(machine=MACHINE, source="camera")


def test_a_cut_is_kept_with_its_photo_and_can_be_withdrawn(log: Log) -> None:
    number = begin(log)
    entry = add_entry(log, "cut", CUT, alignment_id=number, picture=JPEG)
    (row,) = entries(log, "cut", alignment_id=number)
    assert {key: row[key] for key in CUT} == CUT
    assert (row["id"], row["alignment"], row["note"]) == (entry, number, "")
    assert row["when"] == "2024-02-29T12:00:00.000Z"
    assert entry_picture(log, entry) == JPEG
    withdraw_entry(log, entry)
    assert entries(log) == []
    assert check(log.folder).problems == ()


def test_what_is_not_there_is_said(log: Log) -> None:
    for deed in (
        lambda: add_entry(log, "cut", CUT, alignment_id=7),
        lambda: withdraw_entry(log, 7),
        lambda: entry_picture(log, 7),
    ):
        with pytest.raises(NoSuchEntry, match="7"):
            deed()
    assert entries(log) == []


@pytest.mark.parametrize(
    ("kind", "change", "path"),
    [
        ("cut", {"thickness_mm": 0.0}, "thickness_mm"),
        ("cut", {"thickness_mm": "4"}, "thickness_mm"),
        ("cut", {"power_percent": 101.0}, "power_percent"),
        ("cut", {"place": "middle"}, "place"),
        ("cut", {"colour": "red"}, "colour"),
        ("cut", {"speed_mm_s": float("inf")}, "speed_mm_s"),
        ("reminder", {"every_days": None, "every_hours": None}, "reminder"),
        ("reminder", {"every_days": 0}, "every_days"),
        ("thought", {}, "kind"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    log: Log, kind: str, change: Json, path: str
) -> None:
    body = (CUT if kind == "cut" else CLEAN) | change
    with pytest.raises(BadEntry) as refused:
        add_entry(log, kind, body)
    assert refused.value.path == path
    assert entries(log) == []


@pytest.mark.parametrize(
    ("kind", "field", "least", "most"),
    [
        ("cut", "thickness_mm", None, 200.0),
        ("cut", "speed_mm_s", None, 10_000.0),
        ("cut", "power_percent", None, 100.0),
        ("cut", "material", "a", "a" * 120),
        ("cut", "note", "", "a" * 500),
        ("reminder", "every_days", 1, 3650),
        ("reminder", "every_hours", None, 50_000.0),
        ("reminder", "hours", 0.0, 1e6),
        ("reminder", "laser", "a", "a" * 200),
        ("reminder", "what", "a", "a" * 120),
    ],
)
def test_what_is_just_possible_is_taken_and_no_more(kind: str, field: str, least: Any, most: Any) -> None:
    """``least`` None: anything above 0."""
    body = CUT if kind == "cut" else CLEAN
    for value in (0.001 if least is None else least, most):
        assert checked_entry(kind, body | {field: value})[field] == value
    too_little = 0.0 if least is None else least[:-1] if isinstance(least, str) else least - 1
    too_much = most + "a" if isinstance(most, str) else most + 1
    for value in (too_much, *(() if too_little == least else (too_little,))):
        with pytest.raises(BadEntry) as refused:
            checked_entry(kind, body | {field: value})
        assert refused.value.path == field


def test_a_form_may_send_text() -> None:
    sent = {key: str(value) for key, value in CUT.items()} | {"through": "true"}
    assert checked_entry("cut", sent, lax=True) == CUT | {"through": True, "note": ""}


def left(log: Log) -> tuple[float | None, float | None, bool]:
    (row,) = reminders(log)
    return row["days_left"], row["hours_left"], row["due"]


def test_a_reminder_by_days_is_due_when_they_are_over_and_restarts_when_done(
    log: Log, calendar: Calendar
) -> None:
    add_entry(log, "reminder", CLEAN | {"every_hours": None})
    assert left(log) == (30, None, False)
    calendar.now += timedelta(days=29, hours=12)
    assert left(log) == (0.5, None, False)
    calendar.now += timedelta(hours=12)
    assert left(log) == (0, None, True)
    asked = reminders(log)[0]["uuid"]
    add_entry(log, "upkeep", {"laser": "one", "what": "cleaning", "reminder": asked})
    assert left(log) == (30, None, False)


def test_doing_two_of_three_things_leaves_the_third_due(log: Log, calendar: Calendar) -> None:
    for what in ("lens", "rails", "belts"):
        add_entry(log, "reminder", CLEAN | {"what": what})
    first, middle, last = sorted(row["uuid"] for row in reminders(log))
    calendar.now += timedelta(days=31)
    for uuid in (first, last):
        add_entry(log, "upkeep", {"laser": "one", "what": "cleaning", "reminder": uuid})
    assert [row["uuid"] for row in reminders(log) if row["due"]] == [middle]


def test_a_reminder_by_hours_counts_those_of_its_laser(log: Log) -> None:
    add_entry(log, "hours", {"laser": "one", "hours": 100.0})
    add_entry(log, "reminder", CLEAN | {"every_days": None})
    assert left(log) == (None, 40.0, False)
    add_entry(log, "hours", {"laser": "two", "hours": 9000.0})
    assert left(log) == (None, 40.0, False)
    add_entry(log, "hours", {"laser": "one", "hours": 139.5})
    assert left(log) == (None, 0.5, False)
    add_entry(log, "hours", {"laser": "one", "hours": 141.0})
    assert left(log) == (None, -1.0, True)
    asked = reminders(log)[0]["uuid"]
    add_entry(log, "upkeep", {"laser": "one", "what": "cleaning", "hours": 141.5, "reminder": asked})
    assert left(log) == (None, 40.0, False)


def test_hours_count_from_the_first_reading_where_there_was_none(log: Log) -> None:
    add_entry(log, "reminder", CLEAN | {"every_days": None})
    assert left(log) == (None, 40.0, False)
    add_entry(log, "hours", {"laser": "one", "hours": 500.0})
    assert left(log) == (None, 40.0, False)
    add_entry(log, "hours", {"laser": "one", "hours": 545.0})
    assert left(log) == (None, -5.0, True)


def fill(log: Log) -> None:
    number = begin(log)
    add_entry(log, "cut", CUT, alignment_id=number, picture=JPEG)
    gone = add_entry(log, "cut", CUT | {"place": "near"}, alignment_id=number)
    withdraw_entry(log, gone)
    add_entry(log, "reminder", CLEAN)
    add_entry(log, "upkeep", {"laser": "one", "what": 'a "new" tube\n', "note": "ü"})


def exported(log: Log) -> str:
    stream = io.StringIO()
    log.export_json(stream)
    return stream.getvalue()


def bare(log: Log) -> list[Json]:
    return [{key: row[key] for key in row if key != "has_picture"} for row in entries(log)]


def test_export_and_import_bring_all_of_it_and_twice_is_once(log: Log, tmp_path: Path) -> None:
    fill(log)
    text = exported(log)
    with Log(tmp_path / "other") as other:
        assert import_json(other, io.StringIO(text)) == Imported(alignments=1, entries=4)
        assert bare(other) == bare(log)
        assert import_json(other, io.StringIO(text)) == Imported()
        assert import_folder(other, log.folder) == Imported(pictures=1)
        assert exported(other) == text
        assert entry_picture(other, 1) == JPEG


def test_an_export_of_the_first_form_is_still_taken_in(log: Log, tmp_path: Path) -> None:
    fill(log)
    old = json.loads(exported(log)) | {"version": 1}
    del old["entries"]
    with Log(tmp_path / "other") as other:
        assert import_json(other, io.StringIO(json.dumps(old))) == Imported(alignments=1)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda entry: entry | {"alignment": "0f8fad5b-d9cb-469f-a165-70867728950e"},
        lambda entry: entry | {"kind": "hours"},
        lambda entry: entry | {"body": entry["body"] | {"power_percent": 400.0}},
    ],
)
def test_a_bad_entry_is_refused_with_all_that_came_with_it(
    log: Log, tmp_path: Path, spoil: Callable[[Json], Json]
) -> None:
    fill(log)
    whole = json.loads(exported(log))
    whole["entries"][0] = spoil(whole["entries"][0])
    with Log(tmp_path / "other") as other:
        with pytest.raises(BadEntry, match=whole["entries"][0]["uuid"]):
            import_json(other, io.StringIO(json.dumps(whole)))
        assert other.alignments() == []


def test_a_backup_has_the_photos_and_no_rule_takes_them(log: Log, tmp_path: Path) -> None:
    fill(log)
    log.set_picture_rule(PictureRule(keep_alignments=1, keep_gb=0))
    begin(log)
    log.prune()
    assert entry_picture(log, 1) == JPEG
    assert back_up(log.folder, tmp_path / "copy").problems == ()
    with Log(tmp_path / "copy") as copy:
        assert entry_picture(copy, 1) == JPEG


def test_damage_to_an_entry_is_found(log: Log) -> None:
    fill(log)
    with log.writing() as db:
        db.execute("UPDATE entry SET body = replace(body, '60.0', '61.0') WHERE id = 1")
    assert check(log.folder).problems == ("entry 1: its content is damaged",)
    assert entry_picture(log, 1) is None


@given(material=st.text(min_size=1, max_size=40).filter(str.strip), note=st.text(max_size=40))
def test_the_csv_gives_back_what_was_typed(material: str, note: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder, Log(Path(folder)) as log:
        try:
            add_entry(log, "cut", CUT | {"material": material, "note": note})
        except BadEntry:
            assert any("\ud800" <= sign <= "\udfff" for sign in material + note)
            return
        stream = io.StringIO(newline="")
        write_upkeep_csv(log, stream)
        (row,) = csv.DictReader(io.StringIO(stream.getvalue(), newline=""))
        # what counts as white space at the ends differs between Python and pydantic: the ends do not count
        assert row["material"].removeprefix("'").strip() == material.strip().removeprefix("'").strip()
        assert row["material"][0] not in "=+-@"
        assert (row["kind"], row["through"], row["thickness_mm"]) == ("cut", "False", "4.0")

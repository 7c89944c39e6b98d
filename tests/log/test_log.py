"""What goes into the log comes out of it, in the order in which it happened."""

from __future__ import annotations

import csv
import io
import json
import math
import tempfile
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.log import BadEntry, Log, LogError, NoSuchEntry

MACHINE = {"name": "shop floor 1", "bed": {"width_mm": 1600}}
MARK = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": [0, 1000],
    "offset_mm": [1.8, -0.6],
    "sigma_mm": 0.1,
}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": -0.125}
SHIFT = {"kind": "shift", "part": "tube", "move_mm": [0, 0, 0.8]}
JPEG = b"\xff\xd8\xff\xe0 a picture"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def number(log: Log) -> int:
    return log.start_alignment(machine=MACHINE, source="practice", note="after the tube was changed")


def test_document_holds_machine_and_events_in_order(log: Log, number: int) -> None:
    for event in (MARK, TURN, SHIFT, MARK):
        log.add_event(number, event)
    assert log.document(number) == {"machine": MACHINE, "events": [MARK, TURN, SHIFT, MARK]}


def test_order_does_not_follow_the_clock(tmp_path: Path) -> None:
    moments = iter(datetime(2025, 1, 9, tzinfo=UTC) - timedelta(days=day) for day in range(9))
    with Log(tmp_path, now=lambda: next(moments)) as log:
        first = log.start_alignment(machine=MACHINE, source="camera")
        for turns in (1.0, 2.0, 3.0):
            log.add_event(first, TURN | {"turns": turns})
        second = log.start_alignment(machine=MACHINE, source="camera")
        assert [event["turns"] for event in log.document(first)["events"]] == [1.0, 2.0, 3.0]
        assert log.newest("camera") == second
        assert [row["id"] for row in log.alignments()] == [first, second]


def test_withdrawn_event_stays_but_leaves_the_document(log: Log, number: int) -> None:
    wrong = log.add_event(number, MARK)
    log.add_event(number, TURN)
    log.withdraw_event(wrong)
    assert log.document(number)["events"] == [TURN]
    assert [(row["event"], row["withdrawn"]) for row in log.events(number)] == [(MARK, True), (TURN, False)]


def test_alignments_do_not_mix(log: Log, number: int) -> None:
    other = log.start_alignment(machine=MACHINE | {"name": "other"}, source="offline")
    log.add_event(number, MARK)
    log.add_event(other, TURN)
    assert log.document(number)["events"] == [MARK]
    assert log.document(other)["events"] == [TURN]
    assert (log.newest("practice"), log.newest("offline"), log.newest("camera")) == (number, other, None)
    assert log.newest() == other


def test_list_tells_what_there_is(log: Log, number: int) -> None:
    log.add_event(number, MARK)
    log.set_verdict(number, {"aligned": True}, done=True)
    (row,) = log.alignments()
    details = {key: row[key] for key in ("id", "source", "machine", "note", "done", "verdict", "events")}
    assert details == {
        "id": number,
        "source": "practice",
        "machine": "shop floor 1",
        "note": "after the tube was changed",
        "done": True,
        "verdict": {"aligned": True},
        "events": 1,
    }


def test_picture_and_reading_stay_with_their_event(log: Log, number: int) -> None:
    event = log.add_event(number, MARK, picture=JPEG, reading={"station": "mirror-2", "marks": []})
    without = log.add_event(number, TURN)
    assert log.picture(event) == JPEG
    assert log.picture(without) is None
    first, second = log.events(number)
    assert (first["has_picture"], second["has_picture"]) == (True, False)
    assert first["reading"] == {"station": "mirror-2", "marks": []}


def test_state_goes_with_the_event_or_on_its_own(log: Log, number: int) -> None:
    assert log.state(number) is None
    log.add_event(number, TURN, state={"screws": [1]})
    assert log.state(number) == {"screws": [1]}
    log.set_state(number, {"screws": [2]})
    assert log.state(number) == {"screws": [2]}


def test_everything_is_there_after_opening_again(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        number = log.start_alignment(machine=MACHINE, source="camera", state={"head_mm": [0, 0]})
        event = log.add_event(number, MARK, picture=JPEG)
    with Log(tmp_path, access="read-only") as again:
        assert again.document(number) == {"machine": MACHINE, "events": [MARK]}
        assert again.picture(event) == JPEG
        assert again.state(number) == {"head_mm": [0, 0]}


def test_times_are_utc_whatever_the_clock_says(tmp_path: Path) -> None:
    noon_east = datetime(2025, 6, 1, 12, tzinfo=timezone(timedelta(hours=9)))
    with Log(tmp_path, now=lambda: noon_east) as log:
        log.start_alignment(machine=MACHINE, source="camera")
        assert log.alignments()[0]["started"] == "2025-06-01T03:00:00.000Z"


def test_commits_are_synced(log: Log) -> None:
    with log.writing() as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert db.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL in SQLite's documentation


def test_csv_has_a_line_for_each_event(log: Log, number: int) -> None:
    for event in (MARK | {"sigma_mm": [0.1, 0.2]}, TURN, SHIFT):
        log.add_event(number, event)
    stream = io.StringIO(newline="")
    log.export_csv(stream)
    assert stream.getvalue().endswith("\r\n")  # RFC 4180
    mark, turn, shift = csv.DictReader(io.StringIO(stream.getvalue(), newline=""))
    shown = {key: float(mark[key]) for key in ("head_y_mm", "u_mm", "v_mm", "sigma_u_mm", "sigma_v_mm")}
    assert shown == {"head_y_mm": 1000, "u_mm": 1.8, "v_mm": -0.6, "sigma_u_mm": 0.1, "sigma_v_mm": 0.2}
    assert (mark["machine"], mark["station"], mark["event"]) == ("shop floor 1", "mirror-2", "1")
    assert (turn["mount"], turn["screw"], float(turn["turns"])) == ("1", "top", -0.125)
    assert (shift["part"], float(shift["move_z_mm"]), shift["u_mm"]) == ("tube", 0.8, "")


ordinary = st.floats(-1e6, 1e6).map(lambda value: float(f"{value:.15g}"))
numbers = ordinary | st.integers(-(10**6), 10**6) | st.none() | st.just("1.5") | st.text(max_size=3)
pairs = st.lists(numbers, min_size=1, max_size=2)
marks = st.fixed_dictionaries(
    {"kind": st.just("mark"), "station": st.sampled_from(["mirror-1", "nozzle", "-x", 'a "b", c'])},
    optional={"head_mm": pairs, "offset_mm": pairs, "sigma_mm": pairs | ordinary},
)
turns = st.fixed_dictionaries(
    {"kind": st.just("turn"), "screw": st.sampled_from(["top", "=x", "a,b", "%s", "-top", "µ", None])},
    optional={"mount": st.sampled_from([1, 1.5, "two", None]), "turns": numbers},
)


@settings(max_examples=25, deadline=None)
@given(events=st.lists(marks | turns, min_size=1, max_size=8), note=st.text(max_size=8))
def test_a_csv_line_says_what_the_database_computes_from_the_event(
    events: list[dict[str, Any]], note: str
) -> None:
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder)) as log:
        number = log.start_alignment(
            machine={"name": "one"}, source="camera", note=note.encode("utf-8", "ignore").decode()
        )
        for event in events:
            log.add_event(number, event)
        with log.reading() as db:
            kept = db.execute(
                "SELECT kind, station, head_x_mm, u_mm, sigma_v_mm, turns, screw FROM event"
            ).fetchall()
        columns = ("kind", "station", "head_x_mm", "u_mm", "sigma_v_mm", "turns", "screw")
        rows = csv.DictReader(io.StringIO("".join(log.csv_texts()), newline=""))
        for row, values in zip(rows, kept, strict=True):
            assert [number_or_text(row[name]) for name in columns] == [shown(value) for value in values]


def shown(value: object) -> float | str:
    """A CSV cell as the value that the database computes from the same event."""
    text = "" if value is None else str(value)
    return number_or_text(f"'{text}" if isinstance(value, str) and text[:1] in tuple("=+-@\t\r") else text)


def cells(log: Log) -> list[list[float | str]]:
    rows = csv.reader(io.StringIO("".join(log.csv_texts()), newline=""))
    return [[number_or_text(cell) for cell in row] for row in rows]


def number_or_text(cell: str) -> float | str:
    try:
        value = float(cell)
    except ValueError:
        return cell
    return value if math.isfinite(value) else cell


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_csv_cell_never_begins_like_a_formula(log: Log, text: str) -> None:
    number = log.start_alignment(machine={"name": text}, source="offline", note=text)
    log.add_event(number, TURN | {"screw": text})
    stream = io.StringIO(newline="")
    log.export_csv(stream)
    (row,) = csv.DictReader(io.StringIO(stream.getvalue(), newline=""))
    assert [row[key] for key in ("machine", "note", "screw")] == ["'" + text] * 3


def test_json_export_is_one_document(log: Log, number: int) -> None:
    log.add_event(number, MARK, picture=JPEG, reading={"rms_px": 0.2})
    stream = io.StringIO()
    log.export_json(stream)
    whole = json.loads(stream.getvalue())
    assert (whole["format"], whole["version"]) == ("spotwright-log", 2)
    (event,) = whole["alignments"][0]["events"]
    assert (event["event"], event["reading"], event["withdrawn"]) == (MARK, {"rms_px": 0.2}, False)
    assert event["picture"].endswith(".jpg")


def test_empty_log_exports(log: Log) -> None:
    stream = io.StringIO()
    log.export_json(stream)
    assert json.loads(stream.getvalue())["alignments"] == []


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), object(), {1, 2}])
def test_what_json_cannot_say_is_refused_and_nothing_written(log: Log, number: int, bad: object) -> None:
    with pytest.raises(BadEntry, match="event: not plain JSON"):
        log.add_event(number, MARK | {"sigma_mm": bad})
    with pytest.raises(BadEntry, match="machine: not plain JSON"):
        log.start_alignment(machine={"name": bad}, source="practice")
    assert log.events(number) == []


@pytest.mark.parametrize("half", ["\ud800", "a\udfff"])
def test_half_a_character_is_refused_before_it_spoils_the_log(log: Log, number: int, half: str) -> None:
    for refused in (
        lambda: log.start_alignment(machine={"name": half}, source="camera"),
        lambda: log.start_alignment(machine=MACHINE, source="camera", note=half),
        lambda: log.add_event(number, MARK | {"station": half}),
        lambda: log.set_state(number, {half: 1}),
    ):
        with pytest.raises(BadEntry):
            refused()
    whole = "\U0001f525 µ"
    log.add_event(number, TURN | {"screw": whole})
    stream = io.StringIO(newline="")
    log.export_csv(stream)
    assert whole in stream.getvalue()
    assert len(log.alignments()) == 1


def test_event_without_kind_is_refused(log: Log, number: int) -> None:
    with pytest.raises(BadEntry, match="'kind'"):
        log.add_event(number, {"station": "mirror-1"})


def test_unknown_source_is_refused(log: Log) -> None:
    with pytest.raises(BadEntry, match="source: 'elsewhere' is none of practice, camera, offline"):
        log.start_alignment(machine=MACHINE, source="elsewhere")


def test_unknown_numbers_are_refused(log: Log) -> None:
    for refused in (
        lambda: log.document(7),
        lambda: log.events(7),
        lambda: log.state(7),
        lambda: log.add_event(7, MARK),
        lambda: log.set_state(7, {}),
        lambda: log.set_verdict(7, {}, done=False),
    ):
        with pytest.raises(NoSuchEntry, match="there is no alignment 7"):
            refused()
    with pytest.raises(NoSuchEntry, match="there is no event 7"):
        log.picture(7)
    with pytest.raises(NoSuchEntry, match="there is no event 7"):
        log.withdraw_event(7)


def test_closed_log_refuses(tmp_path: Path) -> None:
    log = Log(tmp_path)
    log.close()
    log.close()
    with pytest.raises(LogError, match="closed"):
        log.start_alignment(machine=MACHINE, source="practice")


def test_many_threads_lose_nothing(log: Log, number: int) -> None:
    def work(screw: str) -> None:
        for turn in range(1, 11):
            log.add_event(number, TURN | {"screw": screw, "turns": turn})
            log.document(number)

    threads = [threading.Thread(target=work, args=(f"screw {i}",)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    events = log.document(number)["events"]
    for i in range(6):
        assert [e["turns"] for e in events if e["screw"] == f"screw {i}"] == list(range(1, 11))


def test_two_programs_may_write_to_one_log(tmp_path: Path) -> None:
    with Log(tmp_path) as one, Log(tmp_path) as two:
        number = one.start_alignment(machine=MACHINE, source="camera")
        one.add_event(number, MARK)
        two.add_event(number, TURN)
        assert one.document(number) == two.document(number) == {"machine": MACHINE, "events": [MARK, TURN]}


def test_long_export_does_not_hold_up_a_reading(log: Log, number: int) -> None:
    log.add_event(number, MARK)
    with log.reading() as db:
        before = db.execute("SELECT count(*) FROM event").fetchone()[0]
        log.add_event(number, TURN)
        assert db.execute("SELECT count(*) FROM event").fetchone()[0] == before  # one moment in time
    assert len(log.events(number)) == before + 1

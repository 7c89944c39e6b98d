"""One damaged row: every page answers, the row is shown as damaged, and all else is as it was."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from server.log import Log, LogError, import_folder
from server.pages import Config, create_app
from server.pages.lists import saved_words
from server.session.import_check import check_alignment
from server.solver import parse_profile
from server.sources.base import OfflineSource
from tests.bench.log_flips import small_log
from tests.pages.doubles import MACHINE

ROWS = {
    "event": "UPDATE event SET body = replace(body, '0.25', '0.75') WHERE id = 31",
    "head": "UPDATE alignment SET note = 'x', machine = replace(machine, '1600', '1610') WHERE id = 3",
    "state": "UPDATE alignment SET state = '{}' WHERE id = 3",
    "verdict": "UPDATE alignment SET verdict = NULL WHERE id = 3",
    "entry": "UPDATE entry SET body = '{}' WHERE id = 1",
}
WHOLE = ("/", "/offline", "/log", "/log/1", "/log/3", "/log/1/report", "/log/drift.svg", "/api/state")
EXPORTS = ("/log/spotwright-log.csv", "/log/spotwright-log.json", "/log/spotwright-upkeep.csv")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good") / "log"
    small_log(folder)
    return folder


def damaged(good: Path, place: Path, sql: str) -> FlaskClient:
    shutil.copytree(good, place)
    with closing(sqlite3.connect(place / "spotwright.db")) as db, db:
        db.execute(sql)
    return create_app(Config(data=place, source=OfflineSource)).test_client()


def text(client: FlaskClient, path: str) -> str:
    """What a person reads there."""
    answer = client.get(path)
    assert answer.status_code == 200, path
    main = answer.get_data(as_text=True).partition("<main")[2]
    return " ".join(re.sub("<[^>]+>", " ", main).split())


@pytest.mark.parametrize("row", ROWS)
def test_every_page_answers_beside_a_damaged_row(good: Path, tmp_path: Path, row: str) -> None:
    client = damaged(good, tmp_path / "log", ROWS[row])
    assert {path: client.get(path).status_code for path in (*WHOLE, *EXPORTS)} == dict.fromkeys(
        (*WHOLE, *EXPORTS), 200
    )
    for path in ("/bed/3", "/log/3/report"):  # which rest on all of the alignment
        answer = client.get(path)
        assert answer.status_code == (503 if row in ("event", "head") else 200)
        assert ("damaged" in answer.get_data(as_text=True)) == (row in ("event", "head"))


def test_a_damaged_entry_of_an_alignment_is_shown_beside_the_others(good: Path, tmp_path: Path) -> None:
    shown = text(damaged(good, tmp_path / "log", ROWS["event"]), "/log/3")
    assert "This alignment is damaged" in shown
    assert shown.count("Damaged: this entry cannot be read any more") == 1
    assert shown.count("Mark at") == 6 and shown.count("1/4 turn clockwise") == 5
    assert "Report to print" not in shown


def test_an_alignment_of_a_lost_laser_is_shown_with_its_entries(good: Path, tmp_path: Path) -> None:
    client = damaged(good, tmp_path / "log", ROWS["head"])
    shown = text(client, "/log/3")
    assert "of an unknown laser" in shown and "This alignment is damaged" in shown
    assert shown.count("kind=mark station=mirror-2") == 6
    assert "number 3" in text(client, "/log") and "None" not in text(client, "/log")


def test_what_was_taken_in_of_it_is_shown_too(good: Path, tmp_path: Path) -> None:
    damaged(good, tmp_path / "log", ROWS["head"])
    with Log(tmp_path / "mine") as log:
        assert import_folder(log, tmp_path / "log", judge=check_alignment).events == 36
    client = create_app(Config(data=tmp_path / "mine", source=OfflineSource)).test_client()
    assert "x (damaged)" in text(client, "/log/3")
    assert "unknown laser, camera" in text(client, "/log")


def test_a_session_goes_on_when_its_alignment_is_damaged_meanwhile(good: Path, tmp_path: Path) -> None:
    with Log(shutil.copytree(good, tmp_path / "log")) as log:
        number = log.start_alignment(machine=log.machine(1), source="offline")
    client = create_app(Config(data=tmp_path / "log", source=OfflineSource)).test_client()
    assert client.get("/api/state?of=offline").status_code == 200
    with closing(sqlite3.connect(tmp_path / "log" / "spotwright.db")) as db, db:
        db.execute("UPDATE alignment SET machine = replace(machine, '1600', '1610'), note = 'x'")
    assert f"Alignment {number}" in text(client, f"/log/{number}")
    for path in ("/", "/offline", "/log", "/api/state"):
        assert client.get(path).status_code == 200, path


def test_a_log_that_was_damaged_as_a_file_is_said_on_the_page(good: Path, tmp_path: Path) -> None:
    place = Path(shutil.copytree(good, tmp_path / "log"))
    whole = bytearray((place / "spotwright.db").read_bytes())
    whole[47] = 5
    (place / "spotwright.db").write_bytes(whole)
    client = create_app(Config(data=place, source=OfflineSource)).test_client()
    assert "The log was damaged. What could be read is in use" in client.get("/").get_data(as_text=True)


def test_a_log_that_cannot_be_read_stops_no_page(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails() -> int:
        raise LogError("the disk fails")

    monkeypatch.setattr("server.pages.app.due_count", fails)
    assert client.get("/cautions").status_code == 200


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ({"kind": "turn", "mount": 1}, "kind=turn mount=1"),
        ({"kind": "mark", "station": "roof"}, "kind=mark station=roof"),
        (
            {"kind": "no-mark", "station": "mirror-1", "head_mm": "there"},
            "kind=no-mark station=mirror-1 head_mm=there",
        ),
        ({"kind": "dance", "steps": 3}, "kind=dance steps=3"),
    ],
)
def test_an_event_of_another_program_is_shown_as_it_is(event: dict[str, object], said: str) -> None:
    row = {"id": 1, "event": event, "withdrawn": False, "has_picture": False, "reading": None}
    assert saved_words(row, parse_profile(MACHINE).bed) == said


def test_what_is_asked_for_and_not_there_is_said(good: Path, tmp_path: Path, client: FlaskClient) -> None:
    place = Path(shutil.copytree(good, tmp_path / "log"))
    kept = create_app(Config(data=place, source=OfflineSource)).test_client()
    for answer, status, said in (
        (kept.get("/log/picture/1"), 404, "This reading has no picture"),
        (client.post("/log/import"), 400, "Choose the JSON file"),
        (client.post("/laser", data={"choose": "nobody"}), 404, "no laser of that name"),
    ):
        assert answer.status_code == status
        assert said in answer.get_data(as_text=True)

"""One undo: the newest event is taken back, the log keeps both, and the solver sees neither."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from server.log import Log, import_json
from server.session.import_check import check_alignment
from server.session.session import Refused, Session
from server.sources.base import Place
from tests.pages.doubles import MACHINE, Bench, Script

MIRROR_1 = Place("mirror-1", (0.0, 1000.0))


def marked(folder: Path, bench: Bench) -> Session:
    session = Session(Log(folder), bench, machine=MACHINE, services=Script().services())
    session.acknowledge()
    session.hang(MIRROR_1)
    session.pulse()
    return session


def kinds(session: Session) -> list[str]:
    return [event["kind"] for event in session.document()["events"]]


def test_a_turn_is_taken_back_and_the_step_is_due_again(tmp_path: Path) -> None:
    bench = Bench()
    session = marked(tmp_path, bench)
    session.typed(MIRROR_1, (1.0, 1.0))
    before, stood = session.snapshot(), bench.to_json()
    session.turn(1, "top", -0.1875)
    session.undo()
    after = session.snapshot()
    assert kinds(session) == ["mark", "mark"]
    assert (after.step, after.place, after.aimed) == (before.step, before.place, before.aimed)
    assert ("restore", stood) in bench.asked
    assert after.step_name not in (before.step_name, "")


def test_the_log_keeps_what_was_taken_back_and_that_it_was(tmp_path: Path) -> None:
    session = marked(tmp_path, Bench())
    (mark,) = session.snapshot().events
    session.undo()
    rows = Log(tmp_path, access="read-only").events(session.alignment or 0)
    assert [row["event"]["kind"] for row in rows] == ["mark", "undo"]
    assert all(row["withdrawn"] for row in rows)
    assert rows[1]["event"]["event"] == mark.uuid == rows[0]["uuid"]
    assert kinds(session) == []


def test_after_a_mark_was_taken_back_fresh_tape_is_asked_for(tmp_path: Path) -> None:
    session = marked(tmp_path, Bench())
    session.undo()
    assert session.snapshot().place == MIRROR_1
    assert not session.snapshot().pulse_is_due
    session.hang(MIRROR_1)
    session.pulse()
    assert kinds(session) == ["mark"]


def test_only_the_newest_is_taken_back_and_once(tmp_path: Path) -> None:
    session = marked(tmp_path, Bench())
    session.typed(MIRROR_1, (1.0, 1.0))
    assert session.snapshot().may_undo
    session.undo()
    assert not session.snapshot().may_undo
    with pytest.raises(Refused, match="nothing to take back"):
        session.undo()
    assert kinds(session) == ["mark"]


def test_it_can_be_taken_back_after_a_restart_of_the_program(tmp_path: Path) -> None:
    marked(tmp_path, Bench())
    again = Session(Log(tmp_path), Bench(), machine=MACHINE, services=Script().services())
    again.undo()
    assert kinds(again) == []


def test_a_log_with_something_taken_back_is_taken_in_elsewhere(tmp_path: Path) -> None:
    session = marked(tmp_path / "here", Bench(kind="camera"))
    session.undo()
    text = io.StringIO("".join(Log(tmp_path / "here", access="read-only").json_texts()))
    there = Log(tmp_path / "there")
    assert import_json(there, text, judge=check_alignment).alignments == 1
    assert there.document(1)["events"] == []
    assert json.dumps(there.events(1)).count("undo") == 1

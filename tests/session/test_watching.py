"""A camera that saves marks by itself, with rendered pictures of a machine that the test fires."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from server.log import Log
from server.practice import PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.session.events import event_json
from server.session.session import Refused, Session
from server.sources.practice_source import PracticeSource
from tests.session.conftest import ANY, MIRROR_1, comes, looks, looks_until


@pytest.fixture(autouse=True)
def _the_card_hangs(session: Session) -> None:
    session.hang(MIRROR_1)


def marks(session: Session) -> list[Any]:
    return [event_json(entry.event) for entry in session.snapshot().events]


def truth_at_mirror_1(machine: PracticeMachine) -> tuple[float, float]:
    (burn,) = machine.cards["mirror-1"].burns
    return burn.offset_mm


def test_a_pulse_fired_by_a_person_is_read_from_the_camera(
    session: Session, machine: PracticeMachine
) -> None:
    machine.pulse()
    session.pulse()
    (event,) = marks(session)
    assert event["offset_mm"] == pytest.approx(truth_at_mirror_1(machine), abs=0.15)


def test_nothing_is_saved_before_the_pulse_and_then_once(
    session: Session, machine: PracticeMachine, frame_loop: FrameLoop
) -> None:
    session.watch(True)
    looks(frame_loop, 5)
    assert marks(session) == []
    machine.pulse()
    looks_until(frame_loop, lambda: marks(session))
    looks(frame_loop, 3)
    (event,) = marks(session)
    assert event["offset_mm"] == pytest.approx(truth_at_mirror_1(machine), abs=0.15)


def test_the_mark_is_shown_live_with_the_time_of_its_frame(
    session: Session, machine: PracticeMachine, frame_loop: FrameLoop
) -> None:
    looks(frame_loop, 5)
    assert session.snapshot().rig.live is None
    machine.pulse()
    looks_until(frame_loop, lambda: session.snapshot().rig.live)
    live = session.snapshot().rig.live
    assert live.station == "mirror-1"
    assert live.offset_mm == pytest.approx(truth_at_mirror_1(machine), abs=0.15)
    before, version = live.taken_s, session.rig.live_version
    looks(frame_loop, 1)
    assert session.snapshot().rig.live.taken_s > before
    assert session.rig.live_version == version + 1


def test_it_saves_only_when_asked_and_the_cautions_are_read(
    session: Session, machine: PracticeMachine, frame_loop: FrameLoop
) -> None:
    looks(frame_loop, 5)
    machine.pulse()
    looks_until(frame_loop, lambda: session.snapshot().rig.live)
    looks(frame_loop, 2)
    session.watch(True)
    assert marks(session) == []
    session.restart()
    session.watch(True)
    machine.pulse()
    looks(frame_loop, 12)
    assert marks(session) == []


def test_practice_has_a_button_instead(tmp_path: Path) -> None:
    session = Session(Log(tmp_path), PracticeSource(PracticeMachine(3)), machine={})
    with pytest.raises(Refused, match="Only a camera"):
        session.watch(True)


def test_bad_looks_do_not_end_the_watch(
    session: Session, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    errors, looked_again = iter([*ANY, RuntimeError("smoke")]), threading.Event()

    def smoke(*_: object) -> bool:
        if (error := next(errors, None)) is not None:
            raise error
        looked_again.set()
        return False

    monkeypatch.setattr("server.rig.frame_loop.IDLE_FRAMES_PER_S", 1000.0)
    frame_loop = FrameLoop(LiveMarks(session), session.source)
    monkeypatch.setattr(frame_loop, "look", smoke)
    frame_loop.start()
    assert comes(looked_again, frame_loop._thread)
    frame_loop.stop()
    assert "smoke" in caplog.text

"""The camera that watches by itself, on real pictures of a machine that somebody else fires."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from server.live import Refused, Session
from server.log import Log
from server.practice import PracticeCamera, PracticeMachine
from server.solver import profile_as_json
from server.sources import CameraSource, Place, PracticeSource
from server.watcher import Watcher

MIRROR_1 = Place("mirror-1", (0.0, 1000.0))


@pytest.fixture
def machine() -> PracticeMachine:
    made = PracticeMachine(3)
    made.hang("mirror-1")
    return made


@pytest.fixture
def session(tmp_path: Path, machine: PracticeMachine) -> Session:
    source = CameraSource(PracticeCamera(machine))
    session = Session(Log(tmp_path), source, machine=profile_as_json(machine.profile))
    session.acknowledge()
    session.hang(MIRROR_1)
    return session


def marks(session: Session) -> list[Any]:
    return [row["event"] for row in session.snapshot()["events"]]


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


def test_nothing_is_saved_before_the_pulse_and_two_looks_save_it_once(
    session: Session, machine: PracticeMachine
) -> None:
    session.watch(True)
    assert not session.glance()
    assert not session.glance()
    machine.pulse()
    assert [session.glance() for _ in range(3)] == [False, True, False]
    assert len(marks(session)) == 1


def test_it_looks_only_when_asked_and_the_cautions_are_read(
    session: Session, machine: PracticeMachine
) -> None:
    machine.pulse()
    assert not session.glance()
    session.watch(True)
    session.restart()
    assert not session.glance()
    assert marks(session) == []


def test_practice_has_a_button_instead(tmp_path: Path) -> None:
    session = Session(Log(tmp_path), PracticeSource(PracticeMachine(3)), machine={})
    with pytest.raises(Refused, match="Only a camera"):
        session.watch(True)


def test_one_bad_look_does_not_end_the_watch(caplog: pytest.LogCaptureFixture) -> None:
    looked = threading.Semaphore(0)

    class Session:
        def glance(self) -> bool:
            looked.release()
            raise RuntimeError("smoke")

    watcher = Watcher(Session(), period_s=0.001)
    watcher.start()
    assert looked.acquire(timeout=10)
    assert looked.acquire(timeout=10)
    watcher.stop()
    assert "smoke" in caplog.text

"""Lamps, sounder, foot button and lid of a session; every fault is one line, and goes when it is over."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from firmware.health import Finding, HealthWatch
from firmware.panel.panel import Signal
from firmware.panel.parts import Pins
from firmware.profile import RigProfile
from server.log import Log
from server.practice import PracticeMachine, default_profile
from server.rig.frame_loop import FrameLoop
from server.rig.session_hardware import SessionHardware, press_foot
from server.rig.signals import TRY_PINS_EVERY, PanelDriver, PanelRetry, PanelState, faults_of, panel_state
from server.rig.threads import SessionThreads
from server.session.session import Session
from server.solver import Step, profile_as_json
from server.sources.base import OfflineSource
from tests.session.conftest import MIRROR_1, Clock, looks, looks_until
from tests.session.wired import Wired

HOT = Finding("hot", "the Pi is too hot: improve its cooling", True)
OLD = Finding("clock", "the clock is not set", False)


@pytest.fixture
def hardware(session: Session, wired: Wired, frame_loop: FrameLoop) -> SessionHardware:
    return SessionHardware(session, retry=PanelRetry(Pins(), opener=wired.open), frame_loop=frame_loop)


def faults(session: Session) -> list[str]:
    return [fault.line for fault in session.snapshot().rig.faults]


def test_the_foot_button_hangs_then_reports_the_pulse_then_the_next_step(
    session: Session, machine: PracticeMachine, hardware: SessionHardware, wired: Wired
) -> None:
    wired.foot.change(True)
    assert session.snapshot().place == MIRROR_1
    assert session.snapshot().events == ()
    machine.pulse()
    wired.foot.change(False)  # a release is not a press
    wired.foot.change(True)
    (row,) = session.snapshot().events
    assert row.kind == "mark"


@pytest.mark.parametrize(
    ("step", "done"),
    [
        (Step("turn", mount=1, screw="top", turns=0.125), ("turn", 1, "top", 0.125)),
        (Step("shift", part="tube", move_mm=(0.0, -0.8, 1.2)), ("shift", "tube", [0.0, -0.8, 1.2])),
    ],
)
def test_the_foot_does_only_what_was_asked_for(
    session: Session, monkeypatch: pytest.MonkeyPatch, step: Step, done: tuple[Any, ...]
) -> None:
    did: list[Any] = []
    seen = replace(session.snapshot(), cautions=True, step=step)
    monkeypatch.setattr(session, "snapshot", lambda: seen)
    for name in ("turn", "shift"):
        monkeypatch.setattr(session, name, lambda *what, name=name: did.append((name, *what)))
    press_foot(session)
    assert did == [done]


@pytest.mark.parametrize(
    ("problem", "picture", "ended", "missing", "lines"),
    [
        (None, None, None, None, []),
        ("no camera", "it is dark", None, None, ["no camera"]),  # its picture is then of no interest
        (None, "it is dark", None, None, ["it is dark"]),
        (None, None, "the recording has ended", "no pins", ["the recording has ended", "no pins"]),
    ],
)
def test_what_is_wrong_is_told_once(
    problem: str | None, picture: str | None, ended: str | None, missing: str | None, lines: list[str]
) -> None:
    loop: Any = SimpleNamespace(fault=picture and Finding("picture", picture, True))
    recorder: Any = SimpleNamespace(ended=ended)
    found = faults_of(health=None, problem=problem, frame_loop=loop, recorder=recorder, missing=missing)
    assert [finding.line for finding in found] == lines


def test_a_recording_begins_and_ends_with_the_threads(session: Session, tmp_path: Path) -> None:
    place = tmp_path / "recording"
    threads = SessionThreads(session, profile=RigProfile(), data=tmp_path, record=place)
    threads.start()
    session.hang(MIRROR_1)
    threads.stop()
    assert session.listeners == []
    lines = [json.loads(line) for line in (place / "recording.jsonl").read_text().splitlines()]
    assert [line["did"]["kind"] for line in lines if "did" in line] == ["begin", "hang"]


def test_a_press_for_a_step_that_is_over_turns_nothing(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    step = Step("turn", mount=1, screw="top", turns=0.125)
    seen = replace(session.snapshot(), cautions=True, step=step)
    session.hang(MIRROR_1)  # meanwhile somebody pressed on the page
    monkeypatch.setattr(session, "snapshot", lambda: seen)
    turned: list[Any] = []
    monkeypatch.setattr(session, "turn", lambda *what: turned.append(what))
    press_foot(session)
    assert turned == []


@pytest.mark.parametrize("do", ["inspect", "done", "stop"])
def test_what_only_a_person_can_answer_is_left_to_the_page(
    session: Session, monkeypatch: pytest.MonkeyPatch, do: str
) -> None:
    said: list[str] = []
    seen = replace(session.snapshot(), cautions=True, step=Step(do))
    monkeypatch.setattr(session, "snapshot", lambda: seen)
    monkeypatch.setattr(session, "say", said.append)
    press_foot(session)
    assert said == ["The page has a question: answer it there."]


def test_the_foot_button_does_nothing_before_the_cautions_and_says_so(session: Session) -> None:
    session.restart()
    press_foot(session)
    assert "cautions" in session.snapshot().said
    assert session.snapshot().place is None


def test_a_pulse_that_the_frame_loop_has_saved_is_not_reported_again(
    session: Session, machine: PracticeMachine, frame_loop: FrameLoop, clock: Clock
) -> None:
    session.hang(MIRROR_1)
    session.watch(True)
    looks(frame_loop, 5)
    machine.pulse()
    while not session.just_settled():
        looks(frame_loop, 1)
    place = session.snapshot().place
    press_foot(session)
    assert session.snapshot().said == "That pulse is already saved."
    assert session.snapshot().place == place
    clock.sleep(10.0)
    press_foot(session)  # now it means the next step
    assert session.snapshot().said != "That pulse is already saved."


def test_what_is_refused_is_said_on_the_page(session: Session) -> None:
    press_foot(session)
    press_foot(session)  # no pulse was fired
    assert "mark" in session.snapshot().said
    assert session.snapshot().events == ()


def test_the_sounder_is_higher_for_a_nearer_mark_then_still(
    session: Session, hardware: SessionHardware, wired: Wired
) -> None:
    heard = []
    for offset_mm in ([8.0, 0.0], [1.0, 0.0]):
        session.typed(MIRROR_1, offset_mm)
        for _ in range(8):
            hardware.tick()
        sounds = [hertz for hertz in wired.sounder.heard if hertz is not None]
        heard.append(sounds[-1])
        assert wired.sounder.heard[-1] is None
    assert heard[1] > heard[0]
    assert len([hertz for hertz in wired.sounder.heard if hertz is not None]) == 2


def test_old_marks_are_not_sounded_at_the_start(session: Session, wired: Wired) -> None:
    session.typed(MIRROR_1, (1.0, 1.0))
    SessionHardware(session, retry=PanelRetry(Pins(), opener=wired.open)).tick()
    assert wired.sounder.heard == []


@pytest.mark.parametrize(
    ("found", "signal"), [([HOT], "fault"), ([OLD], "ready"), ([], "ready"), ([OLD, HOT], "fault")]
)
def test_the_status_light_shows_what_is_urgent(wired: Wired, found: list[Finding], signal: Signal) -> None:
    driver = PanelDriver(PanelRetry(Pins(), opener=wired.open), dark_film=False, pressed=lambda: None)
    driver.tick(PanelState(), found)
    assert wired.status.shows(signal)


@pytest.mark.parametrize(("dark_film", "level"), [(False, 0.3), (True, 0.0)])
def test_the_ring_is_dimmed_while_a_glow_is_awaited_and_off_for_a_dark_film(
    session: Session, wired: Wired, dark_film: bool, level: float
) -> None:
    hardware = SessionHardware(session, retry=PanelRetry(Pins(), opener=wired.open), dark_film=dark_film)
    hardware.tick()
    assert wired.ring.value == 1.0
    session.hang(MIRROR_1)
    hardware.tick()
    assert wired.ring.value == level
    assert panel_state(session.snapshot()).signal == "working"
    assert wired.status.shows("working")


def test_the_lid_is_shown_and_kept_with_the_reading_and_stops_nothing(
    session: Session, machine: PracticeMachine, hardware: SessionHardware, wired: Wired, tmp_path: Path
) -> None:
    wired.lid.pressed = False
    hardware.tick()
    assert session.snapshot().rig.lid_closed is False
    session.hang(MIRROR_1)
    machine.pulse()
    session.pulse()
    (row,) = Log(tmp_path / "data", access="read-only").events(session.alignment or 0)
    assert row["reading"]["lid_closed"] is False


def test_pins_that_another_program_holds_are_said_and_come_back(session: Session, wired: Wired) -> None:
    wired.missing = "panel: ring on pin 12 is not there (busy); running without"
    hardware = SessionHardware(session, retry=PanelRetry(Pins(), opener=wired.open))
    hardware.tick()
    assert faults(session) == [wired.missing]
    wired.missing = None
    for _ in range(TRY_PINS_EVERY):
        hardware.tick()
    assert faults(session) == []
    assert wired.ring.value == 1.0
    wired.foot.change(True)
    assert session.snapshot().place is not None


def test_a_camera_that_is_gone_is_one_line_and_then_none(
    session: Session, hardware: SessionHardware, monkeypatch: pytest.MonkeyPatch
) -> None:
    camera = session.source._camera  # type: ignore[attr-defined]
    monkeypatch.setattr(camera, "problem", "no Pi camera 0: check the ribbon cable", raising=False)
    hardware.tick()
    assert faults(session) == ["no Pi camera 0: check the ribbon cable"]
    monkeypatch.setattr(camera, "problem", None)
    hardware.tick()
    assert faults(session) == []


def test_heat_supply_clock_and_a_full_disk_are_said_urgent_ones_first(
    session: Session, tmp_path: Path
) -> None:
    answers = {"vcgencmd": "throttled=0x50005\n", "timedatectl": "no\n"}
    now_s, free = [0.0], [10_000_000]
    health = HealthWatch(
        tmp_path,
        run=lambda command: answers.get(command[0]),
        free_bytes=lambda _: free[0],
        clock=lambda: now_s[0],
    )
    hardware = SessionHardware(session, health=health)
    hardware.tick()
    said = faults(session)
    assert len(said) == 4
    assert "clock" in said[-1]
    assert all("\n" not in line and ":" in line for line in said)
    answers.update(vcgencmd="throttled=0x0\n", timedatectl="yes\n")
    free[0], now_s[0] = 10**11, 61.0
    hardware.tick()
    assert faults(session) == []


def test_everything_is_off_when_it_ends(session: Session, hardware: SessionHardware, wired: Wired) -> None:
    hardware.tick()
    assert wired.ring.value == 1.0
    hardware.stop()
    assert wired.ring.value == 0.0
    assert wired.sounder.heard[-1] is None


def test_a_mark_is_the_same_with_and_without_a_panel(
    session: Session, machine: PracticeMachine, frame_loop: FrameLoop, hardware: SessionHardware
) -> None:
    session.hang(MIRROR_1)
    session.watch(True)
    looks(frame_loop, 5)
    hardware.tick()
    machine.pulse()
    looks_until(frame_loop, lambda: session.snapshot().events)
    assert len(session.snapshot().events) == 1


def test_a_first_start_spells_the_way_in_until_somebody_is_there(tmp_path: Path, wired: Wired) -> None:
    session = Session(Log(tmp_path), OfflineSource(), machine=profile_as_json(default_profile()))
    retry = PanelRetry(Pins(), opener=wired.open)
    addresses: list[str | None] = [None]  # no network yet
    hardware = SessionHardware(session, retry=retry, welcome=lambda: addresses[-1])
    spelled: list[str] = []
    retry.panel.spell = spelled.append  # type: ignore[method-assign]
    hardware.tick()
    assert spelled == []
    addresses.append("192.0.2.7 abcd-2345")
    hardware.tick()
    hardware.tick()
    assert spelled == ["192.0.2.7 abcd-2345"]
    addresses.append("192.0.2.9 abcd-2345")
    hardware.tick()
    assert spelled[1:] == ["192.0.2.9 abcd-2345"]
    session.acknowledge()
    hardware.tick()
    assert wired.status.shows("ready")
    again = PanelRetry(Pins(), opener=wired.open)
    again.panel.spell = spelled.append  # type: ignore[method-assign]
    # not the first start any more
    SessionHardware(session, retry=again, welcome=lambda: addresses[-1]).tick()
    assert len(spelled) == 2

"""A practice screw that is held, through the picture and vision; what is saved is the turn that was asked."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware import FrameLike
from server.log import Log
from server.pages.view import page_state
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.session.services import Services
from server.session.session import Refused, Session
from server.solver import Step, trace
from server.sources.base import Place
from server.sources.practice_source import PracticeSource
from tests.pages.doubles import FRONT_LEFT, MACHINE, STEPS, Bench, Script, blank_card, reading, step_of
from tests.session.conftest import looks
from vision import Reading, read

Json = dict[str, Any]
TREMBLES_MM = 0.1  # two sd of a live reading
DUE = {**STEPS[2], "turns": 0.25}


def due(document: Json) -> Step:
    """Marks first, then the turn of mirror 1's top screw, then done."""
    events = document["events"]
    moved = any(event["kind"] == "turn" for event in events)
    return step_of(STEPS[5] if moved else DUE if any(e["kind"] == "mark" for e in events) else STEPS[1])


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of a session that has its first mark."""
    folder = tmp_path_factory.mktemp("begun")
    source = PracticeSource(PracticeMachine(1))
    with Log(folder) as log:
        session = Session(log, source, machine=MACHINE, services=Services(next_step=due))
        session.acknowledge()
        session.hang(Place("mirror-2", (FRONT_LEFT[0], FRONT_LEFT[1])))
        session.pulse()
    source.close()
    return folder


@pytest.fixture
def source() -> PracticeSource:
    return PracticeSource(PracticeMachine(2))


@pytest.fixture
def session(tmp_path: Path, begun: Path, source: PracticeSource, clock: Clock) -> Iterator[Session]:
    shutil.copytree(begun, tmp_path, dirs_exist_ok=True)
    with Log(tmp_path) as log:
        yield Session(log, source, machine=MACHINE, services=Services(next_step=due), clock=clock)


@pytest.fixture
def laser(session: Session, source: PracticeSource) -> PracticeMachine:
    """The session's own."""
    return source.laser


def live(session: Session) -> list[float]:
    seen = session.snapshot().rig.live
    assert seen is not None
    return list(seen.offset_mm)


def rising(lengths_mm: list[float]) -> bool:
    return all(later > length - TREMBLES_MM for length, later in pairwise(lengths_mm))


def hold(session: Session, clock: Clock, screw: str, way: int, looks: int) -> list[list[float]]:
    path = []
    for _ in range(looks):
        session.ease(1, screw, way)
        path.append(live(session))
        clock.now_s += 0.4
    session.ease(1, screw, 0)
    return [*path, live(session)]


def test_the_mark_moves_as_the_beam_does_and_stops_when_let_go(
    session: Session, clock: Clock, laser: PracticeMachine
) -> None:
    path = hold(session, clock, "top", 1, 6)
    real = trace(laser._real, laser._state, laser.head_mm)["mirror-2"]
    assert path[-1] == pytest.approx(real.tolist(), abs=0.3)
    lengths = [math.dist(path[0], at) for at in path[:-1]]
    assert rising(lengths) and lengths[-1] > 1.0
    assert not session.held_screw.held
    assert math.dist(path[-1], path[-2]) < 0.3


def test_after_a_turn_without_a_mark_the_hold_starts_where_the_beam_strikes_then(
    session: Session, clock: Clock, laser: PracticeMachine
) -> None:
    hold(session, clock, "top", 1, 2)
    session.turn(1, "top", 0.25)
    assert session.snapshot().rig.from_mm is None
    stood = laser._state.contact_mm.copy()
    strikes = trace(laser._real, laser._state, laser.head_mm)["mirror-2"]
    session.ease(1, "side", 1)
    np.testing.assert_array_equal(laser._state.contact_mm, stood)  # the first look turns nothing
    begins = session.snapshot().rig.from_mm
    assert begins == pytest.approx(strikes.tolist(), abs=0.3)
    for _ in range(3):
        clock.now_s += 0.4
        session.ease(1, "side", 1)
    assert session.snapshot().rig.from_mm == begins and math.dist(live(session), strikes) > 0.5


@pytest.mark.parametrize(("blank", "there"), [(1, True), (2, False)])
def test_one_frame_without_the_mark_does_not_say_that_it_has_left(
    tmp_path: Path, blank: int, there: bool
) -> None:
    script = Script([reading("mirror-2")])
    with Log(tmp_path / "held") as log:
        session = Session(log, Bench(), machine=MACHINE, services=script.services())
        session.acknowledge()
        session.hang(Place("mirror-2", (FRONT_LEFT[0], FRONT_LEFT[1])))
        script.readings = [blank_card("mirror-2")] * blank + [reading("mirror-2")]
        session.ease(1, "top", 1)
        assert (session.snapshot().rig.live is not None) == there


def test_only_the_asked_turn_is_saved_and_the_screw_is_not_turned_once_more(
    session: Session, clock: Clock, laser: PracticeMachine
) -> None:
    before = len(session.document()["events"])
    hold(session, clock, "top", 1, 2)
    assert len(session.document()["events"]) == before
    assert page_state(session.snapshot(), datetime.now(UTC))["primary"]["label"].startswith("I turned it")
    stood = laser._state.contact_mm.copy()
    session.turn(1, "top", 0.25)
    assert session.document()["events"][before:] == [
        {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.25}
    ]
    np.testing.assert_array_equal(laser._state.contact_mm, stood)
    assert session.snapshot().turned is False


def test_what_was_held_survives_a_restart(
    session: Session, clock: Clock, laser: PracticeMachine, tmp_path: Path
) -> None:
    hold(session, clock, "top", 1, 2)
    other = PracticeSource(PracticeMachine(9))
    with Log(tmp_path) as log:
        again = Session(log, other, machine=MACHINE, services=Services(next_step=due))
    np.testing.assert_allclose(other.laser._state.contact_mm, laser._state.contact_mm)
    assert again.snapshot().turned is True


def test_a_hand_that_has_gone_turns_nothing_more(
    session: Session, clock: Clock, laser: PracticeMachine
) -> None:
    session.ease(1, "top", 1)  # only looks
    session.ease(1, "top", 1)
    stood = laser._state.contact_mm.copy()
    assert session.held_screw.held
    clock.now_s += 60.0
    assert not session.held_screw.held
    session.ease(1, "top", 1)
    assert np.abs(laser._state.contact_mm - stood).max() < 0.7 * 0.25 / 6 * 0.5


def test_a_screw_counts_as_let_go_half_a_second_after_the_last_call(session: Session, clock: Clock) -> None:
    session.ease(1, "top", 1)
    clock.now_s += 0.45
    assert session.held_screw.held
    clock.now_s += 0.1
    assert not session.held_screw.held


def test_what_was_held_is_not_counted_once_its_mark_is_taken_back(session: Session, clock: Clock) -> None:
    hold(session, clock, "top", 1, 2)
    assert session.snapshot().turned
    session.undo()
    assert not session.snapshot().turned


def test_there_must_be_such_a_screw_and_the_cautions_be_read(session: Session, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no screw"):
        session.ease(1, "nose", 1)
    with Log(tmp_path / "new") as log:
        fresh = Session(log, Bench(), machine=MACHINE, services=Script().services())
        with pytest.raises(Refused, match="cautions"):
            fresh.ease(1, "top", 1)


def test_the_eye_that_looks_on_does_not_speak_into_a_hold_nor_after_it(
    session: Session, clock: Clock
) -> None:
    """On a film that changes all the while it would find a mark halfway, and say turn on, or none at all."""
    live_marks = LiveMarks(session)
    frame_loop = FrameLoop(live_marks, session.source)
    looks(frame_loop, 2)
    path = []
    for _ in range(6):
        session.ease(1, "top", 1)
        clock.now_s += 0.4
        looks(frame_loop, 1)
        live_marks.blind()
        path.append(live(session))
    session.ease(1, "top", 0)
    lengths = [math.dist(path[0], at) for at in path]
    assert rising(lengths) and lengths[-1] > 1.0
    clock.now_s += 10.0
    let_go = live(session)
    looks(frame_loop, 3)
    assert live(session) == let_go

    session.hang(Place("mirror-2", (FRONT_LEFT[0], FRONT_LEFT[1])))
    looks(frame_loop, 3)
    assert session.snapshot().rig.live is None


def test_a_pulse_on_the_tape_before_is_not_shown_on_fresh_tape(session: Session) -> None:
    frame_loop = FrameLoop(LiveMarks(session), session.source)
    session.pulse()
    session.hang(Place("mirror-2", (FRONT_LEFT[0], FRONT_LEFT[1])))
    looks(frame_loop, 3)
    assert session.snapshot().rig.live is None


def test_a_look_is_part_of_the_hold_however_long_it_takes(session: Session, clock: Clock) -> None:
    held, look = list[bool](), session.source.look

    def slow(*, newer_than: int, timeout_s: float) -> FrameLike:
        clock.now_s += 60.0
        held.append(session.held_screw.held)
        return look(newer_than=newer_than, timeout_s=timeout_s)

    session.source.look = slow  # type: ignore[method-assign]
    session.ease(1, "top", 1)
    session.ease(1, "top", 0)
    assert held == [True, True]
    assert not session.held_screw.held


def test_a_real_screw_is_not_turned_from_a_page(tmp_path: Path) -> None:
    bench = Bench(kind="camera")
    with Log(tmp_path) as log:
        session = Session(log, bench, machine=MACHINE, services=Script().services())
        session.acknowledge()
        with pytest.raises(Refused, match="practice"):
            session.ease(1, "top", 1)
    assert not any(name == "ease" for name, _ in bench.asked)


def test_a_film_shows_the_newest_mark_alone(laser: PracticeMachine) -> None:
    camera = PracticeCamera(laser)
    camera.start()
    laser.hang("mirror-2")
    laser.move_head((FRONT_LEFT[0], FRONT_LEFT[1]))
    laser.glow()
    seen = [read(camera.newest().pixels)]
    laser.ease(1, "top", 0.25)
    laser.glow()
    seen.append(read(camera.newest().pixels))
    before, now = (found.marks for found in seen if isinstance(found, Reading))
    assert (len(before), len(now)) == (1, 1)
    assert math.dist(before[0].offset_mm, now[0].offset_mm) > 3.0

"""A pulse on top of an old mark: what the frame loop saw of it reaches the person, and is never a miss."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from firmware import Frame
from server.log import Log
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.session.session import Refused, Session
from server.solver import profile_as_json
from server.sources.camera_source import CameraSource
from tests.pages.doubles import MACHINE, VIEW, Bench, Script, blank_card, mark
from tests.session.conftest import MIRROR_1, Clock, looks, looks_until
from vision import Moment

OLD = replace(mark(1.0, -2.0), sigma_mm=(0.21, 0.2))


def seen_on_top(session: Session, station: str = "mirror-1") -> None:
    """Report what the frame loop does when a pulse was noticed on an old mark."""
    moment = Moment(1.0, ("pulse seen", "on top"), station, VIEW, None, None, OLD)
    LiveMarks(session).moment(moment, Frame(np.zeros((72, 128, 3), np.uint8), 1.0, 1))


@pytest.fixture
def blank(tmp_path: Path) -> Session:
    """A session whose pictures show no new mark, a card hung, the next thing a pulse."""
    session = Session(
        Log(tmp_path), Bench(kind="camera"), machine=MACHINE, services=Script([blank_card()]).services()
    )
    session.acknowledge()
    session.hang(MIRROR_1)
    return session


def test_a_told_pulse_that_changed_nothing_is_asked_of_the_frame_loop(
    tmp_path: Path, machine: PracticeMachine, clock: Clock
) -> None:
    machine.pulse()
    source = CameraSource(PracticeCamera(machine, clock=clock, sleep=clock.sleep))
    services = replace(Script([blank_card()]).services(), marks_on=lambda _: 0)
    session = Session(
        Log(tmp_path), source, machine=profile_as_json(machine.profile), services=services, clock=clock
    )
    frame_loop = FrameLoop(LiveMarks(session), source)
    session.acknowledge()
    session.hang(MIRROR_1)
    looks(frame_loop, 5)
    assert session.snapshot().candidates == ()
    with pytest.raises(Refused, match="no new mark"):
        session.pulse()
    looks_until(frame_loop, lambda: session.snapshot().candidates, most=40)
    now = session.snapshot()
    (burn,) = machine.cards["mirror-1"].burns
    (place,) = now.candidates
    assert place == pytest.approx(burn.offset_mm, abs=0.15)
    assert now.misses == 0
    assert "In doubt" in now.said
    assert "on top of the old mark, to ±" in now.said
    session.choose(0)
    (event,) = session.document()["events"]
    assert min(event["sigma_mm"]) > 0.1


def test_a_pulse_that_was_seen_to_land_there_is_no_miss_when_it_is_told(blank: Session) -> None:
    seen_on_top(blank)
    assert blank.snapshot().candidates == ()  # nobody asked for marks by themselves
    with pytest.raises(Refused, match=r"landed on top of the old mark, to ± 0\.2 mm") as refusal:
        blank.pulse()
    assert (refusal.value.path, blank.snapshot().misses) == ("choose", 0)
    blank.choose(0)
    assert blank.document()["events"][0]["offset_mm"] == [1.0, -2.0]


def test_watching_it_is_asked_without_a_button(blank: Session) -> None:
    blank.watch(True)
    seen_on_top(blank)
    assert blank.snapshot().candidates == ((1.0, -2.0),)
    assert "landed on top of the old mark" in blank.snapshot().said
    assert blank.document()["events"] == []


def test_what_was_seen_on_other_tape_or_another_card_counts_no_more(blank: Session) -> None:
    seen_on_top(blank, "mirror-2")
    seen_on_top(blank)
    blank.hang(MIRROR_1)
    with pytest.raises(Refused, match="no new mark"):
        blank.pulse()
    blank.hang(MIRROR_1)
    seen_on_top(blank, "mirror-2")
    with pytest.raises(Refused, match="no new mark"):
        blank.pulse()
    assert blank.snapshot().misses == 1

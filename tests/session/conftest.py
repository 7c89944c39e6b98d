"""A session with a practice laser that the test fires, seen by a camera with a simulated clock."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from server.log import Log
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.session.session import Session
from server.solver import profile_as_json
from server.sources.base import Place
from server.sources.camera_source import CameraSource
from tests.session.wired import Wired

MIRROR_1 = Place("mirror-1", (0.0, 1000.0))


class Clock:
    """A clock that advances only in ``sleep``."""

    def __init__(self, now_s: float = 100.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, span_s: float) -> None:
        self.now_s += span_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def machine() -> PracticeMachine:
    made = PracticeMachine(3)
    made.hang("mirror-1")
    return made


@pytest.fixture
def session(tmp_path: Path, machine: PracticeMachine, clock: Clock) -> Session:
    source = CameraSource(PracticeCamera(machine, clock=clock, sleep=clock.sleep))
    made = Session(Log(tmp_path / "data"), source, machine=profile_as_json(machine.profile), clock=clock)
    made.acknowledge()
    return made


@pytest.fixture
def frame_loop(session: Session) -> FrameLoop:
    return FrameLoop(LiveMarks(session), session.source)


@pytest.fixture
def wired() -> Wired:
    return Wired()


ANY = [KeyError("x"), RecursionError(), MemoryError(), ValueError("\n"), ZeroDivisionError(), OSError("gone")]


def comes(event: threading.Event, thread: threading.Thread) -> bool:
    """Whether the event comes while the thread lives; does not wait for a dead one."""
    until_s = time.monotonic() + 300
    while not event.wait(0.05) and thread.is_alive() and time.monotonic() < until_s:
        pass
    return event.is_set()


def looks(frame_loop: FrameLoop, count: int) -> None:
    for _ in range(count):
        frame_loop.look()


def looks_until(frame_loop: FrameLoop, true: Callable[[], Any], *, most: int = 20) -> None:
    """Look until that is so, but no more than so often."""
    for _ in range(most):
        if true():
            return
        frame_loop.look()

"""The frame loop: little work while nothing happens, faults reported, light locked, never an old frame."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from firmware import Frame, FrameLike
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import ALIVE_S, SEARCH_AGAIN_S, FrameLoop
from server.rig.live_marks import live_mark
from server.sources.base import NoPicture, OfflineSource, Shot
from tests.session.conftest import Clock, comes, looks
from vision import Moment


class Scene(OfflineSource):
    """Shows the picture it holds, five times a second."""

    kind = "camera"

    def __init__(self) -> None:
        self.picture = np.full((72, 128, 3), 120, np.uint8)
        self.number, self.gone, self.held = 0, False, list[bool]()

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        if self.gone:
            raise NoPicture("unplugged")
        self.number = max(self.number, newer_than) + 1
        return Frame(self.picture, self.number / 5, self.number)

    def hold_light(self, hold: bool) -> None:
        self.held.append(hold)


@dataclass
class Listener:
    hung: int = 0
    shot: Shot | None = None
    unseen_pulse: bool = False
    moments: list[Moment] = field(default_factory=list)
    blinded: int = 0

    def take_shot(self) -> Shot | None:
        shot, self.shot = self.shot, None
        return shot

    def take_unseen_pulse(self) -> bool:
        unseen, self.unseen_pulse = self.unseen_pulse, False
        return unseen

    def moment(self, moment: Moment, frame: FrameLike) -> None:
        self.moments.append(moment)

    def blind(self) -> None:
        self.blinded += 1


@pytest.fixture
def scene() -> Scene:
    return Scene()


@pytest.fixture
def camera(machine: PracticeMachine, clock: Clock) -> PracticeCamera:
    """The camera that looks at the practice laser's card."""
    made = PracticeCamera(machine, clock=clock, sleep=clock.sleep)
    made.start()
    return made


@pytest.fixture
def listener() -> Listener:
    return Listener()


def test_a_look_that_never_ends_is_no_life(scene: Scene, listener: Listener, clock: Clock) -> None:
    frame_loop = FrameLoop(listener, scene, clock=clock)
    assert not frame_loop.alive()  # not begun
    looking, go = threading.Event(), threading.Event()

    def look(**_: object) -> FrameLike:
        looking.set()
        go.wait()
        raise NoPicture("unplugged")

    scene.look = look  # type: ignore[method-assign]
    frame_loop.start()
    assert comes(looking, frame_loop._thread)
    clock.sleep(ALIVE_S - 1)
    assert frame_loop.alive()
    clock.sleep(2)
    assert not frame_loop.alive()
    looking.clear()
    go.set()
    assert comes(looking, frame_loop._thread)  # the next look
    assert frame_loop.alive()
    frame_loop.stop()


def test_an_unchanged_picture_without_a_card_is_searched_only_now_and_then(
    scene: Scene, listener: Listener
) -> None:
    frame_loop = FrameLoop(listener, scene)
    looks(frame_loop, 41)  # 8 s
    searched = len(listener.moments)
    assert 8 / SEARCH_AGAIN_S <= searched <= 1 + 8 / SEARCH_AGAIN_S
    scene.picture = scene.picture.copy()
    scene.picture[20:60, 20:60] = 200
    looks(frame_loop, 2)
    assert len(listener.moments) == searched + 1


def test_noise_is_no_change(scene: Scene, listener: Listener) -> None:
    frame_loop, rng = FrameLoop(listener, scene), np.random.default_rng(5)
    for _ in range(9):
        scene.picture = np.clip(rng.normal(120, 4, (720, 1280, 3)), 0, 255).astype(np.uint8)
        frame_loop.look()
    assert len(listener.moments) == 1


def test_a_black_picture_is_a_fault_until_it_is_not(scene: Scene, listener: Listener) -> None:
    frame_loop = FrameLoop(listener, scene)
    scene.picture = np.zeros((72, 128, 3), np.uint8)
    looks(frame_loop, 3)
    assert frame_loop.fault is not None
    assert frame_loop.fault.code == "black"
    scene.picture = np.full((72, 128, 3), 120, np.uint8)
    looks(frame_loop, 12)
    assert frame_loop.fault is None


def test_without_frames_the_listener_knows_and_it_goes_on(scene: Scene, listener: Listener) -> None:
    frame_loop = FrameLoop(listener, scene)
    looks(frame_loop, 2)
    scene.gone = True
    looks(frame_loop, 2)
    assert listener.blinded == 2
    scene.gone = False
    before = len(listener.moments)
    looks(frame_loop, 1)
    assert len(listener.moments) == before + 1


def test_the_light_is_held_while_a_card_is_seen(
    camera: PracticeCamera, scene: Scene, listener: Listener
) -> None:
    frame_loop = FrameLoop(listener, scene)
    scene.picture = camera.newest().pixels
    looks(frame_loop, 8)
    assert scene.held == [True]


def test_a_pulse_between_two_looks_is_caught_up_from_its_pictures(
    machine: PracticeMachine, camera: PracticeCamera, scene: Scene, listener: Listener
) -> None:
    frame_loop = FrameLoop(listener, scene)
    before = camera.newest().pixels
    machine.pulse()
    scene.picture = after = camera.newest().pixels
    listener.hung, listener.shot = 1, Shot(after, before)
    looks(frame_loop, 2)
    live = live_mark(listener.moments[-1])
    (burn,) = machine.cards["mirror-1"].burns
    assert live is not None
    assert live.offset_mm == pytest.approx(burn.offset_mm, abs=0.15)


@pytest.fixture(autouse=True)
def no_wall_clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A wall clock that jumps: only a browser's figure depends on it."""
    import time

    jumps = iter(range(10**9, 0, -(10**7)))
    monkeypatch.setattr(time, "time", lambda: float(next(jumps)))
    yield

"""The watchdog with real processes: each test waits for events, never for a fixed time."""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware import CameraMissing, CameraNotStarted, CameraTimeout, Frame, RigError
from firmware.camera.shared import FrameRing
from firmware.camera.supervised import SupervisedCamera
from firmware.camera.watchdog import Watch
from tests.firmware.children import opener

MANY = 600


@contextmanager
def _running(of: str, *, patience_s: float = 300.0, **options: Any) -> Iterator[SupervisedCamera]:
    """patience_s : shorten it only for a camera that freezes; a sound one may be slow on a busy machine."""
    watch = Watch(patience_s=patience_s, warm_up_s=300.0, pauses_s=(0.0,))
    camera = SupervisedCamera(of, opener=opener, watch=watch, **options)
    camera.start()
    try:
        yield camera
    finally:
        camera.stop()


def _sooner_or_later(camera: SupervisedCamera, newer_than: int, *, full: bool = False) -> Frame:
    for _ in range(MANY):
        try:
            take = camera.newest_full if full else camera.newest
            return take(newer_than=newer_than, timeout_s=1.0)
        except RigError:
            continue
    raise AssertionError("the camera did not come back")


def _pictures(count: int) -> np.ndarray:
    return np.arange(count * 5 * 7 * 3, dtype=np.uint8).reshape(count, 5, 7, 3)


def test_frames_cross_unchanged_and_survive_a_killed_process() -> None:
    picture = np.random.default_rng(1).integers(0, 255, (40, 64, 3)).astype(np.uint8)
    with _running("fake", picture=picture, frames_per_s=50.0) as camera:
        first = _sooner_or_later(camera, -1)
        assert np.array_equal(first.pixels, picture)
        second = _sooner_or_later(camera, first.number)
        assert second.time_s > first.time_s
        killed = camera.pid
        assert killed is not None
        os.kill(killed, signal.SIGKILL)
        again = _sooner_or_later(camera, second.number + 25)
        assert again.number > second.number
        assert camera.pid != killed
        assert camera.problem is None


def test_a_camera_stuck_in_its_driver_is_killed_and_comes_back() -> None:
    with _running("stuck", patience_s=0.3) as camera:
        first = _sooner_or_later(camera, -1)
        stuck = camera.pid
        later = _sooner_or_later(camera, first.number + 3)
        assert later.number > first.number + 3
        assert camera.pid != stuck


def test_a_camera_that_is_absent_says_so_in_its_own_words() -> None:
    with _running("absent") as camera:
        for _ in range(MANY):
            with pytest.raises((CameraMissing, CameraTimeout)) as raised:
                camera.newest(timeout_s=1.0)
            if isinstance(raised.value, CameraMissing):
                break
        assert str(raised.value) == camera.problem == "no camera here: plug one in"


def test_a_camera_is_tried_again_as_soon_as_it_is_plugged_in(tmp_path: Path) -> None:
    """The pause between two tries is an hour here."""
    file = tmp_path / "video7"
    camera = SupervisedCamera(
        "pluggable",
        opener=opener,
        watch=Watch(warm_up_s=300.0, patience_s=300.0, pauses_s=(3600.0,)),
        nodes=lambda: frozenset(path.name for path in tmp_path.iterdir()),
        file=str(file),
    )
    camera.start()
    try:
        for _ in range(MANY):
            with pytest.raises(RigError):
                camera.newest(timeout_s=1.0)
            if camera.problem is not None:
                break
        assert camera.problem == "no camera here: plug one in"
        file.touch()
        _sooner_or_later(camera, -1)
        assert camera.problem is None
    finally:
        camera.stop()


def test_before_start_and_after_stop_there_is_nothing() -> None:
    camera = SupervisedCamera("fake", opener=opener)
    with pytest.raises(CameraNotStarted):
        camera.newest()
    camera.start()
    camera.stop()
    assert camera.pid is None
    with pytest.raises(CameraNotStarted):
        camera.newest()


def test_waiting_for_the_first_frame_is_a_timeout() -> None:
    with _running("fake") as camera, pytest.raises(CameraTimeout):
        camera.newest(newer_than=10**9, timeout_s=0.0)


def test_the_ring_hands_over_and_notices_what_was_overwritten() -> None:
    ring = FrameRing(slot_bytes=1000)
    try:
        other = FrameRing(os.dup(ring.descriptor), slot_bytes=1000)
        for number, pixels in enumerate(_pictures(4)):
            other.write(Frame(pixels, 0.0, number))
        assert ring.read(0, (5, 7, 3)) is None
        assert ring.read(1, (5, 7, 3)) is None
        for number in (2, 3):
            assert np.array_equal(ring.read(number, (5, 7, 3)), _pictures(4)[number])
        with pytest.raises(ValueError, match="larger than 1000"):
            ring.write(Frame(np.zeros((40, 40, 3), np.uint8), 0.0, 5))
        other.close()
    finally:
        ring.close()


def test_fewer_frames_come_when_nobody_looks_closely() -> None:
    with _running("fake", frames_per_s=100.0) as camera:
        camera.set_pace(4.0)
        first = _sooner_or_later(camera, -1)
        second = _sooner_or_later(camera, first.number + 1)
        third = _sooner_or_later(camera, second.number)
        assert third.time_s - second.time_s > 0.2


def test_a_full_picture_comes_when_it_is_asked_for_and_only_then() -> None:
    with _running("two-streams") as camera:
        small = _sooner_or_later(camera, -1)
        assert small.pixels.shape == (6, 8, 3)
        full = _sooner_or_later(camera, small.number, full=True)
        assert full.pixels.shape == (12, 16, 3)
        assert _sooner_or_later(camera, full.number).pixels.shape == (6, 8, 3)


def _kill_and_await(camera: SupervisedCamera, number: int, *, channel: int, level: int) -> None:
    """Kill the camera's process, and wait for a frame of the next one whose channel has that level."""
    killed = camera.pid
    assert killed is not None
    os.kill(killed, signal.SIGKILL)
    for _ in range(MANY):
        later = _sooner_or_later(camera, number)
        number = later.number
        if later.pixels[0, 0, channel] == level and camera.pid != killed:
            break
    assert later.pixels[0, 0, channel] == level


def test_who_focuses_is_told_and_the_camera_itself_is_slowed_over_a_restart_too() -> None:
    with _running("two-streams") as camera:
        first = _sooner_or_later(camera, -1)
        assert camera.focus == "motor"
        camera.set_pace(50.0)
        _kill_and_await(camera, first.number, channel=0, level=50)


def test_the_light_stays_held_over_a_restart() -> None:
    with _running("two-streams") as camera:
        first = _sooner_or_later(camera, -1)
        camera.lock_light()
        _kill_and_await(camera, first.number, channel=2, level=1)

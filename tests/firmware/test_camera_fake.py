import numpy as np
import pytest

from firmware import CameraBusy, CameraMissing, CameraNotStarted, CameraTimeout
from firmware.camera.fake import FakeCamera
from tests.firmware.clock import Clock


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def camera(clock: Clock) -> FakeCamera:
    rows, cols = np.mgrid[0:40, 0:60]
    picture = np.stack([rows, cols, rows + cols], axis=2).astype(np.uint8)
    return FakeCamera(picture, clock=clock, sleep=clock.sleep)


def test_it_refuses_a_capture_before_start(camera: FakeCamera) -> None:
    with pytest.raises(CameraNotStarted, match="before the camera was started"):
        camera.newest()


def test_it_remembers_what_happened_and_when(camera: FakeCamera, clock: Clock) -> None:
    camera.start()
    first = camera.newest()
    second = camera.newest(newer_than=first.number)
    camera.stop()
    assert second.number == 1
    words = [(round(at - 50, 3), word) for at, word in camera.history]
    assert words == [(0, "started"), (0, "frame"), (0.1, "frame"), (0.1, "stopped")]


def test_dropped_frames_leave_a_gap_in_the_numbers(camera: FakeCamera) -> None:
    camera.start()
    first = camera.newest()
    camera.drop(3)
    later = camera.newest(newer_than=first.number)
    assert later.number == first.number + 4
    assert later.time_s - first.time_s >= 0.3


def test_frozen_it_costs_the_timeout_and_then_thaws(camera: FakeCamera, clock: Clock) -> None:
    camera.start()
    first = camera.newest()
    camera.freeze()
    with pytest.raises(CameraTimeout, match="no new picture for 2 s"):
        camera.newest(newer_than=first.number)
    assert clock.now_s == pytest.approx(52)
    camera.thaw()
    assert camera.newest(newer_than=first.number).number == 1


def test_unplugged_and_back(camera: FakeCamera) -> None:
    camera.start()
    camera.unplug()
    with pytest.raises(CameraMissing, match="plug it in"):
        camera.newest()
    with pytest.raises(CameraMissing):
        camera.start()
    camera.plug()
    camera.start()
    assert camera.newest().number == 0


def test_busy_is_said_at_start(camera: FakeCamera) -> None:
    camera.busy = True
    with pytest.raises(CameraBusy, match="another program"):
        camera.start()


def test_black_saturated_and_knocked(camera: FakeCamera) -> None:
    camera.start()
    straight = camera.newest().pixels
    camera.knock(2, 0)
    assert np.array_equal(camera.newest().pixels[:, 2:], straight[:, :-2])
    camera.black = True
    assert camera.newest().pixels.max() == 0
    camera.black, camera.saturate = False, True
    assert camera.newest().pixels.min() == 255

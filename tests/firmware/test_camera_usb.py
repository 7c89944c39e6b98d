"""The Video4Linux camera against a stand-in for cv2.VideoCapture; tests/rig runs it through OpenCV's own."""

from queue import Queue
from typing import Any

import cv2
import numpy as np
import pytest

from firmware import CameraMissing, CameraNotStarted
from firmware.camera.usb import UsbCamera


class Capture:
    """Delivers the frames that a test gives it; has some controls."""

    def __init__(self, *, there: bool = True, controls: dict[int, float] | None = None) -> None:
        self.there, self.controls, self.released = there, controls or {}, False
        self.frames: Queue[Any] = Queue()
        self.wishes: dict[int, float] = {}
        self.stamp_ms, self.decoded, self.held = 0.0, 0, None

    def isOpened(self) -> bool:
        return self.there

    def set(self, prop: int, value: float) -> bool:
        self.wishes[prop] = value
        return prop in self.controls

    def get(self, prop: int) -> float:
        return self.stamp_ms if prop == cv2.CAP_PROP_POS_MSEC else self.controls.get(prop, -1)

    def grab(self) -> bool:
        if self.held is not None:
            self.frames.task_done()
        self.held = self.frames.get()
        return bool(self.held[0])

    def retrieve(self) -> Any:
        self.decoded += 1
        return self.held

    def release(self) -> None:
        self.released = True


def _feed(capture: Capture, *values: int) -> None:
    for value in values:
        capture.frames.put((True, np.full((4, 6, 3), value, np.uint8)))


def _end(capture: Capture) -> None:
    for _ in range(5):
        capture.frames.put((False, None))


def test_frames_come_in_order_with_the_driver_s_time() -> None:
    capture = Capture()
    camera = UsbCamera(3, opener=lambda *_: capture, clock=lambda: 20.0)
    camera.start()
    capture.stamp_ms = 19_500.0
    _feed(capture, 7)
    first = camera.newest(timeout_s=300)
    assert (first.number, first.pixels[0, 0, 0], first.time_s) == (0, 7, 19.5)
    capture.stamp_ms = 0.0  # a driver without time stamps
    _feed(capture, 8)
    second = camera.newest(newer_than=0, timeout_s=300)
    assert (second.number, second.time_s) == (1, 20.0)
    _end(capture)
    camera.stop()
    assert capture.released


def test_it_asks_for_a_small_buffer_and_the_size() -> None:
    capture = Capture()
    camera = UsbCamera(opener=lambda *_: capture, size_px=(1920, 1080))
    camera.start()
    _end(capture)
    camera.stop()
    assert capture.wishes[cv2.CAP_PROP_BUFFERSIZE] == 1
    assert capture.wishes[cv2.CAP_PROP_FRAME_WIDTH] == 1920


def test_unplugged_it_is_missing_and_may_be_started_again() -> None:
    captures = [Capture(), Capture()]
    waiting = list(captures)
    camera = UsbCamera(0, opener=lambda *_: waiting.pop(0))
    camera.start()
    _feed(captures[0], 1)
    camera.newest(timeout_s=300)
    _end(captures[0])
    with pytest.raises(CameraMissing, match="camera 0 sends nothing any more: replug it"):
        camera.newest(newer_than=0, timeout_s=300)
    camera.stop()
    camera.start()
    _feed(captures[1], 2)
    assert camera.newest(timeout_s=300).pixels[0, 0, 0] == 2
    _end(captures[1])
    camera.stop()


def test_absent_it_says_so_at_start() -> None:
    capture = Capture(there=False)
    with pytest.raises(CameraMissing, match="camera /dev/video9 is not there"):
        UsbCamera("/dev/video9", opener=lambda *_: capture).start()
    assert capture.released


def test_a_real_device_that_is_not_there_is_missing(capfd) -> None:
    with pytest.raises(CameraMissing):
        UsbCamera("/dev/video-none").start()


def test_only_controls_that_exist_are_locked() -> None:
    capture = Capture(controls={cv2.CAP_PROP_AUTO_EXPOSURE: 3.0, cv2.CAP_PROP_EXPOSURE: 312.0})
    camera = UsbCamera(opener=lambda *_: capture)
    camera.start()
    assert camera.lock_light() == ()  # it has not found its light yet
    assert capture.wishes[cv2.CAP_PROP_AUTO_EXPOSURE] == 3.0
    _feed(capture, *range(13))
    camera.newest(newer_than=11, timeout_s=300)
    assert capture.wishes[cv2.CAP_PROP_AUTO_EXPOSURE] == 1.0
    assert capture.wishes[cv2.CAP_PROP_EXPOSURE] == 312.0  # where it stood, not where it was once set by hand
    assert cv2.CAP_PROP_AUTO_WB not in capture.wishes
    camera.release_light()
    assert capture.wishes[cv2.CAP_PROP_AUTO_EXPOSURE] == 3.0
    assert camera.lock_light() == ("exposure",)  # at once, now that it runs
    assert camera.focus == "by hand"
    _end(capture)
    camera.stop()


def test_before_start_there_is_nothing() -> None:
    with pytest.raises(CameraNotStarted):
        UsbCamera().newest()


def test_a_camera_that_hangs_upside_down_is_turned_and_one_with_autofocus_told() -> None:
    capture = Capture(controls={cv2.CAP_PROP_AUTOFOCUS: 1.0})
    camera = UsbCamera(opener=lambda *_: capture, upside_down=True)
    camera.start()
    shown = np.arange(4 * 6 * 3, dtype=np.uint8).reshape(4, 6, 3)
    capture.frames.put((True, shown))
    assert np.array_equal(camera.newest(timeout_s=300).pixels, shown[::-1, ::-1])
    assert camera.focus == "motor"
    _end(capture)
    camera.stop()


def test_frames_that_nobody_wants_are_not_decoded() -> None:
    capture, now_s = Capture(), [100.0]
    camera = UsbCamera(opener=lambda *_: capture, clock=lambda: now_s[0])
    camera.start()
    camera.set_pace(5.0)
    _feed(capture, *range(12))  # the first ones all are: exposure is still settling
    camera.newest(newer_than=10, timeout_s=300)
    assert capture.decoded == 12
    _feed(capture, 40, 41, 42)  # no time has passed since
    capture.frames.join()
    assert capture.decoded == 12
    now_s[0] += 0.2
    _feed(capture, 43)
    assert camera.newest(newer_than=11, timeout_s=300).pixels[0, 0, 0] == 43
    _end(capture)
    camera.stop()

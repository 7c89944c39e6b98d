"""The Pi camera against a stand-in that has picamera2's shapes; the real library runs in tests/rig."""

import sys
from queue import Queue
from threading import Event
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from firmware import CameraBusy, CameraMissing, CameraNotStarted
from firmware.camera.pi import PiCamera, pi_cameras


class Request:
    def __init__(self, value: int, metadata: dict[str, Any]) -> None:
        self.value, self.metadata, self.released = value, metadata, Event()

    def get_metadata(self) -> dict[str, Any]:
        return self.metadata

    def make_array(self, stream: str) -> np.ndarray:
        if stream == "main":
            return np.full((8, 12, 3), self.value, np.uint8)
        yuv = np.full((6, 6), 128, np.uint8)  # 4 × 6 pixels, I420, grey
        yuv[:4] = self.value
        return yuv

    def release(self) -> None:
        self.released.set()


class Library:
    """One camera as picamera2 shows it."""

    def __init__(self, controls: dict[str, Any] | None = None, *, starts: bool = True) -> None:
        self.camera_controls = controls or {}
        self.requests: Queue[Request] = Queue()
        self.starts, self.closed, self.was_set = starts, False, {}
        self.configuration: dict[str, Any] = {}
        self.adjusted: dict[str, Any] = {}

    def create_video_configuration(self, **wanted: Any) -> dict[str, Any]:
        return wanted

    def configure(self, configuration: dict[str, Any]) -> None:
        self.configuration = configuration

    def camera_configuration(self) -> dict[str, Any]:
        """The configuration in use; ``adjusted`` is what the camera chose itself."""
        return {**self.configuration, **self.adjusted}

    def start(self) -> None:
        if not self.starts:
            raise RuntimeError("Failed to acquire camera")

    def capture_request(self) -> Request:
        return self.requests.get()

    def set_controls(self, controls: dict[str, Any]) -> None:
        self.was_set.update(controls)

    def stop(self) -> None: ...

    def close(self) -> None:
        self.closed = True


def _shot(library: Library, value: int, **metadata: Any) -> Request:
    request = Request(value, metadata)
    library.requests.put(request)
    return request


def _stop(camera: PiCamera, library: Library) -> None:
    camera._quit.set()
    _shot(library, 0)  # a real one hands out a frame within its interval
    camera.stop()


def _camera(library: Library, **options: Any) -> PiCamera:
    camera = PiCamera(opener=lambda number: library, clock=lambda: 100.0, **options)
    camera.start()
    return camera


def test_small_frames_all_the_time_and_full_ones_when_asked_for() -> None:
    library = Library()
    camera = _camera(library, small_px=(6, 4))
    assert library.configuration["lores"] == {"size": (6, 4), "format": "YUV420"}
    first = _shot(library, 90, SensorTimestamp=99_500_000_000)
    frame = camera.newest(timeout_s=300)
    assert (frame.pixels.shape, frame.time_s, frame.number) == ((4, 6, 3), 99.5, 0)
    assert first.released.wait(300)
    camera._full_wanted.set()
    _shot(library, 77)
    full = camera.newest_full(newer_than=0, timeout_s=300)
    assert (full.pixels.shape, full.pixels[0, 0, 0], full.number, full.time_s) == ((8, 12, 3), 77, 1, 100.0)
    _stop(camera, library)
    assert library.closed


def test_a_format_that_the_camera_chose_itself_is_read_as_it_is() -> None:
    library = Library()
    library.adjusted = {
        "main": {"format": "NV12", "size": (4, 4)},
        "lores": {"format": "NV12", "size": (4, 4)},
    }
    camera = _camera(library)
    request = _shot(library, 0)
    request.make_array = lambda stream: np.full((6, 4), 128, np.uint8)
    frame = camera.newest(timeout_s=300)
    assert frame.pixels.shape == (4, 4, 3)
    assert np.ptp(frame.pixels) == 0
    _stop(camera, library)


def test_padding_at_the_end_of_rows_is_cut_off_and_the_order_of_colours_kept() -> None:
    library = Library()
    library.adjusted = {"main": {"format": "BGR888", "size": (3, 2)}}
    camera = _camera(library, small_px=None)
    request = _shot(library, 0)
    request.make_array = lambda stream: np.dstack([np.full((2, 5), value, np.uint8) for value in (3, 2, 1)])
    frame = camera.newest(timeout_s=300)
    assert frame.pixels.shape == (2, 3, 3)
    assert frame.pixels[0, 0].tolist() == [1, 2, 3]
    _stop(camera, library)


def test_without_a_second_stream_both_are_the_same() -> None:
    library = Library()
    camera = _camera(library, small_px=None)
    assert "lores" not in library.configuration
    _shot(library, 5)
    assert camera.newest(timeout_s=300) is camera.newest_full(timeout_s=30)
    _stop(camera, library)


def test_only_controls_that_exist_are_held_at_their_last_value() -> None:
    library = Library({"AeEnable": (), "ExposureTime": (), "AnalogueGain": ()})
    camera = _camera(library, small_px=None)
    for _ in range(12):  # by then exposure has found itself
        _shot(library, 5, ExposureTime=8000, AnalogueGain=1.5, ColourGains=(1.0, 2.0), LensPosition=9.0)
    camera.newest(newer_than=10, timeout_s=300)
    assert camera.lock_light() == ("exposure",)
    assert library.was_set == {"AeEnable": False, "ExposureTime": 8000, "AnalogueGain": 1.5}
    camera.release_light()
    assert library.was_set["AeEnable"] is True
    assert "AfMode" not in library.was_set
    _stop(camera, library)


def test_a_camera_that_does_not_start_is_busy_and_closed() -> None:
    library = Library(starts=False)
    with pytest.raises(CameraBusy, match="Failed to acquire camera"):
        _camera(library)
    assert library.closed


def _installed(monkeypatch, cameras: list[dict[str, Any]], opened: Any) -> None:
    def make(number: int) -> Any:
        if isinstance(opened, Exception):
            raise opened
        return opened

    make.global_camera_info = lambda: cameras
    monkeypatch.setitem(sys.modules, "picamera2", SimpleNamespace(Picamera2=make))


def test_no_such_camera_is_missing_and_a_held_one_is_busy(monkeypatch) -> None:
    # The library says RuntimeError to both; seen with its version 0.3.
    _installed(monkeypatch, [], RuntimeError("No camera number 0 found"))
    with pytest.raises(CameraMissing, match="no Pi camera 0: check the ribbon cable"):
        PiCamera().start()
    _installed(monkeypatch, [{"Model": "imx708"}], RuntimeError("__init__ sequence did not complete."))
    assert pi_cameras() == ["imx708"]
    with pytest.raises(CameraBusy, match="close the other program"):
        PiCamera().start()


def test_without_the_library_there_is_no_pi_camera(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "picamera2", None)
    assert pi_cameras() == []
    with pytest.raises(CameraMissing, match="picamera2 is not installed here"):
        PiCamera().start()
    with pytest.raises(CameraNotStarted):
        PiCamera().newest()

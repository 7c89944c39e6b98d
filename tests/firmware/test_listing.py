from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware import CameraMissing
from firmware.camera import listing
from firmware.camera.fake import FakeCamera
from firmware.camera.listing import list_cameras
from firmware.camera.supervised import SupervisedCamera
from firmware.camera.watchdog import Watch
from tests.firmware import children
from tests.firmware.clock import Clock


@pytest.fixture
def system(tmp_path: Path) -> Path:
    """A computer with two USB cameras, one with a metadata node, and a codec that is not a camera."""
    nodes = tmp_path / "class"
    for name, label, index, bus in (
        ("video0", "webcam", "0", "usb1/1-2"),
        ("video1", "webcam", "1", "usb1/1-2"),
        ("video10", "decoder", "0", "platform/codec"),
        ("video2", "microscope", "0", "usb3/3-1"),
    ):
        device = tmp_path / "devices" / bus
        device.mkdir(parents=True, exist_ok=True)
        (nodes / name).mkdir(parents=True)
        (nodes / name / "name").write_text(label + "\n")
        (nodes / name / "index").write_text(index + "\n")
        (nodes / name / "device").symlink_to(device)
    return nodes


def _opener(kind: str, **options: Any) -> FakeCamera:
    clock = Clock()
    camera = FakeCamera(np.full((4, 4, 3), 9, np.uint8), clock=clock, sleep=clock.sleep)
    if options.get("device") == "/dev/video2":
        camera.unplug()
    return camera


def test_every_camera_is_listed_with_how_to_open_it(system: Path) -> None:
    found = list_cameras(pictures=False, system=system, pi=lambda: ["imx708"])
    assert [(c.kind, c.name, c.options) for c in found] == [
        ("pi", "imx708", {"number": 0}),
        ("usb", "webcam", {"device": "/dev/video0"}),
        ("usb", "microscope", {"device": "/dev/video2"}),
    ]


def test_each_has_a_test_picture_or_says_why_not(system: Path) -> None:
    webcam, microscope = list_cameras(system=system, pi=list, opener=_opener)
    assert webcam.picture is not None
    assert webcam.picture.shape == (4, 4, 3)
    assert (microscope.picture, microscope.problem) == (None, "the camera is not there: plug it in")


def test_one_that_fails_while_it_runs_is_stopped(system: Path) -> None:
    class Failing(FakeCamera):
        def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Any:
            raise CameraMissing("gone")

    made: list[Failing] = []

    def opener(kind: str, **options: Any) -> Failing:
        made.append(Failing())
        return made[-1]

    found = list_cameras(system=system, pi=list, opener=opener)
    assert [camera.problem for camera in found] == ["gone", "gone"]
    assert all(camera.history[-1][1] == "stopped" for camera in made)


def test_a_camera_stuck_in_its_driver_is_given_up(system: Path) -> None:
    def stuck(kind: str, **options: Any) -> SupervisedCamera:
        watch = Watch(patience_s=0.2, warm_up_s=60.0, pauses_s=(3600.0,))
        return SupervisedCamera("stuck", opener=children.opener, watch=watch)

    webcam, _ = list_cameras(system=system, pi=list, opener=stuck)
    assert webcam.picture is None
    assert webcam.problem is not None
    assert "frozen" in webcam.problem


def test_a_library_that_blocks_while_it_is_loaded_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "picamera2.py").write_text("import time\ntime.sleep(3600)\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(listing, "_PATIENCE_S", 2.0)
    (camera,) = list_cameras(system=tmp_path / "none")
    assert camera.problem == "the camera library has not answered for 2 s: restart the Pi"


def test_the_library_tells_its_cameras_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "picamera2.py").write_text(
        "print('words of its own')\n"
        "class Picamera2:\n"
        "    global_camera_info = staticmethod(lambda: [{'Model': 'imx708'}, {'Model': 'ov5647'}])\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    found = list_cameras(pictures=False, system=tmp_path / "none")
    assert [(camera.name, camera.options) for camera in found] == [
        ("imx708", {"number": 0}),
        ("ov5647", {"number": 1}),
    ]


def test_on_a_machine_without_cameras_the_list_is_empty(tmp_path: Path) -> None:
    assert list_cameras(system=tmp_path / "none", pi=list) == []

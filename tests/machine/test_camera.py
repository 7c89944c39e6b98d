"""A USB camera in a port: seen through the kernel's own drivers, pulled in mid-alignment, held, unreadable.

They come before the other tests of the machine and leave it as they found it.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

import cv2
import numpy as np
import pytest

from tests.machine.guest import Guest
from tests.machine.power import PLACE
from tests.machine.test_machine import HOLDER
from tests.machine.usb_camera import H264, MODE, TIME, YUYV, UsbCamera
from tests.vision.scenes import Scene, Spot, View, render

BACK_S = 3.0
NEAR_MM = 0.06  # as tests/rig asks of the same reader


@pytest.fixture(scope="module", autouse=True)
def port(guest: Guest) -> Iterator[None]:
    """A USB port, empty, in the other camera's place."""
    guest.plug_camera(there=False)
    guest.add_usb()
    yield
    guest.take_usb()
    guest.plug_camera(there=True)
    guest.do("restart")
    guest.until(lambda: "camera" not in guest.faults())


@pytest.fixture
def camera(guest: Guest) -> Iterator[UsbCamera]:
    """A webcam that sees the card of mirror 1, plugged in."""
    made = UsbCamera(guest.usb_door)
    made.show(_jpeg(Scene(station="mirror-1")))
    made.plug()
    guest.until(lambda: "camera" not in guest.faults())
    yield made
    _pull(guest, made)


def test_its_pictures_come_through_the_kernel_s_own_drivers(guest: Guest, camera: UsbCamera) -> None:
    assert guest.run("readlink /sys/class/video4linux/video0/device/driver").endswith("/uvcvideo")
    guest.until(guest.sees)
    guest.until(lambda: _markers(guest) == 4)
    assert "error" not in guest.run("dmesg | grep -i uvc").lower()


def test_its_exposure_is_held_where_it_stands_once_a_card_is_seen(guest: Guest, camera: UsbCamera) -> None:
    """By itself until then; not as it was made, nor as it was last set by hand."""
    stands = (TIME, struct.pack("<I", 312))
    guest.until(lambda: stands in camera.heard)
    assert camera.heard == [(MODE, b"\x08"), (MODE, b"\x01"), stands]


def test_pulled_between_card_and_pulse_it_is_back_and_the_mark_is_read(
    guest: Guest, camera: UsbCamera
) -> None:
    guest.do("acknowledge")
    guest.do("hang", PLACE)
    _pull(guest, camera)
    assert "sends nothing any more: replug it" in _said(guest)
    guest.run("sleep 8")  # long enough that the pause between two tries has become 5 s
    began_s = guest.now_s()
    camera.plug()
    guest.until(lambda: "camera" not in guest.faults())
    took_s = guest.now_s() - began_s
    print(f"\nUSB camera in again to its picture: {took_s:.1f} s of the machine's own time")
    assert took_s <= BACK_S
    camera.show(_jpeg(Scene(station="mirror-1", marks=(Spot((1.5, -2.0)),))))
    guest.until(lambda: guest.get("/api/state")["rig"]["live"] is not None)
    (row,) = guest.do("pulse")["readings"]
    right_up = [float(number) for number in re.findall(r"[+-]\d+\.\d\d", row["words"])]
    assert right_up == pytest.approx([1.5, -2.0], abs=NEAR_MM)
    assert guest.properties("NRestarts")["NRestarts"] == "0"


def test_held_by_another_program_it_is_said_and_is_back_when_it_is_let_go(guest: Guest) -> None:
    guest.write("/root/holder.py", HOLDER)
    guest.run("systemd-run --quiet --unit=usb-holder python3 /root/holder.py")
    made = UsbCamera(guest.usb_door)
    made.show(_jpeg(Scene(station="mirror-1")))
    made.plug()
    guest.wait("journalctl -u usb-holder -o cat | grep held")
    guest.until(lambda: "another program holds it" in _said(guest))
    guest.run("systemctl stop usb-holder")
    guest.until(lambda: "camera" not in guest.faults() and guest.sees())
    _pull(guest, made)


def test_one_that_has_only_raw_pictures_of_another_size_is_seen_all_the_same(guest: Guest) -> None:
    view = View(size=(640, 480), focal_px=833.0)
    made = UsbCamera(guest.usb_door, kind=YUYV, size_px=view.size)
    made.show(_yuyv(Scene(station="mirror-1", view=view)))
    made.plug()
    guest.until(lambda: "camera" not in guest.faults())
    guest.until(lambda: _markers(guest) == 4 and guest.get("/api/state")["picture"]["size_px"] == [640, 480])
    _pull(guest, made)


def test_one_whose_format_cannot_be_read_is_told_from_one_that_is_held(guest: Guest) -> None:
    made = UsbCamera(guest.usb_door, kind=H264)
    made.plug()
    said = "sends only H264, which cannot be read here: use one that sends MJPG or YUYV"
    guest.until(lambda: said in _said(guest))
    made.pull()
    guest.wait("! ls /dev/video0")


def _pull(guest: Guest, camera: UsbCamera) -> None:
    camera.pull()
    guest.until(lambda: "camera" in guest.faults())


def _said(guest: Guest) -> str:
    return str(guest.get("/api/state")["rig"]["faults"])


def _markers(guest: Guest) -> int:
    picture = guest.get("/api/state")["picture"]  # none as long as no frame has come
    return int(picture["markers_seen"]) if picture else 0


def _picture(scene: Scene) -> cv2.typing.MatLike:
    return render(scene, np.random.default_rng(7))


def _jpeg(scene: Scene) -> bytes:
    return cv2.imencode(".jpg", _picture(scene), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def _yuyv(scene: Scene) -> bytes:
    light, blue, red = cv2.split(cv2.cvtColor(_picture(scene), cv2.COLOR_BGR2YUV))
    both = np.where(np.arange(light.shape[1]) % 2, red, blue)
    return np.dstack([light, both]).tobytes()

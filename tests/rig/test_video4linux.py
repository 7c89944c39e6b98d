"""The USB camera class, unmodified, through OpenCV's own Video4Linux code; the device below it is v4l2.c.

It needs no kernel module. It cannot show how a real driver behaves.
"""

from __future__ import annotations

import json
from typing import Any

import cv2
import pytest

from tests.rig.conftest import CHECKOUT, PYTHON, Root, Scene

Json = dict[str, Any]
FOLDER = "/srv/video"
NEAR_MM = 0.06  # as in test_virtual_camera.py
FAKE = ["env", f"FAKE_VIDEO={FOLDER}", "LD_PRELOAD=/srv/v4l2.so"]


@pytest.fixture(scope="module")
def acts(rig_root: Root, scene: Scene) -> dict[str, Json]:
    """The results of all acts of play_usb.py, from one run."""
    source = f"{CHECKOUT}/tests/rig/v4l2.c"
    made = rig_root.run("gcc", "-shared", "-fPIC", "-O1", "-o", "/srv/v4l2.so", source, "-ldl")
    assert made.returncode == 0, made.stderr
    rig_root.path(FOLDER).mkdir(exist_ok=True)
    for name, picture in (("Before", scene.before), ("After", scene.after), ("frame", scene.after)):
        cv2.imwrite(str(rig_root.path(f"{FOLDER}/{name}.jpg")), picture, [cv2.IMWRITE_JPEG_QUALITY, 98])
    names = ["capture", "light", "held", "absent", "unplugged", "frozen"]
    play = f"{CHECKOUT}/tests/rig/play_usb.py"
    done = rig_root.run(*FAKE, PYTHON, play, CHECKOUT, *names, timeout_s=1200)
    results = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert done.returncode == 0, done.stderr[-3000:]
    return {line["act"]: line for line in results}


def test_before_and_after_tell_the_new_mark(acts: dict[str, Json], scene: Scene) -> None:
    (mark,) = acts["capture"]["marks"]
    assert mark["new"] is True
    assert mark["offset_mm"] == pytest.approx(scene.offset_mm, abs=NEAR_MM)


def test_times_are_the_driver_s(acts: dict[str, Json]) -> None:
    assert 0 <= acts["capture"]["late_s"] < 5
    assert acts["capture"]["interval_s"] == pytest.approx(1 / 15, rel=0.5)  # a busy machine misses frames


def test_the_light_is_held_where_it_stands_and_let_go(acts: dict[str, Json]) -> None:
    light = acts["light"]
    assert light["held"] == ["exposure", "white balance"]  # it has no focus to hold
    assert light["locked"] == ["exposure_auto 1", "exposure 312", "balance_auto 0", "balance 3900"]
    assert light["released"] == ["exposure_auto 3", "balance_auto 1"]


@pytest.mark.parametrize(
    ("act", "said"),
    [
        ("held", "another program holds it: replug it"),
        ("absent", "is not there"),
        ("unplugged", "sends nothing any more: replug it"),
        ("frozen", "the camera is frozen: starting it again"),
    ],
)
def test_each_mishap_is_said_in_one_line_and_over_by_itself(
    acts: dict[str, Json], act: str, said: str
) -> None:
    result = acts[act]
    assert said in result["problem"]
    assert "\n" not in result["problem"]
    assert result["back"]
    assert result["another_process"]


def test_the_camera_is_listed_with_a_picture(acts: dict[str, Json], rig_root: Root) -> None:
    node = rig_root.path("/sys/class/video4linux/video0")
    bus = rig_root.path("/sys/devices/usb1/1-1")
    node.mkdir(parents=True, exist_ok=True)
    bus.mkdir(parents=True, exist_ok=True)
    (node / "name").write_text("Fake microscope\n")
    (node / "index").write_text("0\n")
    (node / "device").unlink(missing_ok=True)
    (node / "device").symlink_to("/sys/devices/usb1/1-1")
    words = [*FAKE, PYTHON, "-m", "server.cli.main", "cameras", "--pictures", "/srv/pictures"]
    listed = rig_root.run(*words)
    (node / "index").unlink()
    (node / "name").unlink()
    (node / "device").unlink()
    node.rmdir()
    assert "usb:/dev/video0   Fake microscope   1280 × 720" in listed.stdout, listed.stderr
    pictures = list(rig_root.path("/srv/pictures").glob("*usb*.jpg"))
    assert cv2.imread(str(pictures[0])).shape == (720, 1280, 3)

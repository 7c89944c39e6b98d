"""The commands for a rig: complete output, and one line with what to do for every fault."""

from __future__ import annotations

import json
import socket
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import cv2
import numpy as np
import pytest

from firmware.camera.listing import CameraFound
from firmware.errors import RigError
from firmware.health import Finding
from firmware.panel.panel import Panel
from firmware.panel.parts import Pins
from server.cli import rig_commands as command_rig
from server.cli.main import main
from server.log import Log
from server.rig import doctor
from server.sources.practice_source import PracticeSource
from tests.pages.doubles import FakeHeartbeat

PICTURE = np.random.default_rng(2).integers(0, 255, (48, 64, 3)).astype(np.uint8)
GOOD = CameraFound("usb", "Microscope", {"device": "/dev/video0"}, picture=PICTURE)
BUSY = CameraFound(
    "pi", "imx708", {"number": 0}, problem="Pi camera 0 cannot be opened: close the other program"
)


def test_cameras_are_listed_with_a_picture_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command_rig, "list_cameras", lambda: [BUSY, GOOD])
    assert main(["cameras", "--pictures", str(tmp_path / "p"), "--json"]) == 0
    busy, good = map(json.loads, capfd.readouterr().out.splitlines())
    assert (busy["camera"], busy["picture"], busy["problem"]) == ("pi:0", "", BUSY.problem)
    assert (good["camera"], good["size"]) == ("usb:/dev/video0", "64 × 48")
    assert cv2.imread(good["picture"]).shape == PICTURE.shape


def test_a_rigs_watchdog_hears_of_every_thread_that_matters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def enough(_: FakeHeartbeat) -> None:
        raise RigError("that is enough")

    monkeypatch.setattr(FakeHeartbeat, "start", enough)
    monkeypatch.setattr("server.rig.systemd.Heartbeat", FakeHeartbeat)
    monkeypatch.setattr("server.sources.camera_source.camera_source", lambda *_, **__: PracticeSource())
    words = ["rig", "--to", "http://127.0.0.1:9", "--camera", "usb", "--data", str(tmp_path)]
    assert main(words) == 2
    assert FakeHeartbeat.asked == {"frame loop", "uplink", "panel"}


def test_no_camera_is_one_line(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(command_rig, "list_cameras", list)
    assert main(["cameras"]) == 2
    assert capfd.readouterr().err.count("\n") == 1


def test_the_doctor_says_what_is_bad_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "list_cameras", lambda lens: [BUSY])
    assert main(["doctor", "--data", str(tmp_path), "--to", "http://127.0.0.1:9"]) == 1
    lines = capfd.readouterr().out.splitlines()
    assert f"BAD   camera     pi imx708: {BUSY.problem}" in lines
    assert any(line.startswith("BAD   page") and "--lan" in line for line in lines)
    names = {line.split()[1] for line in lines}
    assert {"numpy", "cv2", "camera", "pins", "disk", "log", "clock", "heat", "network"} <= names


def test_the_doctor_looks_at_each_thing(tmp_path: Path) -> None:
    Log(tmp_path).close()
    states = {
        "camera": [look.state for look in doctor.cameras([GOOD])],
        "none": [look.state for look in doctor.cameras([])],
        "dark": [look.state for look in doctor.cameras([CameraFound("usb", "x", picture=PICTURE * 0)])],
        "pins": [look.state for look in doctor.pins(Pins(ring=12), opener=lambda pins: (Panel(), None))],
        "held": [look.state for look in doctor.pins(Pins(ring=12), opener=lambda pins: (Panel(), "busy"))],
        "log": [look.state for look in doctor.log(tmp_path)],
        "hot": [look.state for look in doctor.heat(lambda command: "throttled=0x8")],
        "cool": [look.state for look in doctor.heat(lambda command: "throttled=0x0")],
        "unset": [look.state for look in doctor.clock(lambda command: "no")],
    }
    assert states == {
        "camera": ["good", "note"],  # no card in view
        "none": ["bad"],
        "dark": ["bad"],
        "pins": ["good"],
        "held": ["bad"],
        "log": ["good"],
        "hot": ["bad"],
        "cool": ["good"],
        "unset": ["note"],
    }


def test_the_doctor_says_what_is_wrong_with_disk_log_and_libraries(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "spotwright.db").write_bytes(b"no database")
    (look,) = doctor.log(tmp_path)
    assert look.state == "bad" and "head of the file is damaged" in look.line
    (look,) = doctor.log(tmp_path / "none")
    assert (look.state, look.line) == ("note", f"nothing kept yet in {tmp_path / 'none'}")
    for urgent, state in ((True, "bad"), (False, "note")):
        monkeypatch.setattr(doctor, "check_disk", lambda _, urgent=urgent: [Finding("disk", "full", urgent)])
        assert list(doctor.disk(tmp_path)) == [doctor.Look("disk", state, "full")]
    (look,) = doctor.libraries(["no_such_library"])
    assert look.state == "bad" and look.line.startswith("not installed: ")


def test_the_doctor_asks_the_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    with HTTPServer(("127.0.0.1", 0), Page) as page:
        thread = threading.Thread(target=page.serve_forever)
        thread.start()
        monkeypatch.setattr(doctor, "own_address", lambda: "127.0.0.1")
        to = f"http://127.0.0.1:{page.server_port}"
        served = [look.state for look in doctor.network(to, port=page.server_port, timeout_s=60.0)]
        page.shutdown()
        thread.join()
    assert served == ["good", "good"]
    monkeypatch.setattr(doctor, "own_address", lambda: None)
    for other in (to, "http://[", "http://a b"):
        assert [look.state for look in doctor.network(other, timeout_s=60.0)] == ["bad", "bad"]


def test_what_answers_as_no_page_does_is_one_line() -> None:
    def answer() -> None:
        with listening.accept()[0] as wire:
            wire.sendall(b"SSH-2.0\r\n\r\n")

    with socket.create_server(("127.0.0.1", 0)) as listening:
        answers = threading.Thread(target=answer)
        answers.start()
        look = doctor._page_elsewhere(f"http://127.0.0.1:{listening.getsockname()[1]}", 60.0)
        answers.join()
    assert look.state == "bad" and "\n" not in look.line


def test_a_camera_library_built_for_another_numpy_is_told_apart_from_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "wrongly_built.py").write_text("raise ValueError('numpy.dtype size changed')")
    monkeypatch.syspath_prepend(tmp_path)
    (tmp_path / "blocked.py").write_text("import time\ntime.sleep(3600)")
    wrong, absent, there = doctor.libraries(["wrongly_built", "picamera2", "numpy"], patience_s=300.0)
    assert wrong.state == "bad"
    assert "dtype size changed" in wrong.line
    assert absent.state in ("note", "good")
    assert (there.state, there.line) == ("good", np.__version__)
    (blocked,) = doctor.libraries(["blocked"], patience_s=1.0)
    assert (blocked.state, blocked.line) == ("bad", "does not load within 1 s: restart the Pi")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rig", "--to", "rig.example"], "begins with http"),
        (
            ["rig", "--to", "http://127.0.0.1:9", "--camera", "daguerreotype"],
            "choose one of pi, pi:NUMBER, usb, usb:DEVICE, replay:FOLDER, rigs",
        ),
        (["rig", "--to", "http://127.0.0.1:9", "--camera", "replay:/no/such"], "no such folder"),
        (["rig", "--to", "http://127.0.0.1:9", "--name", "a b"], "letters, digits"),
        (["rig", "--to", "http://127.0.0.1:9", "--rig", "/no/such.toml"], "No such file"),
        (["serve", "--rig", "/no/such.toml"], "No such file"),
        (
            ["serve", "--camera", "daguerreotype"],
            "choose one of pi, pi:NUMBER, usb, usb:DEVICE, replay:FOLDER, rigs",
        ),
    ],
)
def test_impossible_arguments_are_refused_in_one_line(
    words: list[str], said: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--data", str(tmp_path)]) == 2
    errors = capfd.readouterr().err
    assert said in errors
    assert errors.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--bar-mm", "50", "--bar-mm", "50", "--bar-mm", "50"], "given once, or twice"),
        (["--bar-mm", "5"], "--bar-mm: "),
        (["--name", "no name"], "--name no name: letters, digits"),
        (["--record", "{file}"], "{file}: File exists"),
        (["--data", "{file}/data"], "{file}/data/to-be-sent: Not a directory"),
        (["--code", "a\nb"], "letters, digits"),
    ],
)
def test_a_rig_refuses_in_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    words: list[str],
    said: str,
) -> None:
    file = tmp_path / "file"
    file.touch()
    monkeypatch.setattr("server.sources.camera_source.camera_source", lambda *_, **__: PracticeSource())
    rig = ["rig", "--to", "http://127.0.0.1:9", "--camera", "usb", "--data", str(tmp_path)]
    assert main([*rig, *(word.format(file=file) for word in words)]) == 2
    err = capfd.readouterr().err
    assert said.format(file=file) in err
    assert err.count("\n") == 1 or err.startswith("Usage")


def test_pictures_that_cannot_be_written_are_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setattr(command_rig, "list_cameras", lambda: [GOOD])
    assert main(["cameras", "--pictures", str(tmp_path / "file")]) == 2
    assert capfd.readouterr().err == f"spotwright: {tmp_path / 'file'}: File exists\n"

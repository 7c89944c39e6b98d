"""The rig's camera class, unmodified, on the real libcamera and picamera2 with a virtual camera."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from tests.rig.conftest import CHECKOUT, PYTHON, Root, Scene, show

Json = dict[str, Any]
NEAR_MM = 0.06  # about twice the limit that rendered cards of this scale are read to (tests/practice)


@pytest.fixture(scope="module")
def acts(rig_root: Root, scene: Scene) -> dict[str, Json]:
    """The results of all acts of play.py, from one run."""
    names = ["capture", "before_and_after", "killed", "frozen", "unplugged"]
    show(rig_root, Before=scene.before, After=scene.after)
    done = rig_root.run(PYTHON, f"{CHECKOUT}/tests/rig/play.py", CHECKOUT, *names, timeout_s=1200)
    results = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert done.returncode == 0, done.stderr[-3000:]
    return {line["act"]: line for line in results}


def test_a_captured_card_is_read_where_the_mark_is(acts: dict[str, Json], scene: Scene) -> None:
    (mark,) = acts["capture"]["marks"]
    assert acts["capture"]["station"] == "mirror-2"
    assert mark["offset_mm"] == pytest.approx(scene.offset_mm, abs=NEAR_MM)
    assert mark["new"] is None


def test_before_and_after_tell_the_new_mark(acts: dict[str, Json], scene: Scene) -> None:
    (mark,) = acts["before_and_after"]["marks"]
    assert mark["new"] is True
    assert mark["offset_mm"] == pytest.approx(scene.offset_mm, abs=NEAR_MM)


def test_a_killed_camera_process_is_back_by_itself(acts: dict[str, Json]) -> None:
    assert len(acts["killed"]["back_s"]) == 5
    assert acts["killed"]["problem"] is None


def test_a_frozen_one_is_replaced(acts: dict[str, Json]) -> None:
    assert acts["frozen"]["another_process"]


def test_an_absent_camera_is_said_and_comes_back(acts: dict[str, Json]) -> None:
    act = acts["unplugged"]
    assert any(line.startswith("no Pi camera 0: check the ribbon cable") for line in act["said"])
    assert act["back"]
    assert act["problem"] is None


@contextmanager
def served(rig_root: Root, data: str) -> Iterator[str]:
    """The whole program in the root, with its Pi camera; yields its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    words = [PYTHON, "-m", "server.cli.main", "serve", "--port", port, "--camera", "pi", "--data", data]
    with rig_root.path("/srv/serve.log").open("w") as said:
        program = subprocess.Popen(rig_root.words(*words), stdout=said, stderr=said, start_new_session=True)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        os.killpg(program.pid, signal.SIGTERM)
        try:
            program.wait(timeout=300)
        except subprocess.TimeoutExpired:
            os.killpg(program.pid, signal.SIGKILL)
            program.wait()
            raise


def ask(address: str, action: str = "", body: Json | None = None) -> Json:
    path = f"/api/do/bench/{action}" if action else "/api/state"
    named = {"step": ask(address)["step"], "key": uuid4().hex} if action else {}
    data = None if not action else json.dumps((body or {}) | named).encode()
    request = urllib.request.Request(address + path, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=300) as answer:
        state: Json = json.load(answer)
        return state


def until(address: str, true: Any, *, timeout_s: float = 300) -> Json:
    give_up_s = time.monotonic() + timeout_s
    while time.monotonic() < give_up_s:
        try:
            state = ask(address)
            if true(state):
                return state
        except OSError:
            pass
        time.sleep(0.1)
    raise AssertionError("that did not happen")


def camera_processes(rig_root: Root) -> list[int]:
    """The child processes that hold the camera, among all processes of this computer."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            inside = os.readlink(path / "root") == str(rig_root.folder)
            words = (path / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        if inside and b"firmware.camera.child" in words:
            found.append(int(path.name))
    return found


def test_the_page_reads_a_pulse_through_the_real_stack_although_the_camera_dies(
    rig_root: Root, scene: Scene
) -> None:
    """Hang, then kill the camera's process; the next one sees the pulse's mark without any other message."""
    show(rig_root, Now=scene.before)
    subprocess.run(["rm", "-rf", str(rig_root.path("/srv/data"))], check=True)
    with served(rig_root, "/srv/data") as address:
        until(address, lambda state: state["picture"] is not None)
        ask(address, "acknowledge")
        ask(address, "hang", {"station": "mirror-2", "head_mm": [0, 1000]})
        show(rig_root, Now=scene.after)
        for process in camera_processes(rig_root):
            os.kill(process, signal.SIGKILL)
        until(address, lambda state: state["rig"]["faults"])
        until(address, lambda state: not any(f["code"] == "camera" for f in state["rig"]["faults"]))
        state = ask(address, "pulse")
    assert len(state["readings"]) == 1
    words = state["readings"][0]["words"]
    u_mm, v_mm = scene.offset_mm
    said = [float(word.split()[0]) for word in words.partition(": ")[2].split(", ")]
    assert said == pytest.approx([u_mm, v_mm], abs=NEAR_MM), words


def test_the_installed_program_lists_the_camera_and_looks_after_itself(rig_root: Root, scene: Scene) -> None:
    show(rig_root, After=scene.after)
    module = [PYTHON, "-m", "server.cli.main"]
    listed = rig_root.run(*module, "cameras", "--pictures", "/srv/pictures")
    assert listed.stdout.split()[:2] == ["pi:0", "After"], listed.stderr
    assert rig_root.path("/srv/pictures/camera-0-pi.jpg").exists()
    looked = rig_root.run(*module, "doctor")
    lines = looked.stdout.splitlines()
    assert any(line.startswith("good  picamera2") for line in lines), looked.stdout
    assert any(line.startswith("good  camera") and "1280 × 720" in line for line in lines)
    assert any("gpiozero" in line for line in lines)


def test_without_a_camera_both_say_what_to_do(rig_root: Root) -> None:
    show(rig_root)
    module = [PYTHON, "-m", "server.cli.main"]
    listed = rig_root.run(*module, "cameras")
    assert listed.returncode == 2
    assert "check the Pi's ribbon cable" in listed.stderr
    looked = rig_root.run(*module, "doctor")
    assert looked.returncode == 1
    assert "check the Pi's ribbon cable" in looked.stdout

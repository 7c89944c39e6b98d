"""Messages to systemd, over a real socket."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.rig.systemd import Heartbeat, next_beat_s, notify


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[tuple[socket.socket, dict[str, str]]]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "n"))
        heard.settimeout(300)
        yield heard, {"NOTIFY_SOCKET": str(tmp_path / "n")}


def test_ready_alive_and_stopping_are_said(listening: tuple[socket.socket, dict[str, str]]) -> None:
    heard, environment = listening
    beats = Heartbeat({"frame loop": lambda: True}, environment={**environment, "WATCHDOG_USEC": "30000"})
    assert beats.period_s == pytest.approx(0.01)
    beats.start()
    assert heard.recv(100) == b"READY=1"
    assert heard.recv(100) == b"WATCHDOG=1"
    assert heard.recv(100) == b"WATCHDOG=1"
    beats.stop()
    assert b"STOPPING=1" in iter(lambda: heard.recv(100), b"")


def test_what_a_beat_takes_does_not_make_the_next_ones_later() -> None:
    due_s, period_s = 10.0, 1.0
    for late_s in (0.0, 0.4, 0.9):
        due_s = next_beat_s(due_s, due_s + late_s, period_s)
    assert due_s == 13.0
    assert next_beat_s(13.0, 20.0, period_s) == 20.0  # after a stop: one at once, not seven


def test_a_thread_that_does_not_answer_is_not_reported_alive(
    listening: tuple[socket.socket, dict[str, str]], caplog: pytest.LogCaptureFixture
) -> None:
    _, environment = listening
    lives, does_not = (lambda: True), (lambda: False)
    assert Heartbeat({"frame loop": lives, "server": lives}, environment=environment).beat()
    with caplog.at_level("ERROR"):
        assert not Heartbeat({"frame loop": lives, "server": does_not}, environment=environment).beat()
    assert caplog.messages == ["no sign of life from: server"]


def test_abstract_socket_names_work_as_on_linux() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0spotwright-test")
        heard.settimeout(300)
        assert notify("READY=1", environment={"NOTIFY_SOCKET": "@spotwright-test"})
        assert heard.recv(100) == b"READY=1"


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "/no/such/socket"}])
def test_without_a_listener_nothing_happens(environment: dict[str, str]) -> None:
    assert not notify("READY=1", environment=environment)


def test_a_system_without_such_sockets_is_not_asked_for_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "AF_UNIX")
    assert not notify("READY=1", environment={})


def test_another_process_s_watchdog_is_not_ours() -> None:
    assert Heartbeat({}, environment={"WATCHDOG_USEC": "1000", "WATCHDOG_PID": "1"}).period_s is None

"""The server itself: real sockets, and a proxy in front that speaks for the browser."""

from __future__ import annotations

import contextlib
import http.client
import socket
import threading
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from waitress import wasyncore

from server.pages import Config, create_app
from server.pages.serve import make_server
from server.rig.threads import SessionThreads
from tests.pages.doubles import Bench, FakeHeartbeat, Script

serving = import_module("server.pages.serve")  # the package has a function of that name
NAME = "laser.workshop.example"
Answer = tuple[int, dict[str, str], bytes]
Ask = Callable[..., Answer]


@pytest.fixture
def ask(tmp_path: Path) -> Iterator[Callable[..., Ask]]:
    """Start a server; return a function that asks it."""
    running = []

    def start(*, behind_proxy: bool) -> Ask:
        code, hosts = ("abcd-efgh", (NAME,)) if behind_proxy else (None, ())
        app = create_app(Config(tmp_path, source=Bench, services=Script().services(), code=code, hosts=hosts))
        server = make_server(app, port=0, behind_proxy=behind_proxy)
        thread = threading.Thread(target=_run, args=(server,))
        thread.start()
        running.append((server, thread))

        def send(method: str, path: str, body: str = "", **headers: str) -> Answer:
            wire = http.client.HTTPConnection("127.0.0.1", server.effective_port, timeout=300)
            wire.request(method, path, body, {name.replace("_", "-"): text for name, text in headers.items()})
            answer = wire.getresponse()
            found = answer.status, dict(answer.getheaders()), answer.read()
            wire.close()
            return found

        return send

    yield start
    for server, thread in running:
        server.close()
        thread.join(timeout=300)
        server.task_dispatcher.shutdown()
        # a browser's end that the server had no time to notice
        wasyncore.close_all(server._map, ignore_all=True)


def test_the_watchdog_hears_of_every_thread_that_matters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "Heartbeat", FakeHeartbeat)
    monkeypatch.setattr(serving, "_end_on_sigterm", lambda: None)  # the tests keep their own way to end
    monkeypatch.setattr(serving.Server, "run", lambda _: None)
    serving.serve(port=0, lan=False, data=tmp_path, source=Bench, say=lambda _: None)
    assert FakeHeartbeat.asked == {"frame loop", "panel", "server"}


def test_the_usual_port_is_not_spelled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The number that the server itself has of its port is what the light goes by."""
    spelled = []

    def threads(*parts: Any, welcome: Callable[[], str | None], **more: Any) -> SessionThreads:
        spelled.append(welcome())
        return SessionThreads(*parts, welcome=welcome, **more)

    monkeypatch.setattr(serving, "SessionThreads", threads)
    monkeypatch.setattr("server.rig.own_address.own_address", lambda: "192.0.2.7")
    monkeypatch.setattr(serving, "Heartbeat", FakeHeartbeat)
    monkeypatch.setattr(serving, "_end_on_sigterm", lambda: None)
    monkeypatch.setattr(serving.Server, "run", lambda _: None)
    monkeypatch.setattr(serving, "USUAL_PORT", port := _free_port())
    serving.serve(port=port, lan=True, data=tmp_path, source=Bench, say=lambda _: None)
    assert len(spelled) == 1
    assert str(spelled[0]).startswith("192.0.2.7 ")


def _free_port() -> int:
    with socket.create_server(("", 0)) as free:
        return int(free.getsockname()[1])


def _run(server: Any) -> None:
    with contextlib.suppress(OSError):  # closed from the test's thread while it waits for its sockets
        server.run()


def test_an_upload_beyond_the_limit_is_refused_before_it_is_read(ask: Callable[..., Ask]) -> None:
    send = ask(behind_proxy=False)
    status, _, _ = send("POST", "/api/read", "", Content_Length=str(10**10))
    assert status == 413
    assert send("GET", "/cautions")[0] == 200


def test_behind_a_proxy_the_cookie_is_for_https_only_and_the_code_is_asked(ask: Callable[..., Ask]) -> None:
    send = ask(behind_proxy=True)
    forwarded = {"Host": "localhost", "X_Forwarded_Host": NAME, "X_Forwarded_Proto": "https"}
    assert send("GET", "/api/state", **forwarded)[0] == 401
    form = {"Content_Type": "application/x-www-form-urlencoded", "Origin": f"https://{NAME}"}
    status, headers, _ = send("POST", "/door", "code=abcd-efgh", **forwarded, **form)
    assert status == 302
    assert "Secure" in headers["Set-Cookie"]
    assert send("GET", "/api/state", Host="localhost", X_Forwarded_Host="evil.example")[0] == 421


def test_without_a_proxy_nobody_is_believed_about_the_host(ask: Callable[..., Ask]) -> None:
    send = ask(behind_proxy=False)
    assert send("GET", "/api/state", Host="evil.example", X_Forwarded_Host="localhost")[0] == 421
    assert send("GET", "/api/state", Host="localhost", X_Forwarded_Host="evil.example")[0] == 200

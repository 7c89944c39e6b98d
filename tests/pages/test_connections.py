"""Strangers' connections over real sockets: they end by themselves, and never keep out who knows the code."""

from __future__ import annotations

import contextlib
import http.client
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from waitress import wasyncore
from waitress.channel import HTTPChannel

from server.pages import Config, connections, create_app
from server.pages.connections import ANSWER_S, IDLE_S, REQUEST_S, Server
from server.pages.serve import make_server
from tests.pages.doubles import Bench, Script

CODE = "abcd-efgh"
KNOWN = {"Authorization": f"Bearer {CODE}"}


class Served:
    """A server in a thread, its clock in the test's hand."""

    def __init__(self, folder: Path, *, behind_proxy: bool = False) -> None:
        services, hosts = Script().services(), ("laser.example",) if behind_proxy else ()
        app = create_app(Config(folder, source=Bench, services=services, code=CODE, hosts=hosts))
        self.late_s = 0.0
        self.server: Server = make_server(app, port=0, behind_proxy=behind_proxy)
        clock = self.server.clock
        self.server.clock = lambda: clock() + self.late_s
        self.port = int(self.server.effective_port)
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            self.server.run()

    def close(self) -> None:
        self.server.close()
        self.thread.join(timeout=20)
        self.server.task_dispatcher.shutdown()
        wasyncore.close_all(self.server._map, ignore_all=True)

    def connect(self, address: str = "127.0.0.1") -> socket.socket:
        wire = socket.create_connection(("127.0.0.1", self.port), timeout=20, source_address=(address, 0))
        return wire

    def ask(self, path: str, *, method: str = "GET", body: bytes = b"", **headers: str) -> int:
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        wire.request(method, path, body, headers)
        status = wire.getresponse().status
        wire.close()
        return status


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    running = Served(tmp_path)
    yield running
    running.close()


def ended(wire: socket.socket) -> bool:
    """Wait for the server to end this connection."""
    try:
        return wire.recv(10_000) == b""
    except ConnectionError:
        return True


def open_(wire: socket.socket) -> bool:
    """Whether it is open yet: there is nothing to read, not even an end."""
    wire.setblocking(False)
    try:
        return wire.recv(10_000) != b""
    except BlockingIOError:
        return True
    except ConnectionError:
        return False
    finally:
        wire.settimeout(20)


@pytest.mark.parametrize("address", ["127.0.0.1", "127.0.0.9"])
def test_the_page_answers_beside_idle_strangers(served: Served, address: str) -> None:
    strangers = [served.connect(address) for _ in range(205)]
    assert served.ask("/api/state", **KNOWN) == 200
    assert served.ask("/door") == 200
    assert sum(map(open_, strangers)) <= connections.MOST_OF_ADDRESS
    for wire in strangers:
        wire.close()


def test_many_addresses_share_what_strangers_have(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "MOST_STRANGERS", 20)
    quiet = [served.connect("127.0.0.5") for _ in range(3)]
    crowd = [served.connect(f"127.0.0.{6 + n % 3}") for n in range(60)]
    assert served.ask("/api/state", **KNOWN) == 200
    assert all(map(open_, quiet))  # the oldest of all, but of an address that holds few
    assert sum(map(open_, [*quiet, *crowd])) <= 20
    for wire in [*quiet, *crowd]:
        wire.close()


def test_who_knows_the_code_keeps_his_connection(served: Served) -> None:
    wire = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
    wire.request("GET", "/api/state", headers=KNOWN)
    wire.getresponse().read()
    strangers = [served.connect() for _ in range(100)]
    kept = wire.sock
    wire.request("GET", "/api/state", headers=KNOWN)
    assert wire.getresponse().status == 200
    assert wire.sock is kept
    wire.close()
    for stranger in strangers:
        stranger.close()


def test_a_stranger_who_sends_nothing_or_little_by_little_is_ended(served: Served) -> None:
    silent, slow = served.connect(), served.connect()
    slow.sendall(b"GET / HTTP/1.1\r\n")
    assert served.ask("/door") == 200
    served.late_s = REQUEST_S - 1
    slow.sendall(b"Host: localhost\r\n")
    assert served.ask("/door") == 200
    served.late_s = REQUEST_S + 1
    assert ended(silent)
    assert ended(slow)
    silent.close()
    slow.close()


def test_a_known_upload_may_take_its_time_but_not_stand_still(served: Served) -> None:
    wire = served.connect()
    head = f"POST /api/read HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {CODE}\r\n"
    wire.sendall(f"{head}Content-Length: 10000000\r\n\r\n".encode())
    for _ in range(4):
        wire.sendall(bytes(1000))
        assert served.ask("/door") == 200  # the loop has turned, and has taken the bytes
        served.late_s += IDLE_S - 1
        assert served.ask("/door") == 200
        assert open_(wire)
    served.late_s += IDLE_S + 1
    assert ended(wire)
    wire.close()


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 413),
        ({"Authorization": "Bearer wrong"}, 413),
        (KNOWN, 400),
        ({"Cookie": "spotwright_device=1"}, 413),
    ],
)
def test_a_strangers_large_body_is_refused_by_its_header(
    served: Served, headers: dict[str, str], status: int
) -> None:
    assert served.ask("/api/read", method="POST", body=bytes(200_000), **headers) == status


def test_the_cookie_of_a_device_is_known_too(served: Served) -> None:
    token = served.server.admits.__self__.token()  # type: ignore[attr-defined]
    assert (
        served.ask("/api/read", method="POST", body=bytes(200_000), Cookie=f"spotwright_device={token}")
        == 400
    )


def test_guesses_by_large_bodies_count_as_guesses(served: Served) -> None:
    def guess(code: str) -> int:
        headers = {"Authorization": f"Bearer {code}"}
        return served.ask("/api/read", method="POST", body=bytes(200_000), **headers)

    assert [guess(f"wrong{n}") for n in range(11)] == [413] * 11
    assert guess(CODE) == 413  # too many wrong codes from there: not even the right one is known now


def test_behind_a_proxy_the_browsers_address_counts(tmp_path: Path) -> None:
    served = Served(tmp_path, behind_proxy=True)
    try:

        def ask(code: str, address: str, path: str = "/api/state", **more: Any) -> int:
            forwarded = {"X-Forwarded-For": address, "X-Forwarded-Host": "laser.example"}
            return served.ask(path, Authorization=f"Bearer {code}", **forwarded, **more)

        assert [ask(f"wrong{n}", "192.0.2.66") for n in range(11)] == [401] * 10 + [429]
        assert ask(CODE, "192.0.2.66") == 429
        assert ask(CODE, "192.0.2.7") == 200
        large = {"method": "POST", "body": bytes(200_000)}
        assert ask(CODE, "192.0.2.7", "/api/read", **large) == 400  # taken, and looked at: no picture
    finally:
        served.close()


def test_the_server_tells_whether_it_lives_without_being_asked_anything(served: Served) -> None:
    assert served.ask("/door") == 200
    assert served.server.alive()
    served.server.turned_s -= connections.TURN_S + 60
    served.server.clock = lambda: served.server.turned_s + connections.TURN_S + 1
    assert not served.server.alive()


def test_workers_that_all_hang_are_noticed(tmp_path: Path) -> None:
    app = create_app(Config(tmp_path, source=Bench, services=Script().services()))
    server, now_s = make_server(app, port=0), [0.0]
    clock = server.clock
    server.clock = lambda: clock() + now_s[0]
    server.task_dispatcher.set_thread_count(0)
    server.task_dispatcher.queue.append(object())
    for now_s[0] in (1000.0, 1030.0):
        server.readable()
        assert server.alive()
    now_s[0] = 1000.0 + connections.QUEUE_S + 1
    server.readable()
    assert not server.alive()
    server.task_dispatcher.queue.clear()
    for late_s in (2, connections.QUEUE_S + 1):  # nothing to do for long is no fault
        now_s[0] += late_s
        server.readable()
        assert server.alive()
    server.close()


@pytest.fixture
def channel(tmp_path: Path) -> Iterator[Any]:
    """A stranger's connection on which 5000 bytes of an answer wait."""
    app = create_app(Config(tmp_path, source=Bench, services=Script().services(), code=CODE))
    server = make_server(app, port=0)
    ours, theirs = socket.socketpair()
    theirs.setblocking(False)
    made: Any = connections.Connection(server, theirs, ("192.0.2.66", 1), server.adj, map=server._map)
    made.total_outbufs_len = 5000
    yield made
    ours.close()
    theirs.close()
    server._map.clear()
    server.close()


def test_who_does_not_take_the_answer_is_ended(channel: Any) -> None:
    began_s = channel.began_s
    channel.moved_s = began_s + ANSWER_S
    assert not channel.overdue(began_s + REQUEST_S + 1)
    assert channel.overdue(began_s + ANSWER_S + 1)
    channel.known = True
    assert not channel.overdue(began_s + ANSWER_S + 1)
    channel.requests = [object()]
    assert not channel.overdue(began_s + 10_000)  # it is being answered, or is an event stream


@pytest.mark.parametrize("taken", [0, 1])
def test_who_takes_the_answer_slowly_is_not_idle(
    channel: Any, taken: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def send(some: Any) -> None:
        some.total_outbufs_len -= taken

    monkeypatch.setattr(HTTPChannel, "handle_write", send)
    channel.known, late_s = True, channel.began_s + IDLE_S + 1
    channel.server.clock = lambda: late_s
    channel.handle_write()
    assert channel.overdue(late_s) == (not taken)


def test_the_time_for_the_next_request_begins_with_the_answer(
    channel: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(HTTPChannel, "service", lambda _: None)
    channel.total_outbufs_len, late_s = 0, channel.began_s + 1000
    channel.server.clock = lambda: late_s
    channel.service()
    assert not channel.overdue(late_s + REQUEST_S)
    assert channel.overdue(late_s + REQUEST_S + 1)


@dataclass
class Held:
    """A connection as ``_make_room`` sees it."""

    address: str
    known: bool = False
    requests: tuple[object, ...] = ()
    will_close: bool = False

    began_s = 0.0

    @property
    def addr(self) -> tuple[str, int]:
        return self.address, 1


KNOWN_ONE, STRANGER, ANSWERED = Held("a", known=True), Held("b"), Held("b", requests=("GET",))


@pytest.mark.parametrize(
    ("held", "ended"),
    [
        ([KNOWN_ONE] * 4, []),
        ([KNOWN_ONE] * 5, [4]),  # no stranger to make room: the new one ends
        ([KNOWN_ONE] * 4 + [STRANGER], [4]),
        ([STRANGER] + [KNOWN_ONE] * 4, [0]),  # a stranger makes room for a new one who may be known
        ([ANSWERED] + [KNOWN_ONE] * 4, [4]),  # but not while it is being answered
        ([STRANGER, STRANGER, Held("c")], []),
        ([STRANGER, STRANGER, Held("c"), Held("d")], [0]),  # too many strangers: of those with most
        ([ANSWERED, STRANGER, Held("c"), Held("d")], [1]),
        ([ANSWERED, ANSWERED, Held("c"), Held("d")], [3]),
        ([STRANGER, STRANGER, STRANGER], [0]),  # too many of one address
        ([replace(STRANGER, will_close=True), STRANGER, STRANGER], [0]),
    ],
)
def test_who_makes_room(held: list[Held], ended: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "MOST", 4)
    monkeypatch.setattr(connections, "MOST_STRANGERS", 3)
    open_ = [replace(each) for each in held]
    for number, each in enumerate(open_):
        each.began_s = float(number)
    server: Any = SimpleNamespace(active_channels=dict(enumerate(open_)), _most_of_address=2)
    Server._make_room(server, open_[-1])  # type: ignore[arg-type]
    assert [number for number, each in enumerate(open_) if each.will_close] == ended

"""A page behind a network line that fails in every way we can think of, and can be repaired."""

from __future__ import annotations

import json
import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from flask.testing import FlaskClient

__all__ = ["FAULTS", "FaultyLine"]

PATIENCE_S = 15.0  # after which a line that sends nothing, or too much, goes on: a rig must not wait so long

Send = Callable[["FaultyLine", socket.socket, bytes, bytes], None]


class FaultyLine:
    """Listens on loopback, passes requests on to ``client`` (a page), and fails as ``fault`` says.

    ``strayed`` holds the requests that followed a redirect, ``outlasted`` the faults for whose end somebody
    has waited.
    """

    def __init__(self, client: Callable[[], FlaskClient]) -> None:
        self._client, self._end = client, threading.Event()
        self.fault: str | None = None
        self.strayed: list[bytes] = []
        self.outlasted: list[str] = []
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._elsewhere = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._socket.getsockname()[1]}"
        self.other = f"http://127.0.0.1:{self._elsewhere.getsockname()[1]}"
        self._threads = [
            threading.Thread(target=self._accept, args=(s, f), daemon=True)
            for s, f in ((self._socket, self._serve), (self._elsewhere, self._stray))
        ]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        self._end.set()
        for listening in (self._socket, self._elsewhere):
            with suppress(OSError):
                listening.shutdown(socket.SHUT_RDWR)
            listening.close()
        for thread in self._threads:
            thread.join(20)

    def _accept(self, listening: socket.socket, serve: Callable[[socket.socket], None]) -> None:
        while not self._end.is_set():
            try:
                wire, _ = listening.accept()
            except OSError:
                return
            with wire, suppress(OSError):
                wire.settimeout(20)
                serve(wire)

    def _stray(self, wire: socket.socket) -> None:
        self.strayed.append(wire.recv(100_000))

    def _serve(self, wire: socket.socket) -> None:
        fault = self.fault
        if fault == "refused":
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return
        head, body = _request(wire)
        if fault in _BEFORE:
            _BEFORE[fault](self, wire, head, body)
            return
        status, answer = self._ask(head, body)
        if fault in _AFTER:
            _AFTER[fault](self, wire, head, answer)
            return
        wire.sendall(_response(status, answer))

    def _ask(self, head: bytes, body: bytes) -> tuple[int, bytes]:
        path = head.split(b" ", 2)[1].decode()
        lines = (line.partition(b": ") for line in head.split(b"\r\n")[1:] if line)
        headers = {name.decode(): value.decode() for name, _, value in lines}
        kept = {name: headers[name] for name in ("Authorization", "Content-Type") if name in headers}
        answer = self._client().post(path, data=body, headers=kept)
        return answer.status_code, answer.get_data()


def _request(wire: socket.socket) -> tuple[bytes, bytes]:
    data = b""
    while b"\r\n\r\n" not in data:
        data += (more := wire.recv(65536))
        if not more:
            raise ConnectionResetError
    head, _, body = data.partition(b"\r\n\r\n")
    headers = {n.strip().lower(): v for n, _, v in (line.partition(b":") for line in head.split(b"\r\n")[1:])}
    while len(body) < int(headers.get(b"content-length", b"0")):
        body += wire.recv(65536)
    return head, body


def _response(status: int, body: bytes, more: str = "") -> bytes:
    return f"HTTP/1.1 {status} X\r\nContent-Length: {len(body)}\r\n{more}\r\n".encode() + body


def _says(status: int, body: bytes, more: str = "") -> Send:
    return lambda line, wire, head, _: wire.sendall(_response(status, body, more))


def _cut(line: FaultyLine, wire: socket.socket, head: bytes, answer: bytes) -> None:
    wire.sendall(_response(200, answer)[: -max(len(answer) // 2, 1)])


def _drips(first: bytes) -> Send:
    def drip(line: FaultyLine, wire: socket.socket, head: bytes, answer: bytes) -> None:
        wire.sendall(b"HTTP/1.1 200 X\r\n" + first)
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s and not line._end.wait(0.02):
            wire.sendall(b" ")
        line.outlasted.append("byte by byte")

    return drip


def _endless(line: FaultyLine, wire: socket.socket, head: bytes, answer: bytes) -> None:
    wire.sendall(b"HTTP/1.1 200 X\r\n\r\n")
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        wire.sendall(b"[" * 65536)
    line.outlasted.append("endless")


def _silent(line: FaultyLine, wire: socket.socket, head: bytes, answer: bytes) -> None:
    wire.settimeout(PATIENCE_S)
    try:
        wire.recv(1)  # until the other side gives up
    except TimeoutError:
        line.outlasted.append("silence")


def _redirect(line: FaultyLine, wire: socket.socket, head: bytes, answer: bytes) -> None:
    wire.sendall(_response(307, b"", f"Location: {line.other}/api/rig/sight\r\n"))


_BEFORE: dict[str, Send] = {
    "garbage status line": lambda line, wire, head, body: wire.sendall(b"\x00\xffSSH-2.0\r\n\r\n"),
    "[] with 200": _says(200, b"[]"),
    "{} with 200": _says(200, b"{}"),
    "HTML with 200": _says(200, b"<html>sign in</html>"),
    "nested deeply": _says(200, b"[" * 100_000),
    "not text": _says(200, b"\xff\xfe\x00{"),
    "500 in HTML": _says(500, b"<h1>no</h1>"),
    "errors of other shapes": _says(409, json.dumps({"error": ["x"]}).encode()),
    "code refused": _says(401, b'{"error": {"path": "", "message": "not the code"}}'),
    "numbers of nobody": _says(200, b'{"sequence": 999, "last": "x", "panel": {"signal": [], "glow": 1}}'),
    "redirect": _redirect,
    "silence": _silent,
    "head byte by byte": _drips(b"X-A: "),
    "body byte by byte": _drips(b"\r\n"),
    "endless": _endless,
}
_AFTER: dict[str, Send] = {
    "answer cut": _cut,
    "answer lost": lambda line, wire, head, answer: None,
    "says to have more": lambda line, wire, head, answer: wire.sendall(
        b"HTTP/1.1 200 X\r\nContent-Length: 900000\r\n\r\n" + answer
    ),
}
FAULTS = ["refused", *_BEFORE, *_AFTER]


def reading(offset_mm: float) -> dict[str, Any]:
    """Return a mark as a rig keeps it in its spool."""
    mark = {
        "station": "mirror-1",
        "offset_mm": [offset_mm, 0.0],
        "sigma_mm": [0.02, 0.02],
        "width_mm": [4.0, 4.0],
        "shape": "round",
    }
    return {"rig": "far", "mark": mark, "picture": None, "read_at": {"boot": "another", "s": 0.0}}

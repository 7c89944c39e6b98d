"""Send JSON to a page elsewhere over HTTP; every failure becomes a reason in one line."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from socket import SHUT_RDWR, socket
from typing import Any, Protocol
from urllib.parse import urlsplit

from server.log import Json

__all__ = ["Undelivered", "Wire", "post_json"]

LONGEST_ANSWER = 1_000_000
TIMEOUT_S, WHOLE_S = 10.0, 30.0  # without a byte; for a whole request and its answer


class Undelivered(Exception):
    """The page did not take it; ``str()`` is one line.

    lost : the page was not reached. shut : the page refuses this rig; trying again soon does not help.
    """

    def __init__(self, message: str, *, lost: bool, shut: bool = False) -> None:
        super().__init__(" ".join(message.split())[:300])
        self.lost, self.shut = lost, shut


class Wire(Protocol):
    """Sends JSON to a path of the page and returns the answer; raises Undelivered."""

    def __call__(self, path: str, body: Json) -> Json: ...


def post_json(
    address: str,
    code: str | None,
    *,
    device: str = "",
    timeout_s: float = TIMEOUT_S,
    whole_s: float = WHOLE_S,
) -> Wire:
    """Return a wire to the page at ``address`` (http or https), with its access code.

    device : this rig's name, so that another rig's wrong codes are not counted as its own. The code goes to
    this address only: no redirect is followed and no proxy is used. Raises ValueError, one line, if the
    address or the code is malformed.
    """
    base = _checked(address, code)
    headers = {"Content-Type": "application/json", "Connection": "close", "X-Spotwright-Device": device}
    if code:
        headers["Authorization"] = f"Bearer {code.strip()}"

    def send(path: str, body: Json) -> Json:
        try:
            status, data = _exchange(base, path, json.dumps(body).encode(), headers, timeout_s, whole_s)
        except (OSError, HTTPException, ValueError) as error:
            reason = str(error) or type(error).__name__
            raise Undelivered(f"{base} cannot be reached ({reason}): kept here for now", lost=True) from None
        if status != 200:
            raise Undelivered(_reason(status, data), lost=False, shut=status in (401, 403, 421, 429))
        answer = _json(data)
        if not isinstance(answer, dict):
            raise Undelivered(f"{base} does not answer as a page of Spotwright: kept here for now", lost=True)
        return answer

    return send


def _checked(address: str, code: str | None) -> str:
    shown = " ".join(address.split())
    if not address.startswith(("http://", "https://")):
        raise ValueError(f"{shown}: an address begins with http:// or https://")
    try:
        parts = urlsplit(address)
        good = bool(parts.hostname) and (parts.port is None or parts.port > 0) and parts.username is None
    except ValueError:
        good = False
    if not good or not address.isascii() or not address.isprintable() or " " in address:
        raise ValueError(f"{shown}: not an address, such as http://192.0.2.7:8765")
    if code and not (code.isascii() and code.strip().isprintable()):
        raise ValueError("the access code has letters, digits and - only")
    return address.rstrip("/")


def _exchange(
    base: str, path: str, data: bytes, headers: dict[str, str], timeout_s: float, whole_s: float
) -> tuple[int, bytes]:
    """Return status and body; raises OSError, HTTPException or ValueError."""
    parts = urlsplit(base)
    kind = HTTPSConnection if parts.scheme == "https" else HTTPConnection
    with closing(kind(parts.hostname or "", parts.port, timeout=timeout_s)) as connection:
        connection.connect()
        with _cut_after(connection.sock, whole_s):
            connection.request("POST", parts.path + path, data, headers)
            with connection.getresponse() as answer:
                body = answer.read(LONGEST_ANSWER + 1)
                if answer.length:
                    raise HTTPException("the answer was cut off or is too long")
                return answer.status, body


@contextmanager
def _cut_after(sock: socket, seconds: float) -> Iterator[None]:
    """Close a connection after a number of seconds, even if bytes still trickle in."""

    def cut() -> None:
        with suppress(OSError):
            sock.shutdown(SHUT_RDWR)

    timer = threading.Timer(seconds, cut)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _json(data: bytes) -> Any:
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        return None


def _reason(status: int, data: bytes) -> str:
    said = _json(data)
    error = said.get("error") if isinstance(said, dict) else None
    message = error.get("message") if isinstance(error, dict) else None
    if isinstance(message, str) and message.strip():
        return message
    if 300 <= status < 400:
        return f"answered {status}: it redirects elsewhere; give the address of the page itself"
    return f"answered {status}"

"""Serve the pages until somebody stops them."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import waitress
from flask import Flask

from server.pages.api import UPLOAD_LIMIT
from server.pages.app import create_app
from server.pages.desk import Config
from server.pages.guard import keep_secret, new_code
from server.sources import PracticeSource, Source, camera_source
from server.watcher import Watcher

__all__ = ["make_server", "serve", "source_named"]

STREAMS = 24
WORKERS = 12  # for everything that is not an open event stream


def serve(
    *,
    port: int,
    lan: bool,
    data: Path,
    source: Callable[[], Source] = PracticeSource,
    hosts: tuple[str, ...] = (),
    say: Callable[[str], object] = print,
) -> None:
    """Serve on loopback, or with ``lan`` on the local network with an access code; returns when stopped.

    source : makes where the bench's pictures come from. hosts : names of a proxy in front.
    Raises OSError where the port is taken, RigError where the camera does not open.
    """
    code = keep_secret(data / "access-code", new_code) if lan or hosts else None
    app = create_app(Config(data=data, source=source, code=code, hosts=hosts, streams=STREAMS))
    server = make_server(app, port=port, lan=lan, behind_proxy=bool(hosts))
    for line in _greeting(app, server.effective_port, code, lan=lan, hosts=hosts):
        say(line)
    watcher = Watcher(app.extensions["spotwright"].sessions["bench"])
    watcher.start()
    try:
        server.run()
    finally:
        watcher.stop()
        server.close()


def source_named(text: str) -> Callable[[], Source]:
    """Return what opens the camera named ``pi``, ``usb``, ``usb:DEVICE`` or ``replay:FOLDER``.

    Opening raises RigError in one line, for an unknown kind as well.
    """
    kind, _, where = text.partition(":")
    options: dict[str, Any] = {}
    if where and kind == "usb":
        options["device"] = int(where) if where.isdigit() else where
    elif kind == "replay":
        options["source"] = where or "."
    return lambda: camera_source(kind, **options)


def make_server(
    app: Flask, *, port: int, lan: bool = False, behind_proxy: bool = False
) -> waitress.server.BaseWSGIServer:
    """Return the listening server, not yet running; port 0 takes a free one (``effective_port``).

    behind_proxy : believe a proxy on this machine about the browser's host name and scheme.
    """
    proxy = {"trusted_proxy": "127.0.0.1", "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-host"}}
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a short queue is no news
    return waitress.create_server(
        app,
        host="0.0.0.0" if lan else "127.0.0.1",
        port=port,
        threads=STREAMS + WORKERS,
        ident=None,
        connection_limit=200,
        channel_request_lookahead=1,  # lets an event stream notice that its browser has gone
        max_request_body_size=UPLOAD_LIMIT + 100_000,
        clear_untrusted_proxy_headers=True,
        **(proxy if behind_proxy else {}),
    )


def _greeting(app: Flask, port: int, code: str | None, *, lan: bool, hosts: tuple[str, ...]) -> list[str]:
    kind = app.extensions["spotwright"].sessions["bench"].source.kind
    lines = [f"Spotwright: open http://localhost:{port}/ in a browser (Ctrl-C ends it)."]
    if kind == "practice":
        lines.append("No camera: this is the practice machine, a laser that exists only in numbers.")
    if lan:
        lines.append(f"On the local network: http://{_own_address()}:{port}/")
    lines += [f"Through the proxy: https://{name}/" for name in hosts]
    if code is not None:
        lines.append(f"Access code: {code}")
    return lines


def _own_address() -> str:
    """Return this machine's address on the local network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: only picks the route
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()

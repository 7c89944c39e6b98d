"""Serve the pages until somebody stops them."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask

from firmware.memory_trim import keep_lean
from firmware.profile import RigProfile, camera_named
from server.log import Settings
from server.pages.api import UPLOAD_LIMIT
from server.pages.app import create_app
from server.pages.connections import Server
from server.pages.guard import keep_secret, new_code
from server.pages.shared import Config
from server.rig.own_address import AddressNotice
from server.rig.systemd import Heartbeat
from server.rig.threads import SessionThreads
from server.session.card_scale import Bars
from server.sources.base import Source
from server.sources.camera_source import RigsSource, camera_source
from server.sources.practice_source import PracticeSource

__all__ = ["make_server", "serve", "source_named"]

STREAMS = 24
USUAL_PORT = 8765
WORKERS = 12  # for everything that is not an open event stream


def serve(
    *,
    port: int,
    lan: bool,
    data: Path,
    source: Callable[[], Source] = PracticeSource,
    hosts: tuple[str, ...] = (),
    profile: RigProfile | None = None,
    record: Path | None = None,
    bars_mm: Bars | None = None,
    say: Callable[[str], object] = print,
) -> None:
    """Serve on loopback, or with ``lan`` on the local network with an access code; returns when stopped.

    source : makes the bench's source of pictures. hosts : names of a proxy in front. profile : what is
    connected to this rig. record : folder that gets the frames around each pulse. bars_mm : what the check
    bars of the printed cards measure, across and up.
    Raises OSError where the port is taken, RigError where the camera does not open.
    """
    keep_lean()
    settings = Settings()
    code = keep_secret(data / "access-code", new_code, settings) if lan or hosts else None
    config = Config(
        data=data,
        source=source,
        code=code,
        hosts=hosts,
        streams=STREAMS,
        bars_mm=bars_mm,
        settings=settings,
    )
    app = create_app(config)
    server = make_server(app, port=port, lan=lan, behind_proxy=bool(hosts))
    port = int(server.effective_port)  # the server keeps it as text
    notice = AddressNotice(lambda address: say(_there(address, port, code))) if lan else None
    for line in _greeting(app, port, code, notice=notice, hosts=hosts):
        say(line)
    shared = app.extensions["spotwright"]
    for line in shared.damage():
        say(f"note: {line}")

    def welcome() -> str | None:
        return _welcome(notice.address, port, code) if notice is not None and code is not None else None

    threads = SessionThreads(
        shared.sessions["bench"],
        profile=profile or RigProfile(),
        data=data,
        record=record,
        watched=shared.watched,
        welcome=welcome,
        scale=shared.scale,
        say=say,
    )
    heartbeat = Heartbeat({**threads.alive, "server": server.alive})
    _end_on_sigterm()
    threads.start()
    if notice is not None:
        notice.start()
    heartbeat.start()
    try:
        server.run()
    finally:
        heartbeat.stop()
        if notice is not None:
            notice.stop()
        threads.stop()
        server.close()


def _end_on_sigterm() -> None:
    """Let SIGTERM end the program as Ctrl-C does: lamps off, camera released."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))


def source_named(text: str, rig: RigProfile | None = None) -> Callable[[], Source]:
    """Return what opens the camera named ``pi``, ``pi:NUMBER``, ``usb``, ``usb:DEVICE`` or ``replay:FOLDER``.

    rig : says how far the clip holds the card from its lens. ``rigs`` opens no camera: other rigs send what
    they read. Opening raises RigError in one line, also for an unknown kind.
    """
    if text == "rigs":
        return RigsSource
    kind, options = camera_named(text)
    lens = (rig or RigProfile()).lens_options(kind)
    return lambda: camera_source(kind, **options, **lens)


def make_server(app: Flask, *, port: int, lan: bool = False, behind_proxy: bool = False) -> Server:
    """Return the listening server, not yet running; port 0 takes a free one (``effective_port``).

    behind_proxy : take the browser's address, host name and scheme from a proxy on this machine.
    """
    headers = {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}
    proxy: dict[str, Any] = {"trusted_proxy": "127.0.0.1", "trusted_proxy_headers": headers}
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a short queue is normal
    access = app.extensions["spotwright-access"]
    return Server(
        app,
        admits=access.admits if access is not None else lambda _address, _header: True,
        host="0.0.0.0" if lan else "127.0.0.1",
        port=port,
        threads=STREAMS + WORKERS,
        ident=None,
        max_request_header_size=32_768,
        channel_request_lookahead=1,  # lets an event stream notice that its browser has gone
        max_request_body_size=UPLOAD_LIMIT + 100_000,
        clear_untrusted_proxy_headers=True,
        **(proxy if behind_proxy else {}),
    )


def _greeting(
    app: Flask, port: int, code: str | None, *, notice: AddressNotice | None, hosts: tuple[str, ...]
) -> list[str]:
    kind = app.extensions["spotwright"].sessions["bench"].source.kind
    lines = [f"Spotwright: open http://localhost:{port}/ in a browser (Ctrl-C ends it)."]
    if kind == "practice":
        lines.append("No camera: this is the practice laser, which is only simulated.")
    if notice is not None:
        lines.append(_there(notice.address, port))
    lines += [f"Through the proxy: https://{name}/" for name in hosts]
    if code is not None:
        lines.append(f"Access code: {code}")
    return lines


def _there(address: str | None, port: int, code: str | None = None) -> str:
    """Return the page's address on the local network, with the access code if that is given."""
    if address is None:
        return "No network: the address is said here as soon as there is one."
    return f"On the local network: http://{address}:{port}/" + (f"  Access code: {code}" if code else "")


def _welcome(address: str | None, port: int, code: str) -> str | None:
    """Return what the status light spells at a first start; the usual port is left out."""
    if address is None:
        return None
    return f"{address}{'' if port == USUAL_PORT else f':{port}'} {code}"

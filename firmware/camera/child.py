"""The camera's own process: opens the camera it is told to and sends every newest frame.

    python -m firmware.camera.child MEMORY

MEMORY is the descriptor of a frame ring; standard input is a socket to the parent. It imports what the camera
needs and nothing of the page, so that it is small and starts quickly.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from multiprocessing.connection import Connection
from threading import Event, Thread

from firmware.camera.base import Camera, Frame
from firmware.camera.messages import Failed, HoldLight, Link, Open, Opened, Pace, Sent, WantFull
from firmware.camera.shared import FrameRing
from firmware.errors import RigError
from firmware.memory_trim import keep_lean

__all__ = ["main"]


@dataclass
class _Orders:
    """What the parent wants just now."""

    interval_s: float = 0.0
    full: Event = field(default_factory=Event)


def main() -> None:
    """Send frames until the camera fails or the parent is gone; never returns."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when this ends
    keep_lean()
    ring = FrameRing(int(sys.argv[1]))
    link = Link(Connection(os.dup(0)))
    try:
        _serve(ring, link)
    except (RigError, ValueError) as error:
        with suppress(OSError):
            link.send(Failed(str(error)))
    except (EOFError, OSError):
        pass  # the parent is gone
    os._exit(0)  # never through the camera's own clean-up: that is where libraries block


def _serve(ring: FrameRing, link: Link) -> None:
    order = link.receive()
    assert isinstance(order, Open)
    camera = order.opener(order.kind, **order.options)
    camera.start()
    link.send(Opened(camera.focus))
    orders = _Orders()
    Thread(target=_obey, args=(camera, link, orders), daemon=True).start()
    _send_frames(camera, ring, link, orders, order.first)


def _send_frames(camera: Camera, ring: FrameRing, link: Link, orders: _Orders, first: int) -> None:
    seen, due_s = -1, 0.0
    for number in count(first):
        full = orders.full.wait(max(due_s - time.monotonic(), 0.0))
        take = camera.newest_full if full else camera.newest
        orders.full.clear()
        frame = take(newer_than=seen)
        seen = frame.number
        due_s = time.monotonic() + orders.interval_s
        ring.write(Frame(frame.pixels, frame.time_s, number))
        rows, cols, channels = frame.pixels.shape
        link.send(Sent(number, frame.time_s, (rows, cols, channels), full))
        del frame  # not needed while waiting for the next one


def _obey(camera: Camera, link: Link, orders: _Orders) -> None:
    """Take the parent's messages; its end of the connection closing is the last one."""
    while True:
        try:
            message = link.receive()
        except (EOFError, OSError):
            os._exit(0)
        match message:
            case WantFull():
                orders.full.set()
            case Pace(frames_per_s):
                orders.interval_s = 1.0 / frames_per_s
                camera.set_pace(frames_per_s)
            case HoldLight(hold):
                camera.lock_light() if hold else camera.release_light()


if __name__ == "__main__":
    main()

"""The camera's own process: opens the camera it is told to and sends every newest frame.

    python -m firmware.camera.child MEMORY

MEMORY is the descriptor of a frame ring; standard input is a socket to the parent. It imports what the
camera needs and nothing of the page, so that it is small and soon there.
"""

from __future__ import annotations

import base64
import os
import pickle
import signal
import socket
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from threading import Event, Thread
from typing import Any

from firmware.camera.base import Frame
from firmware.camera.messages import Words
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
    words = Words(socket.socket(fileno=os.dup(0)))
    try:
        _serve(ring, words)
    except (RigError, ValueError) as error:
        with suppress(OSError):
            words.say(str(error))
    except (EOFError, OSError):
        pass  # the parent is gone
    os._exit(0)  # never through the camera's own clean-up: that is where libraries block


def _serve(ring: FrameRing, words: Words) -> None:
    told = words.hear()
    assert told is not None
    opener, kind, options, first = pickle.loads(base64.b64decode(told[0]))
    camera = opener(kind, **options)
    camera.start()
    orders = _Orders()
    Thread(target=_obey, args=(camera, words, orders), daemon=True).start()
    _send_frames(camera, ring, words, orders, first)


def _send_frames(camera: Any, ring: FrameRing, words: Words, orders: _Orders, first: int) -> None:
    seen, due_s = -1, 0.0
    for number in count(first):
        full = orders.full.wait(max(due_s - time.monotonic(), 0.0))
        take = getattr(camera, "newest_full", camera.newest) if full else camera.newest
        orders.full.clear()
        frame = take(newer_than=seen)
        seen = frame.number
        due_s = time.monotonic() + orders.interval_s
        ring.write(Frame(frame.pixels, frame.time_s, number))
        words.say(number, frame.time_s, frame.pixels.shape, full)
        del frame  # while the next one is awaited nobody needs it here


def _obey(camera: Any, words: Words, orders: _Orders) -> None:
    """Take the parent's words; its end of the socket closing is the last one."""
    deeds = {"lock light": "lock_light", "release light": "release_light"}
    while True:
        try:
            told = words.hear()
        except (EOFError, OSError):
            os._exit(0)
        assert told is not None
        if told[0] == "full":
            orders.full.set()
        elif told[0] == "pace":
            orders.interval_s = 1.0 / told[1]
        elif (deed := getattr(camera, deeds[told[0]], None)) is not None:
            deed()


if __name__ == "__main__":
    main()

"""A camera in a process of its own, behind a watchdog: whatever hangs in a driver hangs there and is killed.

A pulled cable can make a camera library block for ever, even in its ``stop``. Frames cross by shared memory,
words by a pipe; the parent kills a silent child and starts a new one until the camera is back.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from multiprocessing.connection import Connection
from threading import Event, Thread
from typing import Any

from firmware.camera import Camera, Frame, open_camera
from firmware.errors import CameraMissing, CameraNotStarted, CameraTimeout, RigError
from firmware.shared import FrameRing
from firmware.slot import NewestSlot
from firmware.watch import Watch

__all__ = ["SupervisedCamera"]

Opener = Callable[..., Camera]
_SPAWN = multiprocessing.get_context("spawn")  # a fork would copy locks that other threads hold


class SupervisedCamera:
    """The camera ``open_camera(of, **options)`` behind the same interface, in a child process.

    ``start`` returns at once; until the first frame ``newest`` waits. A camera that is absent, frozen,
    unplugged or whose process was killed is started anew with growing pauses; ``newest`` waits for it as for
    any frame and then raises CameraMissing with the reason, which ``problem`` holds all the while. Frame
    numbers go on over restarts.
    """

    def __init__(
        self, of: str, *, opener: Opener = open_camera, watch: Watch | None = None, **options: Any
    ) -> None:
        self.kind = of
        self._opener, self._options = opener, options
        self._watch = watch or Watch()
        self._slot, self._full_slot, self._quit = NewestSlot(), NewestSlot(), Event()
        self._thread: Thread | None = None
        self._child: _Child | None = None
        self._light_locked = False
        self._frames_per_s: float | None = None
        self._first = 0

    @property
    def problem(self) -> str | None:
        """One line on what is wrong at the moment and what to do, or None."""
        return self._watch.problem

    @property
    def pid(self) -> int | None:
        """The child's process id while there is one."""
        child = self._child
        return child.process.pid if child else None

    def start(self) -> None:
        if self._thread is None:
            self._quit.clear()
            self._slot, self._full_slot = NewestSlot(), NewestSlot()
            self._thread = Thread(target=self._guard, name=f"watchdog of {self.kind}", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        thread, self._thread = self._thread, None
        if thread is not None:
            self._quit.set()
            thread.join()

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return the newest frame above that number, whichever child took it."""
        return self._wait(self._slot, newer_than, timeout_s)

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return a frame at the sensor's full resolution where the camera has one, else an ordinary one."""
        self._say("full")
        return self._wait(self._full_slot, newer_than, timeout_s)

    def set_pace(self, frames_per_s: float) -> None:
        """Send no more frames a second than that: nobody looks closely just now."""
        if frames_per_s != self._frames_per_s:
            self._frames_per_s = frames_per_s
            self._say(f"pace {frames_per_s:g}")

    def _wait(self, slot: NewestSlot, newer_than: int, timeout_s: float) -> Frame:
        if self._thread is None:
            raise CameraNotStarted(f"the {self.kind} camera is not started")
        try:
            return slot.get(newer_than=newer_than, timeout_s=timeout_s)
        except CameraTimeout:
            if self.problem is not None:
                raise CameraMissing(self.problem) from None
            raise

    def lock_light(self) -> tuple[str, ...]:
        """Ask for exposure, white balance and focus to be held, over restarts too; returns nothing known."""
        self._set_light(locked=True)
        return ()

    def release_light(self) -> None:
        """Let the automatic controls run again."""
        self._set_light(locked=False)

    def _set_light(self, *, locked: bool) -> None:
        self._light_locked = locked
        self._say("lock light" if locked else "release light")

    def _say(self, word: str) -> None:
        child = self._child
        if child is not None:
            child.say(word)

    def _guard(self) -> None:
        while not self._quit.is_set():
            order = self._watch.order(time.monotonic())
            if order == "kill":
                self._end()
            elif order == "start":
                self._begin()
            self._listen(min(self._watch.next_look_s(time.monotonic()), 0.25))
        self._end()

    def _begin(self) -> None:
        self._watch.started(time.monotonic())
        self._child = _Child(self._opener, self.kind, self._options, self._first)
        if self._light_locked:
            self._child.say("lock light")
        if self._frames_per_s is not None:
            self._child.say(f"pace {self._frames_per_s:g}")

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.kill()

    def _listen(self, patience_s: float) -> None:
        child = self._child
        if child is None:
            self._quit.wait(patience_s)
            return
        try:
            if child.pipe.poll(patience_s):
                self._heard(child, child.pipe.recv())
        except (EOFError, OSError):
            self._lost("the camera's process ended: starting it anew")

    def _heard(self, child: _Child, word: Any) -> None:
        if isinstance(word, str):
            self._lost(word)
            return
        number, time_s, shape, full = word
        self._first = number + 1
        self._watch.frame(time.monotonic())
        pixels = child.ring.read(number, shape)
        if pixels is None:
            return
        frame = Frame(pixels, time_s, number)
        if full:
            self._full_slot.put(frame)
        else:
            self._slot.put(frame)

    def _lost(self, why: str) -> None:
        self._watch.died(time.monotonic(), why)
        self._end()


class _Child:
    """One child process with its pipe and its memory."""

    def __init__(self, opener: Opener, kind: str, options: dict[str, Any], first: int) -> None:
        self.ring = FrameRing()
        self.pipe, theirs = _SPAWN.Pipe()
        self.process = _SPAWN.Process(
            target=_serve, args=(opener, kind, options, first, self.ring.name, theirs), daemon=True
        )
        self.process.start()
        theirs.close()

    def say(self, word: str) -> None:
        with suppress(OSError):  # it has just died: the watchdog will notice
            self.pipe.send(word)

    def kill(self) -> None:
        self.process.kill()
        self.process.join()
        self.process.close()
        self.pipe.close()
        self.ring.close()


def _serve(
    opener: Opener, kind: str, options: dict[str, Any], first: int, name: str, pipe: Connection
) -> None:
    """The child: send every newest frame until the camera fails or the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when this ends
    ring = FrameRing(name=name)
    try:
        camera = opener(kind, **options)
        camera.start()
        orders = _Orders()
        Thread(target=_obey, args=(camera, pipe, orders), daemon=True).start()
        _send_frames(camera, ring, pipe, orders, first)
    except (RigError, ValueError) as error:
        with suppress(OSError):
            pipe.send(str(error))
    except OSError:
        pass  # the parent is gone
    os._exit(0)  # never through the camera's own clean-up: that is where libraries block


@dataclass
class _Orders:
    """What the parent wants just now."""

    interval_s: float = 0.0
    full: Event = field(default_factory=Event)


def _send_frames(camera: Any, ring: FrameRing, pipe: Connection, orders: _Orders, first: int) -> None:
    seen, due_s = -1, 0.0
    for number in count(first):
        full = orders.full.wait(max(due_s - time.monotonic(), 0.0))
        take = getattr(camera, "newest_full", camera.newest) if full else camera.newest
        orders.full.clear()
        frame = take(newer_than=seen)
        seen = frame.number
        due_s = time.monotonic() + orders.interval_s
        ring.write(Frame(frame.pixels, frame.time_s, number))
        pipe.send((number, frame.time_s, frame.pixels.shape, full))


def _obey(camera: Any, pipe: Connection, orders: _Orders) -> None:
    """Take the parent's words; its end of the pipe closing is the last one."""
    deeds = {"lock light": "lock_light", "release light": "release_light"}
    while True:
        try:
            word = pipe.recv()
        except (EOFError, OSError):
            os._exit(0)
        if word == "full":
            orders.full.set()
        elif word.startswith("pace "):
            orders.interval_s = 1.0 / float(word[5:])
        elif (deed := getattr(camera, deeds[word], None)) is not None:
            deed()

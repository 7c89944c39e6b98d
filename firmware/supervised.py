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
        self._slot, self._quit = NewestSlot(), Event()
        self._thread: Thread | None = None
        self._child: _Child | None = None
        self._light_locked = False
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
            self._slot = NewestSlot()
            self._thread = Thread(target=self._guard, name=f"watchdog of {self.kind}", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        thread, self._thread = self._thread, None
        if thread is not None:
            self._quit.set()
            thread.join()

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return the newest frame above that number, whichever child took it."""
        if self._thread is None:
            raise CameraNotStarted(f"the {self.kind} camera is not started")
        try:
            return self._slot.get(newer_than=newer_than, timeout_s=timeout_s)
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
        child = self._child
        if child is not None:
            child.say("lock light" if locked else "release light")

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
        number, time_s, shape = word
        self._first = number + 1
        self._watch.frame(time.monotonic())
        pixels = child.ring.read(number, shape)
        if pixels is not None:
            self._slot.put(Frame(pixels, time_s, number))

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
        Thread(target=_obey, args=(camera, pipe), daemon=True).start()
        seen, number = -1, first
        while True:
            frame = camera.newest(newer_than=seen)
            seen = frame.number
            ring.write(Frame(frame.pixels, frame.time_s, number))
            pipe.send((number, frame.time_s, frame.pixels.shape))
            number += 1
    except (RigError, ValueError) as error:
        with suppress(OSError):
            pipe.send(str(error))
    except OSError:
        pass  # the parent is gone
    os._exit(0)  # never through the camera's own clean-up: that is where libraries block


def _obey(camera: Any, pipe: Connection) -> None:
    """Take the parent's words; its end of the pipe closing is the last one."""
    deeds = {"lock light": "lock_light", "release light": "release_light"}
    while True:
        try:
            deed = getattr(camera, deeds[pipe.recv()], None)
        except (EOFError, OSError):
            os._exit(0)
        if deed is not None:
            deed()

"""A camera in a process of its own, behind a watchdog: whatever hangs in a driver hangs there and is killed.

A pulled cable can make a camera library block for ever, even in its ``stop``. Frames cross by shared memory,
messages by a connection; the parent kills a silent child and starts a new one until the camera is back.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import Pipe
from pathlib import Path
from threading import Event, Thread
from typing import Any

from firmware.camera.base import Camera, Frame
from firmware.camera.messages import (
    Failed,
    FromCamera,
    HoldLight,
    Link,
    Open,
    Opened,
    Pace,
    Sent,
    ToCamera,
    WantFull,
)
from firmware.camera.opening import open_camera
from firmware.camera.shared import FrameRing
from firmware.camera.slot import NewestSlot
from firmware.camera.watchdog import Watch
from firmware.errors import CameraMissing, CameraNotStarted, CameraTimeout

__all__ = ["SupervisedCamera", "child_environment", "video_nodes"]

Opener = Callable[..., Camera]
Nodes = Callable[[], frozenset[str]]
MAX_PIXELS = 25_000_000  # above what any sensor of ours has
_DEAD_S = 2.0  # a killed process that has not ended by then hangs in the kernel


class SupervisedCamera:
    """The camera ``open_camera(of, **options)`` behind the same interface, in a child process.

    ``start`` returns at once; until the first frame ``newest`` waits. A camera that is absent, frozen or
    unplugged, or whose process was killed, is started again with growing pauses, and at once when one is
    plugged in. ``newest`` waits for it as for any frame and then raises CameraMissing with the reason;
    ``problem`` holds the reason meanwhile. Frame numbers go on over restarts. nodes : names what is plugged
    in.
    """

    def __init__(
        self,
        of: str,
        *,
        opener: Opener = open_camera,
        watch: Watch | None = None,
        nodes: Nodes | None = None,
        **options: Any,
    ) -> None:
        self.kind = of
        self._nodes = nodes or video_nodes
        self._opener, self._options = opener, options
        self._watch = watch or Watch()
        self._slot, self._full_slot, self._quit = NewestSlot(), NewestSlot(), Event()
        self._thread: Thread | None = None
        self._child: _Child | None = None
        self._light_locked = False
        self._focus: str | None = None
        self._frames_per_s: float | None = None
        self._first = 0

    @property
    def problem(self) -> str | None:
        """One line on what is wrong at the moment and what to do, or None."""
        return self._watch.problem

    @property
    def focus(self) -> str | None:
        """Who sets the lens, ``motor`` or ``by hand``; None until the camera has been opened once."""
        return self._focus

    @property
    def pid(self) -> int | None:
        """The child's process id while there is one."""
        child = self._child
        return child.pid if child else None

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
        """Return a frame in the large size where the camera has one, else an ordinary one."""
        self._tell(WantFull())
        return self._wait(self._full_slot, newer_than, timeout_s)

    def set_pace(self, frames_per_s: float) -> None:
        """Send no more frames a second than that."""
        if frames_per_s != self._frames_per_s:
            self._frames_per_s = frames_per_s
            self._tell(Pace(frames_per_s))

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
        self._tell(HoldLight(locked))

    def _tell(self, message: ToCamera) -> None:
        child = self._child
        if child is not None:
            child.tell(message)

    def _guard(self) -> None:
        plugged_in = self._nodes()
        while not self._quit.is_set():
            if self._watch.problem is not None:
                before, plugged_in = plugged_in, self._nodes()
                if plugged_in - before:
                    self._watch.appeared(time.monotonic())
            order = self._watch.order(time.monotonic())
            if order == "kill":
                self._end()
            elif order == "start":
                self._begin()
            self._listen(min(self._watch.next_look_s(time.monotonic()), 0.25))
        self._end()

    def _begin(self) -> None:
        self._watch.started(time.monotonic())
        self._child = _Child(Open(self._opener, self.kind, self._options, self._first))
        if self._light_locked:
            self._child.tell(HoldLight(True))
        if self._frames_per_s is not None:
            self._child.tell(Pace(self._frames_per_s))

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
            message = child.link.receive(timeout_s=patience_s)
        except (EOFError, OSError):
            self._lost("the camera's process ended: starting it again")
            return
        if message is not None:
            self._heard(child, message)

    def _heard(self, child: _Child, message: FromCamera) -> None:
        match message:
            case Failed(why):
                self._lost(why)
            case Opened(focus):
                self._focus = focus
            case Sent():
                self._take(child, message)

    def _take(self, child: _Child, sent: Sent) -> None:
        self._first = sent.number + 1
        self._watch.frame(time.monotonic())
        pixels = child.ring.read(sent.number, sent.shape)
        if pixels is not None:
            slot = self._full_slot if sent.full else self._slot
            slot.put(Frame(pixels, sent.time_s, sent.number))

    def _lost(self, why: str) -> None:
        self._watch.died(time.monotonic(), why)
        self._end()


def video_nodes() -> frozenset[str]:
    """Return the names of the Video4Linux devices that are there; none on another system."""
    return frozenset(path.name for path in Path("/dev").glob("video*"))


def child_environment() -> dict[str, str]:
    """Return this process's environment, so that a child of the same Python finds the same packages.

    Camera faults are reported in our own line, so OpenCV's warnings about them are not shown. OpenCV reads
    its limit of pixels there when it is loaded: no picture of a recording takes more memory.
    """
    return {
        "OPENCV_LOG_LEVEL": "SILENT",
        **os.environ,
        "PYTHONPATH": os.pathsep.join(os.path.abspath(path) for path in sys.path),
        "OPENCV_IO_MAX_IMAGE_PIXELS": str(MAX_PIXELS),
    }


class _Child:
    """One child process with its link and its memory."""

    def __init__(self, order: Open) -> None:
        self.ring = FrameRing()
        ours, theirs = Pipe()
        self.link = Link(ours)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "firmware.camera.child", str(self.ring.descriptor)],
                stdin=theirs.fileno(),
                pass_fds=[self.ring.descriptor],
                env=child_environment(),
            )
        self.pid = self._process.pid
        self.tell(order)

    def tell(self, message: ToCamera) -> None:
        with suppress(OSError):  # it has just died: the watchdog will notice
            self.link.send(message)

    def kill(self) -> None:
        self._process.kill()
        with suppress(subprocess.TimeoutExpired):  # the next one will say that the camera is held
            self._process.wait(timeout=_DEAD_S)
        self.link.close()
        self.ring.close()

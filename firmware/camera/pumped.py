"""Base of cameras whose library gives frame after frame: a thread keeps the newest."""

from __future__ import annotations

from threading import Event, Thread
from typing import Any

import numpy as np

from firmware.camera.base import Frame, Pixels, PlainCamera
from firmware.camera.slot import NewestSlot
from firmware.errors import CameraNotStarted

__all__ = ["PumpedCamera"]

_JOIN_S = 2.0  # a library that blocks for longer is left to this process's watchdog


class PumpedCamera(PlainCamera):
    """A kind of camera says how its device is opened, pumped until ``_quit`` is set, and let go.

    name : as a person calls it. upside_down : the camera hangs so; its pictures are turned by 180°.
    ``start`` raises what ``_open`` raises, and may then be called again.
    """

    def __init__(self, name: str, *, upside_down: bool = False) -> None:
        self.name, self._upside_down = name, upside_down
        self._slot, self._quit = NewestSlot(), Event()
        self._thread: Thread | None = None
        self._device: Any = None
        self._number = -1

    def start(self) -> None:
        if self._thread is not None:
            return
        self._device = self._open()
        self._slot = NewestSlot()
        self._quit.clear()
        self._thread = Thread(target=self._pump, name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        thread, self._thread = self._thread, None
        if thread is not None:
            self._quit.set()
            thread.join(timeout=_JOIN_S)
            self._let_go()

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return the newest frame above that number."""
        self._check_started()
        return self._slot.get(newer_than=newer_than, timeout_s=timeout_s)

    def _check_started(self) -> None:
        if self._thread is None:
            raise CameraNotStarted(f"{self.name} is not started")

    def _upright(self, pixels: Pixels) -> Pixels:
        return np.ascontiguousarray(pixels[::-1, ::-1]) if self._upside_down else pixels

    def _open(self) -> Any:
        raise NotImplementedError

    def _pump(self) -> None:
        raise NotImplementedError

    def _let_go(self) -> None:
        """Do nothing more once the pump has ended."""

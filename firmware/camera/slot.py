"""A buffer for exactly one frame: a slow reader misses frames, it never lags behind."""

from __future__ import annotations

from threading import Condition

from firmware.camera.base import Frame
from firmware.errors import CameraTimeout, RigError

__all__ = ["NewestSlot"]


class NewestSlot:
    """Where a camera's thread puts its newest frame, or why there is none, and readers wait for it."""

    def __init__(self) -> None:
        self._changed = Condition()
        self._frame: Frame | None = None
        self._error: RigError | None = None

    def put(self, frame: Frame) -> None:
        """Replace the frame; an earlier error is over."""
        with self._changed:
            self._frame, self._error = frame, None
            self._changed.notify_all()

    def fail(self, error: RigError) -> None:
        """From now on every reader gets the error, until the next ``put``."""
        with self._changed:
            self._error = error
            self._changed.notify_all()

    def get(self, *, newer_than: int, timeout_s: float) -> Frame:
        """Return the newest frame above that number; raise what ``fail`` gave, or CameraTimeout."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._ready(newer_than), timeout_s):
                raise CameraTimeout(
                    f"no new picture for {timeout_s:g} s: is the camera frozen? Replug its cable"
                )
            if self._error is not None:
                raise type(self._error)(str(self._error))
            assert self._frame is not None
            return self._frame

    def _ready(self, newer_than: int) -> bool:
        newer = self._frame is not None and self._frame.number > newer_than
        return newer or self._error is not None

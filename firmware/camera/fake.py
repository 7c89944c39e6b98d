"""A camera for tests that records what it was asked and fails on request."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from firmware.camera.base import Frame, Pixels, PlainCamera
from firmware.camera.fake_lens import FakeLens
from firmware.errors import CameraBusy, CameraMissing, CameraNotStarted, CameraTimeout

__all__ = ["FakeCamera"]


class FakeCamera(PlainCamera):
    """Shows one picture, as a real camera would show it on a good or a bad day.

    ``history`` holds (seconds, word) of everything that happened: started, frame, stopped and each mishap.
    ``lens`` and ``set_to`` (dioptres): the picture is seen through it, as sharp or soft as that makes it.
    Mishaps: ``drop`` frames, ``freeze`` and ``thaw``, ``unplug`` and ``plug``, ``black``, ``saturate``,
    ``knock`` the clip, ``busy`` when another program has the camera.
    """

    kind = "fake"

    def __init__(
        self,
        picture: Pixels | None = None,
        *,
        frames_per_s: float = 10.0,
        lens: FakeLens | None = None,
        set_to: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.history: list[tuple[float, str]] = []
        self.busy = self.black = self.saturate = self.light_locked = False
        self._picture = np.full((72, 128, 3), 128, np.uint8) if picture is None else picture
        self.lens, self.set_to = lens, set_to
        self._interval_s = 1.0 / frames_per_s
        self._clock, self._sleep = clock, sleep
        self._running = self._frozen = self._unplugged = False
        self._number, self._taken_s, self._last_s = -1, 0.0, -np.inf
        self._to_drop, self._dropped, self._knock_px = 0, 0, (0, 0)

    def start(self) -> None:
        if self._unplugged:
            raise CameraMissing("the camera is not there: plug it in")
        if self.busy:
            raise CameraBusy("another program holds the camera: close it")
        if not self._running:
            self._note("started")
        self._running = True

    def stop(self) -> None:
        if self._running:
            self._note("stopped")
        self._running = False

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return the frame of this instant; frozen or dropped ones cost the timeout."""
        if not self._running:
            raise CameraNotStarted("a picture was asked for before the camera was started")
        give_up_s = self._clock() + timeout_s
        while True:
            self._expose()
            if self._number > newer_than:
                return Frame(self._seen(), self._taken_s, self._number)
            wait_s = min(
                max(self._last_s + self._interval_s - self._clock(), 1e-3), give_up_s - self._clock()
            )
            if wait_s <= 0:
                raise CameraTimeout(f"no new picture for {timeout_s:g} s: replug the camera")
            self._sleep(wait_s)

    def show(self, picture: Pixels) -> None:
        """Show the camera another scene."""
        self._picture = picture

    def knock(self, x_px: int, y_px: int) -> None:
        """Shift everything that is seen from now on."""
        self._note("knocked")
        self._knock_px = (self._knock_px[0] + x_px, self._knock_px[1] + y_px)

    def drop(self, frames: int) -> None:
        """Lose the next frames: their numbers are never seen."""
        self._to_drop += frames

    def freeze(self) -> None:
        """Send nothing new any more."""
        self._note("frozen")
        self._frozen = True

    def thaw(self) -> None:
        """Send frames again."""
        self._note("thawed")
        self._frozen = False

    def unplug(self) -> None:
        """Pull the cable."""
        self._note("unplugged")
        self._unplugged = True

    def plug(self) -> None:
        """Put the cable back; the camera must be started again."""
        self._note("plugged")
        self._unplugged = self._running = False

    def lock_light(self) -> tuple[str, ...]:
        """Hold exposure and white balance."""
        self._note("light locked")
        self.light_locked = True
        return ("exposure", "white balance")

    def release_light(self) -> None:
        """Let exposure and white balance adjust themselves again."""
        self._note("light released")
        self.light_locked = False

    def _expose(self) -> None:
        if self._unplugged:
            raise CameraMissing("the camera is gone: plug it in again")
        now_s = self._clock()
        if self._frozen or now_s - self._last_s < self._interval_s - 1e-6:
            return
        self._last_s = now_s
        if self._to_drop:
            self._to_drop, self._dropped = self._to_drop - 1, self._dropped + 1
            self._note("dropped")
            return
        self._number, self._dropped, self._taken_s = self._number + 1 + self._dropped, 0, now_s
        self._note("frame")

    def _seen(self) -> Pixels:
        if self.black:
            return np.zeros_like(self._picture)
        if self.saturate:
            return np.full_like(self._picture, 255)
        seen = self._picture if self.lens is None else self.lens.seen(self._picture, self.set_to)
        x_px, y_px = self._knock_px
        return np.roll(seen, (y_px, x_px), axis=(0, 1))

    @property
    def focus(self) -> str | None:
        """A motor sets the lens, where there is one."""
        return None if self.lens is None else "motor"

    def _note(self, word: str) -> None:
        self.history.append((self._clock(), word))

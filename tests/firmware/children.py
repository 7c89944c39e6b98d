"""Test cameras that a child process can import and open, with faults that only a process can have."""

import time
from pathlib import Path
from typing import Any

import numpy as np

from firmware import open_camera
from firmware.camera.base import Camera, Frame, PlainCamera
from firmware.errors import CameraMissing


class Stuck(PlainCamera):
    """Sends three frames, then blocks for ever, as in a driver."""

    kind = "stuck"

    def start(self) -> None:
        self.sent = 0

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        if self.sent == 3:
            time.sleep(3600)
        self.sent += 1
        return Frame(np.full((6, 8, 3), self.sent, np.uint8), time.monotonic(), self.sent)

    def stop(self) -> None:
        time.sleep(3600)


class Absent(Stuck):
    kind = "absent"

    def start(self) -> None:
        raise CameraMissing("no camera here: plug one in")


class TwoStreams(PlainCamera):
    """Has a full stream besides the small one; red says whether the light is locked, blue the pace."""

    kind = "two-streams"
    pace = 0

    @property
    def focus(self) -> str | None:
        return "motor"

    def set_pace(self, frames_per_s: float) -> None:
        self.pace = round(frames_per_s)

    def start(self) -> None:
        self.sent, self.held = 0, 0

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        return self._frame(6, 8)

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        return self._frame(12, 16)

    def lock_light(self) -> tuple[str, ...]:
        self.held = 1
        return ("exposure",)

    def release_light(self) -> None:
        self.held = 0

    def stop(self) -> None: ...

    def _frame(self, rows: int, cols: int) -> Frame:
        time.sleep(0.01)
        self.sent += 1
        pixels = np.full((rows, cols, 3), (self.pace, 0, self.held), np.uint8)
        return Frame(pixels, time.monotonic(), self.sent)


class Pluggable(TwoStreams):
    """Is there when its file is."""

    kind = "pluggable"

    def __init__(self, file: str) -> None:
        self.file = Path(file)

    def start(self) -> None:
        if not self.file.exists():
            raise CameraMissing("no camera here: plug one in")
        super().start()


def opener(kind: str, **options: Any) -> Camera:
    own: dict[str, Any] = {"stuck": Stuck, "absent": Absent, "two-streams": TwoStreams}
    if kind == "pluggable":
        return Pluggable(**options)
    return own[kind]() if kind in own else open_camera(kind, **options)

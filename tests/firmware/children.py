"""Cameras as a child process opens them: importable there, with mishaps that only a process can have."""

import time
from typing import Any

import numpy as np

from firmware import open_camera
from firmware.camera import Camera, Frame
from firmware.errors import CameraMissing


class Stuck:
    """Sends three frames, then blocks in the driver for ever."""

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


def opener(kind: str, **options: Any) -> Camera:
    own: dict[str, Any] = {"stuck": Stuck, "absent": Absent}
    return own[kind]() if kind in own else open_camera(kind, **options)

"""The one small interface behind which every camera stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "Frame", "FrameLike", "Pixels"]

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Frame:
    """One picture.

    pixels : (rows, cols, 3) uint8, BGR; not to be written to.
    time_s : when it was taken, on a monotonic clock (``time.monotonic`` unless a test gave another).
    number : rises by at least one from frame to frame of one camera; gaps are frames nobody fetched.
    """

    pixels: Pixels
    time_s: float
    number: int


class FrameLike(Protocol):
    """What a frame has, for cameras that live in packages which may not import this one."""

    @property
    def pixels(self) -> Pixels: ...
    @property
    def time_s(self) -> float: ...
    @property
    def number(self) -> int: ...


class Camera(Protocol):
    """A source of frames of which only the newest counts: no queue grows.

    ``start`` and ``stop`` may be called twice. ``newest`` blocks until there is a frame whose number is
    above ``newer_than`` and returns the newest one; it raises CameraTimeout after ``timeout_s`` without
    one, CameraMissing when the camera is gone, CameraNotStarted before ``start``.
    """

    kind: str

    def start(self) -> None: ...
    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> FrameLike: ...
    def stop(self) -> None: ...

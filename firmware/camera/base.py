"""The one small interface that every camera has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "Frame", "FrameLike", "Pixels", "PlainCamera"]

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Frame:
    """One picture.

    pixels : (rows, cols, 3) uint8, BGR; not to be written to.
    time_s : when it was taken, on a monotonic clock (``time.monotonic`` unless a test gave another).
    number : rises by at least one from frame to frame of one camera; gaps are frames that were not fetched.
    """

    pixels: Pixels
    time_s: float
    number: int


class FrameLike(Protocol):
    """The attributes of a frame, for cameras in packages that may not import this one."""

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

    problem : one line on what is wrong at the moment and what to do, or None.
    focus : who sets its lens, ``motor`` or ``by hand``; None before it is known.
    newest_full : as ``newest``, in the large size where the camera has one beside the small one.
    lock_light : holds exposure, white balance and focus; returns the names of what was held, as far as known.
    set_pace : no more frames a second than that are wanted just now.
    """

    kind: str

    @property
    def problem(self) -> str | None: ...
    @property
    def focus(self) -> str | None: ...
    def start(self) -> None: ...
    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> FrameLike: ...
    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> FrameLike: ...
    def lock_light(self) -> tuple[str, ...]: ...
    def release_light(self) -> None: ...
    def set_pace(self, frames_per_s: float) -> None: ...
    def stop(self) -> None: ...


class PlainCamera:
    """A camera with one stream, whose light cannot be held and whose pace cannot be set."""

    @property
    def problem(self) -> str | None:
        return None

    @property
    def focus(self) -> str | None:
        return None

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        raise NotImplementedError

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        return self.newest(newer_than=newer_than, timeout_s=timeout_s)

    def lock_light(self) -> tuple[str, ...]:
        return ()

    def release_light(self) -> None:
        """Do nothing: nothing was held."""

    def set_pace(self, frames_per_s: float) -> None:
        """Do nothing: the pace cannot be set."""

"""The one small interface behind which every camera stands, and the factory that opens one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from firmware.errors import UnknownCamera

__all__ = ["KINDS", "Camera", "Frame", "FrameLike", "Pixels", "open_camera"]

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


def open_camera(kind: str, **options: Any) -> Camera:
    """Return a camera of that kind, not yet started.

    kind : one of KINDS. ``pi`` (Pi camera, through picamera2), ``usb`` (``device``: number or path),
        ``replay`` (``source``: folder of pictures or video file), ``fake`` (for tests).
    options : the keyword arguments of that camera's class.

    Raises UnknownCamera for any other kind; nothing is imported that this kind does not need.
    """
    try:
        opener = _OPENERS[kind]
    except KeyError:
        raise UnknownCamera(f"no camera of kind {kind!r}: choose one of {', '.join(KINDS)}") from None
    return opener(options)


def _open_pi(options: dict[str, Any]) -> Camera:
    from firmware.camera.pi import PiCamera

    return PiCamera(**options)


def _open_usb(options: dict[str, Any]) -> Camera:
    from firmware.camera.usb import UsbCamera

    return UsbCamera(**options)


def _open_replay(options: dict[str, Any]) -> Camera:
    from firmware.camera.replay import FolderCamera

    source = Path(options.pop("source"))
    return FolderCamera(source, **options)


def _open_fake(options: dict[str, Any]) -> Camera:
    from firmware.camera.fake import FakeCamera

    return FakeCamera(**options)


_OPENERS: dict[str, Callable[[dict[str, Any]], Camera]] = {
    "fake": _open_fake,
    "pi": _open_pi,
    "replay": _open_replay,
    "usb": _open_usb,
}
KINDS = tuple(_OPENERS)

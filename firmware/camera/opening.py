"""Opens a camera of the kind that is asked for, and imports nothing that this kind does not need."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware.camera.base import Camera
from firmware.errors import UnknownCamera

__all__ = ["KINDS", "open_camera"]


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

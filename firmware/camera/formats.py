"""What a Video4Linux camera offers to send, asked of its driver."""

from __future__ import annotations

import struct
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

__all__ = ["unreadable"]

# videodev2.h: VIDIOC_ENUM_FMT; its structure (index, kind, flags, words, letters, the rest); two constants
_ENUM_FMT, _FORMAT = 0xC0405602, struct.Struct("<3I32s4s16s")
_CAPTURE, _COMPRESSED = 1, 1
_DECODED = ("MJPG", "JPEG")  # what OpenCV's Video4Linux code decodes beside raw pictures (cap_v4l.cpp)


def unreadable(device: int | str, *, ask: Callable[..., Any] | None = None) -> tuple[str, ...]:
    """Return the formats of a camera none of whose formats can be read, by their four letters.

    Empty for a camera that can be read, and for a device that is not there or is no camera. ask : as
    fcntl.ioctl, which another system than Linux may not have.
    """
    path = f"/dev/video{device}" if isinstance(device, int) else device
    offered: list[tuple[str, bool]] = []
    with suppress(OSError, ImportError), Path(path).open("rb", buffering=0) as camera:
        while True:  # the driver refuses the first number behind its last format
            offered.append(_offered(camera, len(offered), ask or _ioctl()))
    bad = tuple(name for name, compressed in offered if compressed and name not in _DECODED)
    return bad if len(bad) == len(offered) else ()


def _ioctl() -> Callable[..., Any]:
    import fcntl

    return fcntl.ioctl


def _offered(camera: Any, index: int, ask: Callable[..., Any]) -> tuple[str, bool]:
    format = bytearray(_FORMAT.pack(index, _CAPTURE, 0, b"", b"", b""))
    ask(camera, _ENUM_FMT, format)
    _, _, flags, _, name, _ = _FORMAT.unpack(format)
    return name.decode("ascii", "replace").strip(), bool(flags & _COMPRESSED)

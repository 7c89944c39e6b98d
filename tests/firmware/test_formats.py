"""Which cameras cannot be read at all, by what their driver offers; tests/machine asks a real driver."""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware.camera.formats import unreadable
from firmware.camera.usb import UsbCamera
from firmware.errors import CameraMissing


def _driver(*offered: tuple[bytes, int]) -> Callable[..., None]:
    """As fcntl.ioctl for VIDIOC_ENUM_FMT, of a camera with these formats and flags."""

    def ask(_camera: object, request: int, format: bytearray) -> None:
        index, kind = struct.unpack_from("<2I", format)
        assert (request, kind, len(format)) == (0xC0405602, 1, request >> 16 & 0x3FFF)
        if index >= len(offered):
            raise OSError(errno.EINVAL, "no more")
        struct.pack_into("<I32s4s", format, 8, offered[index][1], b"", offered[index][0])

    return ask


@pytest.mark.parametrize(
    ("offered", "only"),
    [
        ([(b"H264", 1)], ("H264",)),
        ([(b"H264", 1), (b"HEVC", 1)], ("H264", "HEVC")),
        ([(b"H264", 1), (b"MJPG", 1)], ()),
        ([(b"H264", 1), (b"YUYV", 0)], ()),
        ([], ()),
    ],
)
def test_a_camera_without_any_raw_or_jpeg_format_cannot_be_read(
    tmp_path: Path, offered: list[tuple[bytes, int]], only: tuple[str, ...]
) -> None:
    (tmp_path / "video0").touch()
    assert unreadable(str(tmp_path / "video0"), ask=_driver(*offered)) == only


def test_what_is_not_there_or_no_camera_offers_nothing(tmp_path: Path) -> None:
    assert unreadable(987) == ()
    (tmp_path / "file").touch()
    assert unreadable(str(tmp_path / "file")) == ()


def test_the_camera_says_what_it_sends_and_what_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("firmware.camera.usb.unreadable", lambda _: ("H264",))
    said = (
        "camera /dev/video-none sends only H264, which cannot be read here: use one that sends MJPG or YUYV"
    )
    with pytest.raises(CameraMissing, match=said):
        UsbCamera("/dev/video-none").start()

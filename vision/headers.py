"""The headers of picture files, read before a single pixel is decoded.

Formats: PNG (W3C PNG Specification, chunk layout and CRC of section 5), JPEG (ITU-T T.81 annex B, markers),
EXIF orientation (CIPA DC-008, tag 0x0112), WebP (RFC 9649, container and bitstream headers). HEIC and AVIF
are known by their brand (ISO/IEC 14496-12, `ftyp`) and not read.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass, replace

from vision.errors import PictureRefused

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
JPEG_SIGNATURE = b"\xff\xd8\xff"
_BRANDS = {
    "HEIC": (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"),
    "AVIF": (b"avif", b"avis"),
}
_ANIMATED, _WEBP_ALPHA = 0x02, 0x10
_ORIENTATION_TAG = 0x0112
_SHORT = 3
# Inside entropy-coded data 0xFF is followed by 0x00, by a fill byte or by a restart marker (T.81, B.1.1.5).
_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
_FRAMES = {0xC0, 0xC1, 0xC2}
_OTHER_FRAMES = {0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF}
_START_OF_SCAN, _END_OF_IMAGE, _APP1 = 0xDA, 0xD9, 0xE1


@dataclass(frozen=True)
class Header:
    """Kind (`png`, `jpeg` or `webp`), size in pixels, whether it is complete, its EXIF orientation 1 … 8, and
    alpha. ``samples`` per pixel are stored (1.5 in a JPEG whose colours are halved both ways); ``scans`` is
    how often a JPEG's pixels are gone over (1 for others); ``animated``: an animated PNG.
    """

    kind: str
    width: int
    height: int
    complete: bool = False
    orientation: int = 1
    alpha: bool = False
    channels: int = 3
    bits: int = 8
    samples: float = 3.0
    scans: int = 1
    animated: bool = False


def read_header(data: bytes) -> Header:
    """Return what the file's own structure says.

    Raises
    ------
    PictureRefused
        If it is none of PNG, JPEG and WebP, or damaged before the size could be read.
    """
    if data.startswith(PNG_SIGNATURE):
        return _read_png(data)
    if data.startswith(JPEG_SIGNATURE):
        return _read_jpeg(data)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _read_webp(data)
    if data[4:8] == b"ftyp":
        _refuse_by_brand(data)
    if not data:
        raise PictureRefused("the file is empty: take the photo again")
    raise PictureRefused("not a picture that can be read: save it as JPEG or PNG")


def _refuse_by_brand(data: bytes) -> None:
    """Say how to send a JPEG instead of a telephone's own format."""
    size = min(int.from_bytes(data[:4], "big"), 64, len(data))
    brands = [data[8:12], *(data[at : at + 4] for at in range(16, size - 3, 4))]
    for kind, known in reversed(_BRANDS.items()):
        if any(brand in known for brand in brands):
            raise PictureRefused(
                f"a {kind} file cannot be read: set the telephone's camera to JPEG "
                "(its most compatible format), or share the photo as JPEG"
            )


def _read_webp(data: bytes) -> Header:
    """Size and orientation of a WebP still: each chunk is a name, a length, and a body of even length."""
    header: Header | None = None
    orientation, end = 1, 8 + int.from_bytes(data[4:8], "little")
    at = 12
    while at + 8 <= min(end, len(data)):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        body = memoryview(data)[at + 8 : at + 8 + size]
        if name == b"EXIF":
            orientation = exif_orientation(bytes(body).removeprefix(b"Exif\0\0"))
        elif header is None:
            header = _webp_size(name, bytes(body[:10]))
        at += 8 + size + size % 2
    if header is None:
        raise PictureRefused("the WebP is damaged before its size: take or save it again")
    return replace(header, complete=len(data) >= end, orientation=orientation)


def _webp_size(name: bytes, body: bytes) -> Header:
    if name == b"VP8X" and len(body) >= 10:
        if body[0] & _ANIMATED:
            raise PictureRefused("an animated WebP: send a still picture as JPEG or PNG")
        width, height = (1 + int.from_bytes(body[i : i + 3], "little") for i in (4, 7))
        return Header("webp", width, height, alpha=bool(body[0] & _WEBP_ALPHA), channels=4)
    if name == b"VP8 " and body[3:6] == b"\x9d\x01\x2a" and len(body) >= 10:
        width, height = struct.unpack_from("<HH", body, 6)
        return Header("webp", width & 0x3FFF, height & 0x3FFF)
    if name == b"VP8L" and body[:1] == b"\x2f" and len(body) >= 5:
        bits = int.from_bytes(body[1:5], "little")
        return Header(
            "webp", 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF), alpha=bool(bits >> 28 & 1), channels=4
        )
    raise PictureRefused("the WebP is damaged before its size: take or save it again")


def _read_png(data: bytes) -> Header:
    header: Header | None = None
    at = len(PNG_SIGNATURE)
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        name, body = data[at + 4 : at + 8], memoryview(data)[at + 8 : at + 8 + size]
        if at + 12 + size > len(data):
            break
        if header is None:
            header = _png_size(name, bytes(body))
        if (
            zlib.crc32(memoryview(data)[at + 4 : at + 8 + size])
            != struct.unpack_from(">I", data, at + 8 + size)[0]
        ):
            break
        header = _with_chunk(header, name, bytes(body) if name == b"eXIf" else b"")
        if name == b"IEND":
            return replace(header, complete=True)
        at += 12 + size
    if header is None:
        raise PictureRefused("the PNG is damaged at its very start: take or save it again")
    return header


def _png_size(name: bytes, body: bytes) -> Header:
    if name != b"IHDR" or len(body) != 13:
        raise PictureRefused("the PNG is damaged at its very start: take or save it again")
    width, height, bits, colour = struct.unpack_from(">IIBB", body)
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour, 3)
    alpha = colour in (4, 6)
    return Header("png", width, height, alpha=alpha, channels=channels, bits=bits, samples=channels)


def _with_chunk(header: Header, name: bytes, body: bytes) -> Header:
    if name == b"tRNS":
        return replace(header, alpha=True)
    if name == b"eXIf":
        return replace(header, orientation=exif_orientation(body))
    if name == b"acTL":
        return replace(header, animated=True)
    return header


def _read_jpeg(data: bytes) -> Header:
    header: Header | None = None
    orientation, scans = 1, 0
    at = 2
    while True:
        found = _MARKER.search(data, at)
        if found is None:
            break
        code, at = data[found.start() + 1], found.end()
        if code == _END_OF_IMAGE:
            if header is not None:
                return replace(header, complete=True, orientation=orientation, scans=max(scans, 1))
            break
        if code == 0x01 or at + 2 > len(data):
            continue
        (size,) = struct.unpack_from(">H", data, at)
        body = data[at + 2 : at + size] if code != _START_OF_SCAN else b""
        if code in _FRAMES and header is None:
            header = _jpeg_size(body)
        elif code in _OTHER_FRAMES:
            raise PictureRefused(
                "a JPEG of a rare kind (lossless or arithmetic): save it as an ordinary JPEG"
            )
        elif code == _APP1 and body.startswith(b"Exif\0\0"):
            orientation = exif_orientation(body[6:])
        elif code == _START_OF_SCAN and header is not None:
            scans += 1
        at += max(size, 2)
    if header is None:
        raise PictureRefused("the JPEG is damaged before its size: take the photo again")
    return replace(header, orientation=orientation)


def _jpeg_size(body: bytes) -> Header:
    if len(body) < 6:
        raise PictureRefused("the JPEG is damaged before its size: take the photo again")
    bits, height, width, channels = struct.unpack_from(">BHHB", body)
    return Header("jpeg", width, height, channels=channels, bits=bits, samples=_jpeg_samples(body, channels))


def _jpeg_samples(body: bytes, channels: int) -> float:
    """Return how many samples a pixel has: each component's share by its sampling factors (T.81, A.1.1)."""
    factors = [(pair >> 4) * (pair & 15) for pair in body[7 : 6 + 3 * channels : 3]]
    return sum(factors) / max(factors) if factors and all(factors) else float(channels)


def exif_orientation(tiff: bytes) -> int:
    """Return the orientation 1 … 8 of an EXIF block (a TIFF header and its first directory); 1 if it says
    none.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    if order is None:
        return 1
    at = _whole(order, tiff[4:8])
    directory = tiff[at + 2 : at + 2 + 12 * _whole(order, tiff[at : at + 2])]
    entries = directory[: len(directory) // 12 * 12]  # whole ones only
    for tag, kind, value in struct.iter_unpack(order + "HH4xH2x", entries):
        if tag == _ORIENTATION_TAG and kind == _SHORT:
            return value if 1 <= value <= 8 else 1
    return 1


def _whole(order: str, part: bytes) -> int:
    """Return a number of as many bytes as there are, so that a block cut off raises nothing."""
    return int.from_bytes(part, "little" if order == "<" else "big")

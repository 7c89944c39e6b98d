"""From a file to pixels: refuse early and clearly, else return upright BGR."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import PictureRefused
from vision.headers import Header, read_header

Pixels = NDArray[np.uint8]

MAX_PIXELS = 50_000_000
MAX_BYTES = 40_000_000
FULL_SIZE_PIXELS = 16_000_000  # larger ones are decoded at half their size: no mark needs more
MAX_DECODE_BYTES = 200_000_000  # of memory, for one picture and for all that are decoded at the same time
MAX_SCANS = 100  # a progressive JPEG has about ten; each takes as long as decoding it once

_STRIP_ROWS = 32
_TOO_MUCH = "a picture of this kind and size needs too much memory to decode: save it as an ordinary JPEG"


class Budget:
    """A limit on the bytes that all threads hold together: ``take`` waits until enough are free."""

    def __init__(self, total: int) -> None:
        self._free, self._total = total, total
        self._changed = threading.Condition()

    @contextmanager
    def take(self, wanted: int) -> Iterator[None]:
        """Hold that many bytes; a request above the limit waits for all of it."""
        held = min(wanted, self._total)
        with self._changed:
            self._changed.wait_for(lambda: self._free >= held)
            self._free -= held
        try:
            yield
        finally:
            with self._changed:
                self._free += held
                self._changed.notify_all()


_budget = Budget(MAX_DECODE_BYTES)


def load_picture(source: Path | bytes, *, max_pixels: int = MAX_PIXELS) -> Pixels:
    """Return a JPEG, PNG or WebP as (rows, cols, 3) uint8 BGR, turned upright by its EXIF orientation.

    Transparent pixels are laid on white paper; 16 bits become 8, grey and CMYK become BGR; a picture of
    more than 16 megapixels comes at half its size. Size, completeness and the memory that decoding takes are
    checked in the file's header before anything is decoded. However many threads ask at once, decoding takes
    at most 200 MB in all.

    Raises
    ------
    PictureRefused
        One line that says what is wrong: no such file, over 40 MB or ``max_pixels``, not a picture, cut off,
        damaged, or of a kind that needs more memory than that.
    """
    data = source if isinstance(source, bytes) else _read_file(Path(source))
    if len(data) > MAX_BYTES:
        raise PictureRefused(f"{len(data) / 1e6:.0f} MB is too large: at most {MAX_BYTES // 1_000_000} MB")
    header = checked_header(data, max_pixels=max_pixels)
    if decode_bytes(header) + len(data) > MAX_DECODE_BYTES:
        raise PictureRefused(_TOO_MUCH)
    with _budget.take(decode_bytes(header)):
        return _upright(_decode(data, header), header.orientation)


def checked_header(data: bytes, *, max_pixels: int = MAX_PIXELS) -> Header:
    """Return what the file's header says; raises PictureRefused if the file may not be decoded."""
    header = read_header(data)
    _check(header, max_pixels)
    return header


def check_together(first: bytes, second: bytes) -> None:
    """Raise PictureRefused where the second's decoding would take too much memory beside the first."""
    try:
        one, two = read_header(first), read_header(second)
    except PictureRefused:
        return  # loading them says what is wrong
    if len(first) + result_bytes(one) + len(second) + decode_bytes(two) > MAX_DECODE_BYTES:
        raise PictureRefused("both pictures together need too much memory: save them as ordinary JPEGs")


def result_bytes(header: Header) -> int:
    """Return the size of the pixels that come out."""
    large = header.width * header.height > FULL_SIZE_PIXELS and not header.alpha
    width, height = (-(-side // (2 if large else 1)) for side in (header.width, header.height))
    return 3 * width * height


def decode_bytes(header: Header) -> int:
    """Return how many bytes decoding holds at its peak: measured with OpenCV 5, rounded up.

    A JPEG with one scan is decoded line by line; with several, libjpeg keeps all coefficients, two bytes
    each. A PNG is decoded at its full size in any case; transparency needs the stored samples beside the
    result.
    """
    pixels, result = header.width * header.height, result_bytes(header)
    large = result < 3 * pixels
    if header.kind == "jpeg":
        return result * (2 if large else 1) + (int(2 * header.samples * pixels) if header.scans > 1 else 0)
    if header.alpha:
        return (8 if header.bits < 16 else 16) * pixels
    return 3 * pixels + (result if large else 0)


def _read_file(path: Path) -> bytes:
    """Return at most one byte more than is allowed: the size of a device or a pipe is not known first."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            data = b"" if size > MAX_BYTES else file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = getattr(error, "strerror", None) or error
        raise PictureRefused(f"{path}: cannot be read ({reason})") from error
    size = max(size, len(data))
    if size > MAX_BYTES:
        raise PictureRefused(f"{path}: {size / 1e6:.0f} MB is too large: at most {MAX_BYTES // 1_000_000} MB")
    return data


def _check(header: Header, max_pixels: int) -> None:
    """Refuse what the header already tells."""
    pixels = header.width * header.height
    if pixels == 0:
        raise PictureRefused("the picture has no pixels: take it again")
    if pixels > max_pixels:
        raise PictureRefused(
            f"{header.width} × {header.height} is {pixels / 1e6:.0f} megapixels: at most {max_pixels / 1e6:g}"
        )
    if header.animated:
        raise PictureRefused("an animated PNG: save one picture of it")
    if header.scans > MAX_SCANS:
        raise PictureRefused(f"a JPEG of {header.scans} scans: save it as an ordinary JPEG")
    if decode_bytes(header) > MAX_DECODE_BYTES:
        raise PictureRefused(_TOO_MUCH)
    if not header.complete:
        raise PictureRefused(f"the {header.kind.upper()} is cut off or damaged: copy or take it again")


def _decode(data: bytes, header: Header) -> Pixels:
    large = header.width * header.height > FULL_SIZE_PIXELS
    plain = cv2.IMREAD_REDUCED_COLOR_2 if large else cv2.IMREAD_COLOR
    flags = cv2.IMREAD_UNCHANGED if header.alpha else plain | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        picture: Any = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error as error:
        raise PictureRefused(f"the {header.kind.upper()} is damaged: take or save it again") from error
    if picture is None or picture.size == 0:
        raise PictureRefused(f"the {header.kind.upper()} is damaged: take or save it again")
    return _on_white(picture) if header.alpha else picture


def _on_white(picture: NDArray[Any]) -> Pixels:
    """8-bit BGR of any decoded picture, its alpha laid over white paper."""
    mixed = np.empty((*picture.shape[:2], 3), np.uint8)
    for top in range(0, len(picture), _STRIP_ROWS):
        mixed[top : top + _STRIP_ROWS] = _strip_on_white(picture[top : top + _STRIP_ROWS])
    return mixed


def _strip_on_white(strip: NDArray[Any]) -> NDArray[Any]:
    if strip.dtype == np.uint16:
        strip = (strip >> 8).astype(np.uint8)
    if strip.ndim == 2:
        return np.asarray(cv2.cvtColor(strip, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
    if strip.shape[2] == 3:
        return strip
    alpha = strip[..., 3:].astype(np.uint16)
    return (strip[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255


def _upright(picture: Pixels, orientation: int) -> Pixels:
    """Apply the EXIF orientation (CIPA DC-008): 2–4 mirror and half turn, 5–8 also swap rows and columns."""
    if orientation >= 5:
        picture = cv2.transpose(picture)  # type: ignore[assignment]
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    if flip is not None:
        picture = cv2.flip(picture, flip)  # type: ignore[assignment]
    return np.ascontiguousarray(picture)

"""From a file to pixels: refuse early and clearly, else return upright BGR."""

from __future__ import annotations

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
MAX_ALPHA_BYTES = 100_000_000


_STRIP_ROWS = 256


def load_picture(source: Path | bytes) -> Pixels:
    """Return a JPEG, PNG or WebP as (rows, cols, 3) uint8 BGR, turned upright by its EXIF orientation.

    Transparent pixels are laid on white paper; 16 bits become 8, grey and CMYK become BGR; a picture of
    more than 16 megapixels comes at half its size. Size and completeness are checked in the file's header
    before anything is decoded.

    Raises
    ------
    PictureRefused
        One line that says what is wrong: no such file, over 40 MB or 50 megapixels, not a picture, cut off,
        damaged.
    """
    data = source if isinstance(source, bytes) else _read_file(Path(source))
    if len(data) > MAX_BYTES:
        raise PictureRefused(f"{len(data) / 1e6:.0f} MB is too large: at most {MAX_BYTES // 1_000_000} MB")
    header = read_header(data)
    _check(header)
    return _upright(_decode(data, header), header.orientation)


def _read_file(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise PictureRefused(
                f"{path}: {size / 1e6:.0f} MB is too large: at most {MAX_BYTES // 1_000_000} MB"
            )
        return path.read_bytes()
    except OSError as error:
        raise PictureRefused(f"{path}: cannot be read ({error.strerror or error})") from error


def _check(header: Header) -> None:
    """Refuse what the header already tells."""
    pixels = header.width * header.height
    if pixels == 0:
        raise PictureRefused("the picture has no pixels: take it again")
    if pixels > MAX_PIXELS:
        raise PictureRefused(
            f"{header.width} × {header.height} is {pixels / 1e6:.0f} megapixels: "
            f"at most {MAX_PIXELS // 1_000_000}"
        )
    if header.alpha and pixels * header.channels * header.bits // 8 > MAX_ALPHA_BYTES:
        raise PictureRefused("a transparent picture of this size needs too much memory: save it as JPEG")
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
    if picture.dtype == np.uint16:
        picture = (picture >> 8).astype(np.uint8)
    if picture.ndim == 2:
        return np.asarray(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
    if picture.shape[2] == 3:
        return picture
    mixed = np.empty((*picture.shape[:2], 3), np.uint8)
    for top in range(0, len(picture), _STRIP_ROWS):
        strip = picture[top : top + _STRIP_ROWS]
        alpha = strip[..., 3:].astype(np.uint16)
        mixed[top : top + _STRIP_ROWS] = (strip[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255
    return mixed


def _upright(picture: Pixels, orientation: int) -> Pixels:
    """Apply the EXIF orientation (CIPA DC-008): 2–4 mirror and half turn, 5–8 also swap rows and columns."""
    if orientation >= 5:
        picture = cv2.transpose(picture)  # type: ignore[assignment]
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    if flip is not None:
        picture = cv2.flip(picture, flip)  # type: ignore[assignment]
    return np.ascontiguousarray(picture)

"""From a file's header to its pixels: what is taken and refused at the very limits, and what is decoded."""

from __future__ import annotations

import os
import struct
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision import picture as pictures
from vision.errors import PictureRefused
from vision.files import write_whole
from vision.headers import Header, read_header
from vision.picture import checked_header, decode_bytes, load_picture, result_bytes

LEVELS = np.random.default_rng(8).integers(0, 256, (40, 60, 3)).astype(np.uint8)
PNG = cv2.imencode(".png", LEVELS)[1].tobytes()
PLAIN = Header("png", 60, 40, complete=True)


def limited(monkeypatch, **limits):
    for name, value in limits.items():
        monkeypatch.setattr(pictures, name, value)


@pytest.mark.parametrize(("limit", "shape"), [(2400, (40, 60, 3)), (2399, (20, 30, 3))])
def test_a_picture_of_more_pixels_than_are_needed_comes_at_half_its_size(monkeypatch, limit, shape):
    limited(monkeypatch, FULL_SIZE_PIXELS=limit)
    assert load_picture(PNG).shape == shape
    assert result_bytes(read_header(PNG)) == np.prod(shape)


def test_a_transparent_picture_keeps_its_size(monkeypatch):
    limited(monkeypatch, FULL_SIZE_PIXELS=2399)
    clear = cv2.imencode(".png", np.dstack([LEVELS, LEVELS[..., 0]]))[1].tobytes()
    assert load_picture(clear).shape == (40, 60, 3)
    assert result_bytes(read_header(clear)) == 3 * 2400


@pytest.mark.parametrize("decoded", [None, np.zeros((0, 60, 3), np.uint8)])
def test_what_decodes_to_nothing_is_damaged(monkeypatch, decoded):
    monkeypatch.setattr(pictures.cv2, "imdecode", lambda *_: decoded)
    with pytest.raises(PictureRefused, match="the PNG is damaged"):
        load_picture(PNG)


def test_what_the_decoder_refuses_is_damaged(monkeypatch):
    def fails(*_):
        raise cv2.error("no such chunk")

    monkeypatch.setattr(pictures.cv2, "imdecode", fails)
    with pytest.raises(PictureRefused, match="the PNG is damaged"):
        load_picture(PNG)


@pytest.mark.parametrize("over", [0, 1])
def test_each_limit_is_what_is_still_taken(monkeypatch, over):
    held = decode_bytes(PLAIN)
    assert held == 3 * 60 * 40

    def refused(match, taken):
        if over:
            with pytest.raises(PictureRefused, match=match):
                taken()
        else:
            taken()

    refused("at most 0.002399", lambda: checked_header(PNG, max_pixels=2400 - over))
    limited(monkeypatch, MAX_SCANS=9, MAX_DECODE_BYTES=held + len(PNG) - over)
    refused("too much memory", lambda: load_picture(PNG))
    limited(monkeypatch, MAX_DECODE_BYTES=held - over)
    refused("too much memory", lambda: checked_header(PNG))
    limited(monkeypatch, MAX_DECODE_BYTES=10**9, MAX_BYTES=len(PNG) - over)
    refused("too large", lambda: load_picture(PNG))
    refused("a JPEG of 10 scans", lambda: pictures._check(Header("jpeg", 6, 4, True, scans=9 + over), 99))


def test_what_is_too_large_is_told_in_megabytes(monkeypatch):
    limited(monkeypatch, MAX_BYTES=2_000_000)
    with pytest.raises(PictureRefused, match=r"^3 MB is too large: at most 2 MB$"):
        load_picture(bytes(3_000_000))


@pytest.mark.parametrize("over", [0, 1])
def test_a_second_picture_is_decoded_beside_the_pixels_of_the_first(monkeypatch, over):
    """The first file and its pixels, the second file and what decoding it takes."""
    other = cv2.imencode(".jpg", LEVELS[:, :30], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])[1].tobytes()
    header = read_header(other)
    needed = len(PNG) + 3 * 2400 + len(other) + decode_bytes(header)
    assert decode_bytes(header) > result_bytes(header)
    limited(monkeypatch, MAX_DECODE_BYTES=needed - over)
    if over:
        with pytest.raises(PictureRefused, match="both pictures together"):
            pictures.check_together(PNG, other)
    else:
        pictures.check_together(PNG, other)


@pytest.mark.parametrize(("limit", "taken"), [(40, True), (39, False)])
def test_a_device_that_tells_no_size_is_read_to_one_byte_more_than_is_allowed(
    monkeypatch, tmp_path, limit, taken
):
    path = tmp_path / "pipe"
    path.write_bytes(bytes(40))
    limited(monkeypatch, MAX_BYTES=limit)
    monkeypatch.setattr(type(path), "stat", lambda self, **_: type("Told", (), {"st_size": 0})())
    if taken:
        assert pictures._read_file(path) == bytes(40)
    else:
        with pytest.raises(PictureRefused, match="too large"):
            pictures._read_file(path)


def test_a_path_that_cannot_be_read_says_why():
    with pytest.raises(PictureRefused, match=r"^/no/such: cannot be read \(No such file or directory\)$"):
        pictures._read_file(Path("/no/such"))
    with pytest.raises(PictureRefused, match="null"):
        pictures._read_file(Path("a\0b"))


@pytest.mark.parametrize("rows", [1, 31, 32, 33, 64, 65])
def test_alpha_is_laid_on_white_in_every_row(rows):
    """Rounded to the nearest level, in whole numbers."""
    rng = np.random.default_rng(rows)
    picture = rng.integers(0, 256, (rows, 4, 4)).astype(np.uint8)
    picture[0, :2, 3] = 0, 255
    mixed = pictures._on_white(picture)
    assert mixed.shape == (rows, 4, 3)
    for row, col in np.ndindex(rows, 4):
        share = Fraction(int(picture[row, col, 3]), 255)
        exact = [share * int(level) + (1 - share) * 255 for level in picture[row, col, :3]]
        assert mixed[row, col].tolist() == [round(level) for level in exact]


def test_other_pictures_than_of_four_channels_become_three():
    deep = (LEVELS[..., 0].astype(np.uint16) << 8) | 0xFF
    assert np.array_equal(pictures._on_white(deep), np.repeat(LEVELS[..., :1], 3, axis=2))
    assert np.array_equal(pictures._on_white(LEVELS), LEVELS)


@pytest.mark.parametrize(
    ("orientation", "first"),
    [(1, "abcd"), (2, "badc"), (3, "dcba"), (4, "cdab"), (5, "acbd"), (6, "cadb"), (7, "dbca"), (8, "bdac")],
)
def test_each_orientation_turns_the_corners(orientation, first):
    """CIPA DC-008, tag 274: where row 0 and column 0 are. Corners from the left above to the right below."""
    corners = np.array([[list(b"aaa"), list(b"bbb")], [list(b"ccc"), list(b"ddd")]], np.uint8)
    turned = pictures._upright(corners, orientation)
    assert bytes(turned[..., 0].ravel()).decode() == first
    assert turned.flags.c_contiguous


# a telephone's own formats: ISO/IEC 14496-12, 4.3 (size, `ftyp`, brand, version, other brands)


def ftyp(brand, *others, size=None):
    body = b"ftyp" + brand + bytes(4) + b"".join(others)
    return struct.pack(">I", len(body) + 4 if size is None else size) + body + b"heic" * 30


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (ftyp(b"heic"), "HEIC"),
        (ftyp(b"isom", b"heic"), "HEIC"),
        (ftyp(b"isom", b"mp42", b"heix"), "HEIC"),
        (ftyp(b"mif1", b"avif"), "AVIF"),  # both families name mif1: the more particular brand tells
        (ftyp(b"isom", b"avis", size=20), "AVIF"),
        (ftyp(b"isom", b"heic", size=19), None),  # the box ends within the brand
        (ftyp(b"isom", b"xhei", b"cxxx"), None),  # brands are four bytes each
        (ftyp(b"isom", b"mp42"), None),  # what follows the box is no brand
        (ftyp(b"isom") + b"avif", None),
        (ftyp(b"isom", b"heic")[:19], None),
        (ftyp(b"isom", b"heic")[:20], "HEIC"),
    ],
)
def test_a_brand_is_the_first_or_one_of_those_in_its_box(data, kind):
    with pytest.raises(PictureRefused, match=f"a {kind} file" if kind else "not a picture"):
        read_header(data)


@pytest.mark.parametrize(("mask", "mode"), [(0o000, 0o666), (0o022, 0o644), (0o077, 0o600)])
def test_a_file_may_be_read_by_whom_the_user_s_mask_allows(tmp_path, mask, mode):
    """As any new file: 0666 without the mask (open(2)); the mask itself stays."""
    before = os.umask(mask)
    try:
        write_whole(tmp_path / "card.png", b"whole")
        assert os.umask(mask) == mask
    finally:
        os.umask(before)
    assert (tmp_path / "card.png").stat().st_mode & 0o777 == mode
    assert (tmp_path / "card.png").read_bytes() == b"whole"
    assert [path.name for path in tmp_path.iterdir()] == ["card.png"]

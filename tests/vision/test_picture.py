"""Files to pixels: every kind that is promised, every refusal in one line."""

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from vision import PictureRefused, load_picture
from vision.headers import exif_orientation
from vision.picture import MAX_BYTES


@pytest.fixture(scope="module")
def bgr():
    rng = np.random.default_rng(5)
    rough = cv2.GaussianBlur(rng.integers(0, 255, (60, 84, 3)).astype(np.uint8), (0, 0), 5)
    return cv2.normalize(rough, None, 0, 255, cv2.NORM_MINMAX)


def encoded(picture, kind, mode="RGB", **options):
    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture[..., ::-1])).convert(mode).save(stream, kind, **options)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_as_pillow_applies_it(bgr, kind, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"lossless": True} if kind == "WEBP" else {}
    data = encoded(bgr, kind, exif=exif, **options)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))[..., ::-1]
    ours = load_picture(data)
    assert ours.shape == expected.shape
    assert np.abs(ours.astype(int) - expected).max() <= 1


@pytest.mark.parametrize("mode", ["L", "CMYK", "RGB"])
def test_jpeg_colour_models_as_pillow_reads_them(bgr, mode):
    data = encoded(bgr, "JPEG", mode, quality=97)
    expected = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))[..., ::-1]
    assert np.abs(load_picture(data).astype(int) - expected).max() <= 2


def test_progressive_and_restart_markers(bgr):
    data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1, cv2.IMWRITE_JPEG_RST_INTERVAL, 2])[
        1
    ].tobytes()
    assert load_picture(data).shape == bgr.shape


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGBA"])
def test_png_colour_models(bgr, mode):
    image = Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).convert(mode)
    if mode in ("LA", "RGBA"):
        image.putalpha(Image.fromarray(bgr[..., 1]))
    stream = io.BytesIO()
    image.save(stream, "PNG")
    paper = Image.new("RGBA", image.size, "white")
    paper.alpha_composite(image.convert("RGBA"))
    expected = np.asarray(paper.convert("RGB"))[..., ::-1]
    assert np.abs(load_picture(stream.getvalue()).astype(int) - expected).max() <= 1


def test_palette_with_transparency_lies_on_white(bgr):
    image = Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).quantize(16)
    stream = io.BytesIO()
    image.save(stream, "PNG", transparency=3)
    paper = Image.new("RGBA", image.size, "white")
    paper.alpha_composite(Image.open(io.BytesIO(stream.getvalue())).convert("RGBA"))
    expected = np.asarray(paper.convert("RGB"))[..., ::-1]
    assert np.abs(load_picture(stream.getvalue()).astype(int) - expected).max() <= 1


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bits_become_eight(bgr, channels):
    deep = (bgr.astype(np.uint16) << 8) | 0x80
    deep = {1: deep[..., 0], 3: deep, 4: np.dstack([deep, np.full(bgr.shape[:2], 65535, np.uint16)])}[
        channels
    ]
    data = cv2.imencode(".png", deep)[1].tobytes()
    expected = bgr[..., :1].repeat(3, axis=2) if channels == 1 else bgr
    assert np.abs(load_picture(data).astype(int) - expected).max() <= 1


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_cut_off_anywhere_is_refused(bgr, kind):
    data = encoded(bgr, kind)
    for length in range(0, len(data) - 2, max(1, len(data) // 60)):
        with pytest.raises(PictureRefused):
            load_picture(data[:length])


def test_a_changed_byte_in_a_png_is_refused(bgr):
    data = bytearray(encoded(bgr, "PNG"))
    data[len(data) // 2] ^= 0x10
    with pytest.raises(PictureRefused, match="damaged"):
        load_picture(bytes(data))


def chunk(name, body):
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def test_too_many_pixels_are_refused_by_the_header_alone():
    head = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 20000, 20000, 8, 2, 0, 0, 0))
    with pytest.raises(PictureRefused, match=r"400 megapixels: at most 50"):
        load_picture(head)
    jpeg = b"\xff\xd8\xff\xc0\x00\x11\x08" + struct.pack(">HH", 20000, 20000) + b"\x03" + bytes(9)
    with pytest.raises(PictureRefused, match=r"400 megapixels"):
        load_picture(jpeg)


def test_files_that_are_no_pictures(tmp_path):
    with pytest.raises(PictureRefused, match="empty"):
        load_picture(b"")
    with pytest.raises(PictureRefused, match="JPEG or PNG"):
        load_picture(b"BM" + bytes(60))
    with pytest.raises(PictureRefused, match=r"no-such\.jpg"):
        load_picture(tmp_path / "no-such.jpg")
    with pytest.raises(PictureRefused, match="cannot be read"):
        load_picture(tmp_path)


def test_a_huge_file_is_refused_unread(tmp_path):
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    with pytest.raises(PictureRefused, match="at most 40 MB"):
        load_picture(path)
    with pytest.raises(PictureRefused, match="at most 40 MB"):
        load_picture(bytes(MAX_BYTES + 1))


def test_a_file_as_large_as_is_allowed_is_read_whole(bgr, tmp_path, monkeypatch):
    path = tmp_path / "largest.png"
    path.write_bytes(encoded(bgr, "PNG"))
    monkeypatch.setattr("vision.picture.MAX_BYTES", path.stat().st_size)
    assert load_picture(path).shape == bgr.shape
    monkeypatch.setattr("vision.picture.MAX_BYTES", path.stat().st_size - 1)
    with pytest.raises(PictureRefused, match="too large"):
        load_picture(path)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("entries", "expected"), [(0, 1), (1, 1), (2, 6)])
def test_what_follows_the_exif_directory_is_no_entry_of_it(order, entries, expected):
    """TIFF 6.0, section 2: the directory has as many entries of 12 bytes as its first two say."""
    head = {"<": b"II*\0", ">": b"MM\0*"}[order] + struct.pack(f"{order}IH", 8, entries)
    width, orientation = (
        struct.pack(f"{order}HHIHH", tag, 3, 1, value, 0) for tag, value in ((256, 9), (274, 6))
    )
    assert exif_orientation(head + width + orientation + bytes(4)) == expected


@pytest.mark.parametrize(("mode", "options"), [("RGB", {"quality": 90}), ("RGBA", {"lossless": True})])
def test_outside_webp_as_pillow_reads_it(bgr, mode, options):
    """All three kinds of WebP container (RFC 9649), written by Pillow's libwebp."""
    image = Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).convert(mode)
    if mode == "RGBA":
        image.putalpha(Image.fromarray(bgr[..., 1]))
    stream = io.BytesIO()
    image.save(stream, "WEBP", **options)
    seen = Image.open(io.BytesIO(stream.getvalue())).convert("RGBA")
    paper = Image.new("RGBA", seen.size, "white")
    expected = np.asarray(Image.alpha_composite(paper, seen).convert("RGB"))[..., ::-1]
    assert np.abs(load_picture(stream.getvalue()).astype(int) - expected).max() <= 2
    with pytest.raises(PictureRefused, match="cut off"):
        load_picture(stream.getvalue()[:-20])


@pytest.mark.parametrize(
    ("brand", "kind"), [(b"heic", "HEIC"), (b"mif1", "HEIC"), (b"avif", "AVIF"), (b"avis", "AVIF")]
)
def test_a_telephone_s_own_format_is_told_how_to_become_a_jpeg(brand, kind):
    data = struct.pack(">I", 24) + b"ftyp" + brand + bytes(4) + b"miaf" + b"MiHB" + bytes(100)
    with pytest.raises(PictureRefused, match=f"a {kind} file.*JPEG"):
        load_picture(data)


def test_an_animated_webp_is_refused(bgr):
    frames = [Image.fromarray(bgr), Image.fromarray(255 - bgr)]
    stream = io.BytesIO()
    frames[0].save(stream, "WEBP", save_all=True, append_images=frames[1:], duration=100)
    with pytest.raises(PictureRefused, match="animated"):
        load_picture(stream.getvalue())

"""How much memory a picture may take: judged by the header, and shared by everybody who decodes."""

from __future__ import annotations

import io
import struct
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from vision import PictureRefused, load_picture
from vision import picture as pictures
from vision.headers import Header, read_header
from vision.picture import MAX_DECODE_BYTES, Budget, checked_header, decode_bytes


def jpeg(rows: int, cols: int, *, progressive: bool = False, sampling: int | None = None) -> bytes:
    options = [cv2.IMWRITE_JPEG_PROGRESSIVE, int(progressive)]
    if sampling is not None:
        options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    return cv2.imencode(".jpg", np.full((rows, cols, 3), 90, np.uint8), options)[1].tobytes()


def png(width: int, height: int, *, colour: int, bits: int = 8, extra: bytes = b"") -> bytes:
    """Return a small file that is a large picture: zeros all over."""
    samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    packer = zlib.compressobj(9)
    row = bytes(1 + width * samples * bits // 8)
    data = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + extra + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


@pytest.mark.parametrize(
    ("sampling", "samples"),
    [
        (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420, 1.5),
        (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422, 2.0),
        (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444, 3.0),
    ],
)
def test_samples_of_a_jpeg_are_those_of_its_sampling(sampling: int, samples: float) -> None:
    assert read_header(jpeg(64, 64, sampling=sampling)).samples == samples


def test_scans_are_counted() -> None:
    assert read_header(jpeg(64, 64)).scans == 1
    assert read_header(jpeg(64, 64, progressive=True)).scans > 1


@pytest.mark.parametrize(
    "header",
    [
        Header("jpeg", 8000, 6200, complete=True, samples=3.0, scans=10),
        Header("png", 6000, 6000, complete=True, alpha=True, channels=4),
        Header("png", 4400, 4400, complete=True, alpha=True, channels=4, bits=16),
    ],
)
def test_what_needs_more_memory_than_there_is_for_all_is_refused(header: Header) -> None:
    assert decode_bytes(header) > MAX_DECODE_BYTES
    with pytest.raises(PictureRefused, match="needs too much memory"):
        pictures._check(header, pictures.MAX_PIXELS)


@pytest.mark.parametrize(
    "header",
    [
        Header("jpeg", 8160, 6120, complete=True, samples=1.5),  # 50 megapixels of a phone
        Header("jpeg", 4624, 3468, complete=True, samples=1.5, scans=10),
        Header("png", 8160, 6120, complete=True),
        Header("png", 3500, 3500, complete=True, alpha=True, channels=4, bits=16),
    ],
)
def test_what_people_have_is_taken(header: Header) -> None:
    pictures._check(header, pictures.MAX_PIXELS)


def test_two_pictures_share_the_memory() -> None:
    large = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 8160, 6120, 8, 2, 0, 0, 0))
    photo = jpeg(3000, 4000)
    pictures.check_together(photo, photo)
    pictures.check_together(b"no picture", large)
    with pytest.raises(PictureRefused, match="both pictures together"):
        pictures.check_together(photo, large)


def test_the_file_itself_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    data = jpeg(100, 200)
    monkeypatch.setattr(pictures, "MAX_DECODE_BYTES", decode_bytes(read_header(data)) + len(data) - 1)
    with pytest.raises(PictureRefused, match="too much memory"):
        load_picture(data)


def test_as_many_scans_as_only_an_attack_has_are_refused() -> None:
    data = jpeg(64, 64, progressive=True)
    at = data.rindex(b"\xff\xda")
    with pytest.raises(PictureRefused, match="scans"):
        load_picture(data[:-2] + data[at:-2] * 120 + data[-2:])


def test_an_animation_is_refused() -> None:
    stream = io.BytesIO()
    frames = [Image.new("RGB", (32, 32), colour) for colour in ("red", "blue")]
    frames[0].save(stream, "PNG", save_all=True, append_images=frames[1:])
    with pytest.raises(PictureRefused, match="animated"):
        load_picture(stream.getvalue())


def test_a_limit_of_pixels_may_be_lower() -> None:
    data = jpeg(100, 200)
    assert load_picture(data, max_pixels=20_000).shape == (100, 200, 3)
    with pytest.raises(PictureRefused, match=r"megapixels: at most 0\.019"):
        load_picture(data, max_pixels=19_000)
    with pytest.raises(PictureRefused):
        checked_header(data, max_pixels=19_000)


@pytest.mark.parametrize("colour", [4, 6])
@pytest.mark.parametrize("bits", [8, 16])
def test_transparent_pictures_lie_on_white_strip_by_strip(colour: int, bits: int) -> None:
    assert (load_picture(png(40, 700, colour=colour, bits=bits)) == 255).all()


def test_all_who_decode_share_one_budget(monkeypatch: pytest.MonkeyPatch) -> None:
    data, lock = jpeg(400, 500), threading.Lock()
    wanted = decode_bytes(read_header(data))
    monkeypatch.setattr(pictures, "_budget", Budget(2 * wanted))
    inside, most = 0, 0
    second = threading.Event()
    decode = pictures._decode

    def counted(*what: object) -> object:
        nonlocal inside, most
        with lock:
            inside += 1
            most = max(most, inside)
            if inside == 2:
                second.set()
        second.wait(20)  # two at once there are: the budget holds nobody back without need
        picture = decode(*what)  # type: ignore[arg-type]
        with lock:
            inside -= 1
        return picture

    monkeypatch.setattr(pictures, "_decode", counted)
    threads = [threading.Thread(target=load_picture, args=(data,)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert (most, inside) == (2, 0)


def test_nothing_is_decoded_but_within_the_budget(monkeypatch: pytest.MonkeyPatch) -> None:
    data, done = jpeg(400, 500), list[object]()
    decode = pictures._decode

    class Told(Budget):
        @contextmanager
        def take(self, wanted: int) -> Iterator[None]:
            done.append(wanted)
            yield
            done.append("given back")

    monkeypatch.setattr(pictures, "_budget", Told(1))
    monkeypatch.setattr(pictures, "_decode", lambda *what: done.append("decoded") or decode(*what))
    load_picture(data)
    assert done == [decode_bytes(read_header(data)), "decoded", "given back"]


def test_a_budget_is_whole_again_after_a_failure() -> None:
    budget = Budget(10)
    with pytest.raises(ZeroDivisionError), budget.take(1000):
        raise ZeroDivisionError
    with budget.take(10):
        pass


@pytest.mark.parametrize("name", ["", "/dev/zero", "a\0b", "/no/such", "x" * 300])
def test_a_path_that_is_no_picture_is_one_line(name: str) -> None:
    with pytest.raises(PictureRefused) as refused:
        load_picture(Path(name))
    assert "\n" not in str(refused.value)

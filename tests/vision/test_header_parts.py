"""Picture files made byte by byte as their published formats say, and what is read from their headers."""

from __future__ import annotations

import struct
import zlib

import pytest

from vision.errors import PictureRefused
from vision.headers import JPEG_SIGNATURE, PNG_SIGNATURE, Header, exif_orientation, read_header

# EXIF: CIPA DC-008 (tag 274, kind 3 = SHORT), a directory as in TIFF 6.0, section 2


def tiff(value, *, order="<", tag=0x0112, kind=3, count=1, at=8):
    head = {"<": b"II*\0", ">": b"MM\0*"}[order] + struct.pack(f"{order}I", at)
    entry = struct.pack(f"{order}HHIHH", tag, kind, 1, value, 0)
    return head + bytes(at - 8) + struct.pack(f"{order}H", count) + entry


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("value", "wanted"), [(0, 1), (1, 1), (2, 2), (3, 3), (6, 6), (7, 7), (8, 8), (9, 1), (65535, 1)]
)
def test_an_orientation_is_one_of_eight(order, value, wanted):
    assert exif_orientation(tiff(value, order=order)) == wanted
    assert exif_orientation(tiff(value, order=order, at=300)) == wanted


@pytest.mark.parametrize("other", [{"tag": 0x0111}, {"tag": 0x0113}, {"kind": 4}, {"kind": 2}, {"count": 0}])
def test_another_entry_is_no_orientation(other):
    assert exif_orientation(tiff(6, **other)) == 1


def test_the_first_orientation_counts():
    two = tiff(6, count=2) + tiff(8)[-12:]
    assert exif_orientation(two) == 6
    assert exif_orientation(tiff(6, tag=256, count=2) + tiff(8)[-12:]) == 8
    assert exif_orientation(tiff(6, kind=4, count=2) + tiff(8)[-12:]) == 8


def test_an_exif_block_cut_off_anywhere_tells_nothing():
    whole = tiff(6)
    assert exif_orientation(whole) == 6
    assert {exif_orientation(whole[:length]) for length in range(len(whole))} == {1}
    assert exif_orientation(b"XX" + whole[2:]) == 1
    assert exif_orientation(tiff(6, count=900) + bytes(5)) == 6
    for at in (0, 1, len(whole) - 2, len(whole) - 1, len(whole), 2**32 - 1):
        assert exif_orientation(whole[:4] + struct.pack("<I", at) + whole[8:]) == 1


# PNG: W3C PNG Specification, sections 5.3 (chunks), 11.2.2 (IHDR, its colour types)


def chunk(name, body=b"", *, wrong=0):
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body) ^ wrong)


def ihdr(colour=2, bits=8, **how):
    return chunk(b"IHDR", struct.pack(">IIBBBBB", 700, 300, bits, colour, 0, 0, 0), **how)


def png(*chunks):
    return PNG_SIGNATURE + b"".join(chunks)


END = chunk(b"IEND")


@pytest.mark.parametrize(
    ("colour", "bits", "channels", "alpha"),
    [
        (0, 1, 1, False),
        (2, 16, 3, False),
        (3, 4, 1, False),
        (4, 8, 2, True),
        (6, 8, 4, True),
        (5, 8, 3, False),
    ],
)
def test_a_png_s_colour_type_tells_its_channels(colour, bits, channels, alpha):
    assert read_header(png(ihdr(colour, bits), END)) == Header(
        "png", 700, 300, complete=True, alpha=alpha, channels=channels, bits=bits, samples=channels
    )


def test_a_png_s_chunks_are_read_one_after_the_other():
    header = read_header(
        png(ihdr(), chunk(b"tEXt", b"a\0b"), chunk(b"tRNS", bytes(6)), chunk(b"eXIf", tiff(6)), END)
    )
    assert (header.alpha, header.orientation, header.animated, header.complete) == (True, 6, False, True)
    moving = read_header(png(ihdr(), chunk(b"acTL", bytes(8)), END, chunk(b"tRNS")))
    assert (moving.alpha, moving.orientation, moving.animated, moving.complete) == (False, 1, True, True)


def test_a_png_without_its_whole_end_is_not_complete():
    whole = png(ihdr(), chunk(b"IDAT", bytes(9)), END)
    start = len(PNG_SIGNATURE) + 25  # a length, a name, 13 bytes and a check sum
    for length in range(start, len(whole)):
        assert not read_header(whole[:length]).complete
    assert read_header(whole + b"more").complete
    for length in range(len(PNG_SIGNATURE), start):
        with pytest.raises(PictureRefused, match="very start"):
            read_header(whole[:length])


def test_what_follows_a_damaged_chunk_of_a_png_is_not_read():
    header = read_header(png(ihdr(), chunk(b"IDAT", b"abc", wrong=1), chunk(b"tRNS"), END))
    assert not header.complete and not header.alpha
    assert not read_header(png(ihdr(wrong=1), END)).complete


@pytest.mark.parametrize(
    "first", [chunk(b"IHDX", bytes(13)), chunk(b"IHDR", bytes(12)), chunk(b"IHDR", bytes(14)), END]
)
def test_a_png_starts_with_its_size(first):
    with pytest.raises(PictureRefused, match="very start"):
        read_header(png(first, ihdr(), END))


# JPEG: ITU-T T.81, annex B (markers, table B.1; segments, B.1.1.4; fill bytes, B.1.1.2) and A.1.1 (sampling)


def segment(code, body=b""):
    return bytes((0xFF, code)) + struct.pack(">H", len(body) + 2) + body


def frame(code=0xC0, factors=(0x22, 0x11, 0x11), bits=8):
    parts = b"".join(bytes((i, pair, 0)) for i, pair in enumerate(factors))
    return segment(code, struct.pack(">BHHB", bits, 300, 700, len(factors)) + parts)


SCAN = segment(0xDA, bytes(10)) + b"\x12\xff\x00\x34\xff\xd0\x56\xff\xd7\x78"
STOP = b"\xff\xd9"


def jpeg(*segments):
    return b"\xff\xd8" + b"".join(segments)


@pytest.mark.parametrize(
    ("factors", "samples"),
    [
        ((0x22, 0x11, 0x11), 1.5),
        ((0x21, 0x11, 0x11), 2.0),
        ((0x12, 0x11, 0x11), 2.0),
        ((0x11, 0x11, 0x11), 3.0),
        ((0x41, 0x11, 0x11), 1.5),
        ((0x22, 0x21, 0x12), 2.0),
        ((0x11,), 1.0),
        ((0x22,), 1.0),
        ((0x11, 0x11, 0x11, 0x11), 4.0),
        ((0x22, 0x11, 0x11, 0x22), 2.5),
        ((0x22, 0x10, 0x11), 3.0),  # no factor is 0
        ((0x22, 0x01, 0x11), 3.0),
        ((), 0.0),
    ],
)
def test_a_jpeg_s_samples_per_pixel_follow_from_its_sampling_factors(factors, samples):
    header = read_header(jpeg(frame(factors=factors), SCAN, STOP))
    assert header == Header("jpeg", 700, 300, complete=True, channels=len(factors), samples=samples, scans=1)


@pytest.mark.parametrize("code", range(0xC0, 0xD0))
def test_each_kind_of_jpeg_frame(code):
    """Table B.1: C4, C8 and CC are no frames; C0 to C2 are Huffman's with a discrete cosine transform."""
    data = jpeg(frame(code, bits=12), SCAN, STOP)
    if code <= 0xC2:
        assert (read_header(data).width, read_header(data).height, read_header(data).bits) == (700, 300, 12)
    else:
        no_frame = code in (0xC4, 0xC8, 0xCC)
        with pytest.raises(PictureRefused, match="before its size" if no_frame else "rare kind"):
            read_header(data)


@pytest.mark.parametrize("scans", [0, 1, 2, 5])
def test_a_jpeg_s_scans_are_counted(scans):
    assert read_header(jpeg(frame(0xC2), *[SCAN] * scans, STOP)).scans == max(1, scans)
    assert read_header(jpeg(SCAN, frame(), *[SCAN] * scans, STOP)).scans == max(1, scans)


def test_a_jpeg_s_first_frame_and_its_own_segments_count():
    inner = b"Exif\0\0" + tiff(6) + jpeg(segment(0xC0, bytes(15)), STOP)
    other = segment(0xC1, struct.pack(">BHHB", 8, 30, 70, 0))
    header = read_header(
        jpeg(segment(0xE1, inner), b"\xff\x01", b"\xff\xff\xff" + frame()[1:], other, SCAN, STOP)
    )
    assert (header.width, header.height, header.orientation, header.complete) == (700, 300, 6, True)
    for code, start in ((0xE0, b"Exif\0\0"), (0xE2, b"Exif\0\0"), (0xE1, b"Exif\0x"), (0xE1, b"http:\0")):
        assert read_header(jpeg(segment(code, start + tiff(6)), frame(), STOP)).orientation == 1


def test_a_jpeg_cut_off_anywhere_is_not_complete():
    size = frame()
    whole = jpeg(segment(0xE1, b"Exif\0\0" + tiff(8)), size, SCAN, STOP)
    start = whole.index(size) + 10  # up to the number of components
    for length in range(start, len(whole)):
        header = read_header(whole[:length])
        assert (header.complete, header.orientation) == (False, 8)
    for length in range(len(JPEG_SIGNATURE), start):
        with pytest.raises(PictureRefused, match="before its size"):
            read_header(whole[:length])
    with pytest.raises(PictureRefused, match="before its size"):
        read_header(jpeg(STOP, size, STOP))


@pytest.mark.parametrize("length", [0, 1, 2])
def test_a_jpeg_s_segment_is_at_least_its_length_s_two_bytes(length):
    odd = b"\xff\xe0" + struct.pack(">H", length)
    assert read_header(jpeg(odd, frame(), STOP)).complete


# WebP: RFC 9649, sections 2.3 (chunks), 2.5 and 2.6 (VP8, VP8L), 2.7 (VP8X);
# VP8's frame header: RFC 6386, 9.1


def riff(*chunks, over=0):
    body = b"WEBP" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body) + over) + body


def part(name, body):
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


LOSSY = bytes(3) + b"\x9d\x01\x2a" + struct.pack("<HH", 700 | 1 << 14, 300 | 2 << 14)
LOSSLESS = b"\x2f" + struct.pack("<I", 699 | 299 << 14)
CLEAR = b"\x2f" + struct.pack("<I", 699 | 299 << 14 | 1 << 28)


def extended(flags):
    return bytes((flags, 0, 0, 0)) + (699).to_bytes(3, "little") + (299).to_bytes(3, "little")


WEBP = [
    (b"VP8 ", LOSSY, 3, False),
    (b"VP8L", LOSSLESS, 4, False),
    (b"VP8L", CLEAR, 4, True),
    (b"VP8X", extended(0x00), 4, False),
    (b"VP8X", extended(0x10), 4, True),
    (b"VP8X", extended(0x2D), 4, False),  # all flags but those for alpha and for animation
]


@pytest.mark.parametrize(("name", "body", "channels", "alpha"), WEBP)
def test_a_webp_s_size(name, body, channels, alpha):
    wanted = Header("webp", 700, 300, complete=True, channels=channels, alpha=alpha)
    assert read_header(riff(part(name, body))) == wanted
    assert read_header(riff(part(name, body), part(b"VP8 ", bytes(40)))) == wanted  # the first tells it
    with pytest.raises(PictureRefused, match="before its size"):
        read_header(riff(part(name, body[:-1])))
    with pytest.raises(PictureRefused, match="before its size"):
        read_header(riff(part(b"VP8Z", body)))


@pytest.mark.parametrize(("name", "at"), [(b"VP8 ", 3), (b"VP8 ", 5), (b"VP8L", 0)])
def test_a_webp_s_frame_has_its_start_code(name, at):
    body = bytearray(LOSSY if name == b"VP8 " else LOSSLESS)
    body[at] ^= 1
    with pytest.raises(PictureRefused, match="before its size"):
        read_header(riff(part(name, bytes(body))))


def test_a_webp_s_later_chunks_tell_its_orientation():
    size, block = part(b"VP8X", extended(0x08)), part(b"EXIF", tiff(6))
    assert read_header(riff(size, part(b"ICCP", bytes(7)), block)).orientation == 6
    assert read_header(riff(size, part(b"EXIF", b"Exif\0\0" + tiff(6)))).orientation == 6
    assert read_header(riff(size, part(b"EXIF", tiff(6, at=90_000)))).orientation == 6
    assert read_header(riff(block, size)).width == 700
    assert read_header(riff(size, part(b"XMP ", tiff(6)))).orientation == 1
    assert read_header(riff(size) + block).orientation == 1  # outside the container
    with pytest.raises(PictureRefused, match="before its size"):
        read_header(riff(block))
    with pytest.raises(PictureRefused, match="animated"):
        read_header(riff(part(b"VP8X", extended(0x0A))))


@pytest.mark.parametrize(("over", "complete"), [(-1, True), (0, True), (1, False)])
def test_a_webp_is_as_long_as_it_says(over, complete):
    assert read_header(riff(part(b"VP8 ", LOSSY), over=over)).complete == complete


@pytest.mark.parametrize(("at", "match"), [(16, "HEIC"), (60, "HEIC"), (64, "not a picture")])
def test_a_brand_is_sought_in_the_first_bytes_only(at, match):
    box = bytearray((100).to_bytes(4, "big") + b"ftyp" + bytes(92))
    box[at : at + 4] = b"heic"
    with pytest.raises(PictureRefused, match=match):
        read_header(bytes(box))
    box[:4] = (20).to_bytes(4, "big")
    with pytest.raises(PictureRefused, match="HEIC" if at == 16 else "not a picture"):
        read_header(bytes(box))

"""Files that pretend to be pictures, pictures that pretend to be cards: the answer is always a reading or one
clear line.

SPOTWRIGHT_FUZZ=5000 pytest tests/vision/test_fuzz.py tries more than the everyday run.
"""

import os

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_picture import chunk

import vision

MANY = int(os.environ.get("SPOTWRIGHT_FUZZ", "28"))  # examples per test; benches set more
calm = settings(max_examples=MANY, deadline=None, suppress_health_check=list(HealthCheck))


def good_files():
    rng = np.random.default_rng(6)
    bgr = cv2.GaussianBlur(rng.integers(0, 255, (40, 56, 3)).astype(np.uint8), (0, 0), 3)
    deep = bgr.astype(np.uint16) * 257
    alpha = np.dstack([bgr, bgr[..., :1]])
    kinds = [
        (".jpg", bgr),
        (".jpg", bgr[..., 0]),
        (".png", bgr),
        (".png", deep),
        (".png", alpha),
        (".png", bgr[..., 0]),
    ]
    return [cv2.imencode(kind, picture)[1].tobytes() for kind, picture in kinds]


GOOD = good_files()


def answered(data):
    """Loads to upright BGR or is refused in one line; a picture is then read to an answer."""
    try:
        picture = vision.load_picture(data)
    except vision.PictureRefused as refused:
        assert str(refused)
        assert "\n" not in str(refused)
        return
    assert picture.dtype == np.uint8
    assert picture.ndim == 3
    assert picture.shape[2] == 3
    assert isinstance(vision.read(picture), vision.Reading | vision.NoReading)


@calm
@given(data=st.binary(max_size=400))
def test_any_bytes(data):
    answered(data)
    answered(b"\x89PNG\r\n\x1a\n" + data)
    answered(b"\xff\xd8\xff" + data)


@calm
@given(
    which=st.sampled_from(GOOD),
    at=st.floats(0, 1),
    patch=st.binary(min_size=1, max_size=12),
    cut=st.floats(0, 1),
)
def test_damaged_files(which, at, patch, cut):
    place = int(at * (len(which) - 1))
    answered(which[:place] + patch + which[place + len(patch) :])
    answered(which[: int(cut * len(which))])
    answered(which[:place] + patch + which[place:])


@calm
@given(
    size=st.tuples(st.integers(0, 2**31 - 1), st.integers(0, 2**31 - 1)),
    bits=st.sampled_from([1, 2, 4, 8, 16, 7]),
    colour=st.integers(0, 7),
    interlace=st.integers(0, 2),
    body=st.binary(max_size=80),
)
def test_png_headers_of_every_kind(size, bits, colour, interlace, body):
    head = np.array(size, ">u4").tobytes() + bytes([bits, colour, 0, 0, interlace])
    answered(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b""))


@calm
@given(
    rows=st.integers(1, 90),
    cols=st.integers(1, 90),
    channels=st.sampled_from([1, 3, 4]),
    deep=st.booleans(),
    seed=st.integers(0, 99),
)
def test_every_size_depth_and_channel_count(rows, cols, channels, deep, seed):
    rng = np.random.default_rng(seed)
    kind, most = (np.uint16, 65535) if deep else (np.uint8, 255)
    picture = rng.integers(0, most, (rows, cols, channels)).astype(kind)
    answered(cv2.imencode(".png", picture)[1].tobytes())
    if not deep and channels != 4:
        answered(cv2.imencode(".jpg", picture)[1].tobytes())


@settings(max_examples=max(MANY // 6, 6), deadline=None, suppress_health_check=list(HealthCheck))
@given(
    seed=st.integers(0, 9999),
    fill=st.sampled_from(["noise", "flat", "halves", "stripes", "black", "white"]),
    tilt=st.floats(0, 0.4),
    other=st.booleans(),
)
def test_a_true_card_with_nonsense_in_its_window(seed, fill, tilt, other):
    rng = np.random.default_rng(seed)
    card = np.repeat(vision.draw_card("mirror-3", dpi=90)[..., None], 3, axis=2)
    y, x = np.indices(card.shape[:2]) * 25.4 / 90
    inside = np.hypot(x - 45, y - 55) < 23
    noise = rng.integers(0, 255, card.shape)
    fills = {
        "noise": noise,
        "flat": np.full(card.shape, 120),
        "halves": np.where((x > 45)[..., None], 220, 30) * np.ones(3),
        "stripes": np.where((x.astype(int) % 4 < 2)[..., None], 200, 60) * np.ones(3),
        "black": np.zeros(card.shape),
        "white": np.full(card.shape, 255),
    }
    card[inside] = fills[fill][inside].astype(np.uint8)
    rows, cols = card.shape[:2]
    corners = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], np.float32)
    seen = corners + rng.uniform(-tilt, tilt, (4, 2)).astype(np.float32) * 90 + 60
    warp = cv2.getPerspectiveTransform(corners, seen)
    picture = cv2.warpPerspective(card, warp, (cols + 120, rows + 120), borderValue=(90, 90, 90))
    before = picture if not other else np.clip(picture * 0.9, 0, 255).astype(np.uint8)
    for answer in (vision.read(picture), vision.read(picture, before)):
        assert isinstance(answer, vision.Reading | vision.NoReading)
        for mark in getattr(answer, "marks", ()):
            assert np.isfinite([*mark.offset_mm, *mark.sigma_mm, *mark.width_mm]).all()
            assert min(mark.sigma_mm) > 0


@pytest.mark.parametrize("shape", [(5, 4000, 3), (4000, 5, 3), (300, 300, 3)])
def test_odd_sizes_without_a_card(shape):
    assert isinstance(vision.read(np.full(shape, 255, np.uint8)), vision.NoReading)

"""Black, white and blurred pictures are reported; everything that vision can still read is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from firmware.camera.picture_fault import picture_fault

RNG_SEED = 4


def board(*, square_px: int = 60) -> np.ndarray:
    """Black squares on white paper, like a card's, with sensor noise."""
    rows, cols = np.indices((720, 1280)) // square_px
    grey = np.where((rows + cols) % 2 == 0, 40.0, 210.0)
    noise = np.random.default_rng(RNG_SEED).normal(0, 2, grey.shape)
    return np.repeat(np.clip(grey + noise, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def blurred(sigma_px: float) -> np.ndarray:
    return cv2.GaussianBlur(board(), (0, 0), sigma_px)


@pytest.mark.parametrize("level", [0, 8])
def test_black_is_said_even_with_noise_and_a_hot_pixel(level: int) -> None:
    picture = np.random.default_rng(RNG_SEED).integers(0, level + 1, (720, 1280, 3)).astype(np.uint8)
    picture[300, 300] = 255
    fault = picture_fault(picture)
    assert fault is not None
    assert fault.code == "black"


def test_white_all_over_is_said() -> None:
    fault = picture_fault(np.full((480, 640, 3), 255, np.uint8))
    assert fault is not None
    assert fault.code == "white"


@pytest.mark.parametrize("sigma_px", [10, 14, 20])
def test_out_of_focus_is_said(sigma_px: float) -> None:
    fault = picture_fault(blurred(sigma_px))
    assert fault is not None
    assert fault.code == "blurred"


@pytest.mark.parametrize("sigma_px", [0.5, 2, 4, 6])
def test_what_can_still_be_read_is_no_fault(sigma_px: float) -> None:
    assert picture_fault(blurred(sigma_px)) is None


@pytest.mark.parametrize("gain", [0.4, 0.7, 1.0])
def test_neither_brightness_nor_contrast_counts_as_focus(gain: float) -> None:
    assert picture_fault((board() * gain).astype(np.uint8)) is None
    fault = picture_fault((blurred(16) * gain + 40).astype(np.uint8))
    assert fault is not None
    assert fault.code == "blurred"


def test_an_even_wall_is_no_fault() -> None:
    wall = np.random.default_rng(RNG_SEED).normal(120, 3, (720, 1280, 3))
    assert picture_fault(wall.astype(np.uint8)) is None

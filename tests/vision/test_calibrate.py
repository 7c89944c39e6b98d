"""The lens model: found again from a simulated lens, and useful."""

from functools import cache

import cv2
import numpy as np
import pytest
import scenes

import vision
from vision.grid import grid_shapes
from vision.raster import draw_shapes

SIZE = (800, 600)
FOCAL = 760.0
LENS = np.array([-0.18, 0.05, 0.0008, -0.0005, 0.0])
INNER = np.array([(FOCAL, 0, 405.0), (0, FOCAL, 293.0), (0, 0, 1.0)])
DPI = 110.0


@cache
def straight_rays():
    """The ray (x / z, y / z) of each pixel, row by row."""
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    pixels = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    return unbent((pixels - INNER[:2, 2]) / FOCAL)


def unbent(bent):
    """Straight rays (n, 2) of bent ones, by fixed-point iteration of Brown's formula."""
    k1, k2, p1, p2, k3 = LENS
    x, y = bent.T
    for _ in range(40):
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        x, y = (
            (bent[:, 0] - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial,
            (bent[:, 1] - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial,
        )
    return np.column_stack([x, y])


def seen(page, middle_mm, turn_deg, away_mm, rng):
    """A plane picture through a lens after Brown: each pixel is looked up along its straight ray."""
    turn = cv2.Rodrigues(np.radians(turn_deg).astype(float))[0] @ np.diag([1.0, -1.0, -1.0])
    plane = np.column_stack([turn[:, 0], turn[:, 1], (0, 0, away_mm)])
    rays = straight_rays()
    mm = np.column_stack([rays, np.ones(len(rays))]) @ np.linalg.inv(plane).T
    mm = mm[:, :2] / mm[:, 2:]
    at = ((mm * (1, -1) + middle_mm) * DPI / 25.4 - 0.5).reshape(SIZE[1], SIZE[0], 2).astype(np.float32)
    smooth = cv2.GaussianBlur(page, (0, 0), 1.0)
    grey = cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=90).astype(float)
    noisy = grey * 0.85 + 15 + rng.normal(0, 1.0, grey.shape)
    return cv2.cvtColor(np.clip(np.rint(noisy), 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)


@pytest.fixture(scope="module")
def grid_pictures():
    rng = np.random.default_rng(8)
    page = draw_shapes(grid_shapes(), (200.0, 250.0), (100.0, 115.0), dpi=DPI)
    turns = [(0, 0, 90), (25, 0, 90), (-25, 5, 85), (0, 28, 95), (8, -28, 90), (18, 18, 100)]
    return [seen(page, (100.0, 115.0), turn, 240.0, rng) for turn in turns]


def test_the_lens_is_found_again(grid_pictures):
    camera = vision.calibrate(grid_pictures)
    assert camera.rms_px < 0.1
    assert camera.matrix[0, 0] == pytest.approx(FOCAL, rel=0.004)
    assert camera.matrix[:2, 2] == pytest.approx(INNER[:2, 2], abs=2.0)
    assert camera.distortion[0] == pytest.approx(LENS[0], abs=0.02)
    again = vision.CameraModel.from_json(camera.as_json())
    assert np.array_equal(again.matrix, camera.matrix)
    assert again.size_px == camera.size_px


def test_a_card_far_off_centre_reads_right_with_the_model(grid_pictures):
    camera = vision.calibrate(grid_pictures)
    page = vision.draw_card("mirror-1", dpi=DPI)
    y, x = (np.indices(page.shape) + 0.5) * 25.4 / DPI
    page[np.hypot(x - 45 - 6.0, 55 - 5.0 - y) < 2.5] = 60
    rng = np.random.default_rng(9)
    picture = seen(page, (45.0 - 40.0, 55.0 + 10.0), (20, 10, 5), 170.0, rng)
    straight = vision.read(picture, camera=camera)
    bent = vision.read(picture)
    assert straight.marks[0].offset_mm == pytest.approx((6.0, 5.0), abs=0.03)
    error = np.hypot(*np.subtract(bent.marks[0].offset_mm, (6.0, 5.0)))
    assert error < 0.3
    assert straight.card.rms_px < bent.card.rms_px


def test_too_little_to_calibrate_is_said(grid_pictures):
    with pytest.raises(vision.CalibrationFailed, match="2 of 3"):
        blank = np.full_like(grid_pictures[0], 200)
        vision.calibrate([*grid_pictures[:2], blank])
    with pytest.raises(vision.CalibrationFailed, match="differ in size"):
        vision.calibrate([grid_pictures[0], grid_pictures[1][:-1]])
    with pytest.raises(vision.CalibrationFailed, match="0 of 0"):
        vision.calibrate([])
    for data in ({}, {"matrix": 3}, {"matrix": [[1]], "distortion": [0], "size_px": [1, 2], "rms_px": 0}):
        with pytest.raises(vision.CalibrationFailed, match="calibration"):
            vision.CameraModel.from_json(data)


def test_a_picture_of_another_size_is_refused(grid_pictures):
    camera = vision.CameraModel(INNER, LENS, SIZE, 0.1)
    with pytest.raises(vision.CalibrationFailed, match="does not suit"):
        camera.straighten(scenes.render(scenes.Scene(), np.random.default_rng(0), fine=1))


def test_the_grid_prints_at_true_scale(tmp_path):
    from pypdf import PdfReader

    vision.write_grid_pdf(tmp_path / "grid.pdf")
    (page,) = PdfReader(tmp_path / "grid.pdf").pages
    assert "print at 100 %" in " ".join(page.extract_text().split())

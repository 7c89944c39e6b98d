import cv2
import numpy as np
import pytest

from server.practice.view import COLS, ROWS, Pose, homography, pose_for, sway

CORNERS_MM = np.array([[-45.0, 55.0], [45.0, 55.0], [45.0, -55.0], [-45.0, -55.0]])


def _seen(matrix: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points_mm[None], matrix)[0]


@pytest.mark.parametrize("seed", range(20))
def test_the_card_fills_the_height_at_six_pixels_a_millimetre(seed: int) -> None:
    pose = pose_for(np.random.default_rng(seed))
    assert 25 <= abs(pose.yaw_deg) <= 35
    seen = _seen(homography(pose, CORNERS_MM), CORNERS_MM)
    assert (seen.min(axis=0) > 4).all()
    assert (seen.max(axis=0) < [COLS - 5, ROWS - 5]).all()
    upright = np.linalg.norm(seen[[0, 1]] - seen[[3, 2]], axis=1) / 110
    assert upright.min() >= 5.7
    assert upright.mean() >= 6.0


def test_the_view_is_the_pinhole_of_an_outside_library() -> None:
    """cv2.projectPoints with the pose that solvePnP finds projects the card to the same pixels."""
    points = np.random.default_rng(1).uniform(-40, 40, (30, 2))
    seen = _seen(homography(Pose(30, 4, 1), CORNERS_MM), points)
    solid = np.column_stack([points[:, 0], -points[:, 1], np.zeros(30)])
    focal = 520 * 6.2
    best = None
    for f_px in focal * np.linspace(0.9, 1.1, 81):
        lens = np.array([[f_px, 0, 639.5], [0, f_px, 359.5], [0, 0, 1]])
        _, turn, shift = cv2.solvePnP(solid, seen, lens, None)
        again = cv2.projectPoints(solid, turn, shift, lens, None)[0][:, 0]
        off = np.abs(again - seen).max()
        best = off if best is None else min(best, off)
    assert best < 0.15  # px, on a grid of focal lengths


def test_u_goes_right_and_v_up() -> None:
    matrix = homography(Pose(-30, 0, 0), CORNERS_MM)
    origin, right, up = _seen(matrix, np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    assert right[0] > origin[0]
    assert up[1] < origin[1]


def test_the_sway_is_slow_and_small() -> None:
    middle = np.array([[COLS / 2, ROWS / 2]])
    path = np.array([_seen(sway(t), middle)[0] for t in np.arange(0, 60, 1 / 15)]) - middle
    assert 1.0 < np.abs(path).max() < 3.0
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).max() < 0.3

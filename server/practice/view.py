"""Where the practice camera is: a pinhole camera beside the beam that looks at the card from the side."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["COLS", "ROWS", "Pose", "homography", "pose_for", "sway"]

ROWS, COLS = 720, 1280
_MARGIN_PX = 9.0
_DISTANCE_MM = 520.0

Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """How the camera sees one card, in degrees: yaw about the card's upright, pitch, roll."""

    yaw_deg: float
    pitch_deg: float
    roll_deg: float


def pose_for(rng: np.random.Generator) -> Pose:
    """Return a pose like that of a clip's camera: 25–35° to one side, slightly raised and rotated."""
    side = rng.choice((-1.0, 1.0))
    return Pose(
        yaw_deg=float(side * rng.uniform(25.5, 34.0)),
        pitch_deg=float(rng.uniform(-4.0, 6.0)),
        roll_deg=float(rng.uniform(-1.5, 1.5)),
    )


def homography(pose: Pose, corners_mm: Matrix) -> Matrix:
    """Return the (3, 3) map from card mm (u right, v up) to picture px (x right, y down).

    corners_mm : (4, 2), the sheet's corners in the card frame. The sheet is centred in the picture and fills
        its height but for a narrow margin; the projection is an exact pinhole.
    """
    plane = _rotation(pose)[:, :2] @ np.diag([1.0, -1.0])
    middle_mm = corners_mm.mean(axis=0)
    shift = np.array([0.0, 0.0, _DISTANCE_MM]) - plane @ middle_mm
    bare = np.column_stack([plane, shift])
    seen = _project(bare, corners_mm)
    low, high = seen.min(axis=0), seen.max(axis=0)
    focal_px = (ROWS - 2 * _MARGIN_PX) / (high[1] - low[1])
    centre_px = np.array([(COLS - 1) / 2, (ROWS - 1) / 2]) - focal_px * (low + high) / 2
    lens = np.array([[focal_px, 0.0, centre_px[0]], [0.0, focal_px, centre_px[1]], [0.0, 0.0, 1.0]])
    whole = lens @ bare
    return np.asarray(whole / whole[2, 2], np.float64)


def sway(time_s: float) -> Matrix:
    """Return the (3, 3) picture-to-picture motion of a clip that sways with the machine: ±2 px, slow."""
    x_px = 1.3 * math.sin(0.83 * time_s) + 0.5 * math.sin(2.1 * time_s + 1.0)
    y_px = 0.9 * math.sin(0.61 * time_s + 2.0) + 0.4 * math.sin(1.7 * time_s)
    turn = 4e-4 * math.sin(0.47 * time_s)
    about = np.array([[1.0, -turn, x_px], [turn, 1.0, y_px], [0.0, 0.0, 1.0]])
    to_middle = np.array([[1.0, 0.0, -COLS / 2], [0.0, 1.0, -ROWS / 2], [0.0, 0.0, 1.0]])
    back = np.array([[1.0, 0.0, COLS / 2], [0.0, 1.0, ROWS / 2], [0.0, 0.0, 1.0]])
    moved: Matrix = back @ about @ to_middle
    return moved


def _rotation(pose: Pose) -> Matrix:
    yaw, pitch, roll = np.radians([pose.yaw_deg, pose.pitch_deg, pose.roll_deg])
    about_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    turned: Matrix = about_z @ about_x @ about_y
    return turned


def _project(matrix: Matrix, points_mm: Matrix) -> Matrix:
    seen = np.column_stack([points_mm, np.ones(len(points_mm))]) @ matrix.T
    flat: Matrix = seen[:, :2] / seen[:, 2:]
    return flat

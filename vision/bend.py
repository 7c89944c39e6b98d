"""A card that is bent: its sheet lies on a cylinder instead of a plane.

The cylinder touches the card's plane along a line through the window's middle. A point of the flat sheet is
then at some height z under that plane, and the camera sees it where its line of sight meets the plane. So a
bent card is handled as a flat card whose points are elsewhere (`Bend.apparent`); all other code stays the
same.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.card import Floats

_FOCAL = 0.8  # of the picture's longer side, as most cameras have it …
FOCAL_SPREAD, ORTHOGONAL = 0.25, 0.004  # … within this sd of its logarithm; accuracy of a card's axes
_TRIES = np.exp(np.linspace(-0.75, 0.75, 31))
_PAIRS = ((0, 0), (1, 1), (0, 1))
_CURVED, _DIRECTIONS, _FOLLOWED = (-1 / 110, -1 / 250, 1 / 250, 1 / 110), 6, 2  # tries for the corners' fit
_STEEPEST = 1.2  # radians of arc from the middle to a point: beyond it the sheet turns its edge to the camera
_ROUNDS, _ENOUGH = 15, 1e-2  # px²
_STEPS = np.array([1e-6, 1e-4, 1e-4])  # for derivatives by curvature, direction and logarithm of focal length
_LONGEST_STEP = np.array([0.004, 0.5, 0.3])
_CORNER_PX = 1.0  # the detector's accuracy


@dataclass(frozen=True)
class Bend:
    """A cylinder: curvature in 1/mm, positive where the card's sides turn away from the camera, the direction
    (radians, from +u towards +v) across its axis, and the camera's place in card mm, (3,).
    """

    curvature: float
    direction: float
    eye: tuple[float, float, float]

    @property
    def radius_mm(self) -> float:
        """Radius of the cylinder."""
        return 1 / max(abs(self.curvature), 1e-9)

    def apparent(self, points: Floats) -> Floats:
        """Return where points of the flat sheet, (..., 2) mm, are seen on the card's plane."""
        across = np.array([np.cos(self.direction), np.sin(self.direction)])
        arc = points @ across
        angle = np.clip(arc * self.curvature, -_STEEPEST, _STEEPEST)
        moved = arc * (np.sinc(angle / np.pi) - 1)
        depth = -arc * np.sin(angle / 2) * np.sinc(angle / 2 / np.pi)
        at = points + moved[..., None] * across
        return np.asarray(at + (at - self.eye[:2]) * (depth / (self.eye[2] - depth))[..., None])

    def turned(self, more_curvature: float, more_direction: float) -> Bend:
        """Return a cylinder that differs a little."""
        return Bend(self.curvature + more_curvature, self.direction + more_direction, self.eye)

    def seen_from(self, eye: Floats) -> Bend:
        """Return the same cylinder as another camera sees it."""
        return Bend(self.curvature, self.direction, (float(eye[0]), float(eye[1]), float(eye[2])))


def apparent(points: Floats, bend: Bend | None) -> Floats:
    """Return where points of a card, (..., 2) mm, are seen on its plane."""
    return points if bend is None else bend.apparent(points)


def likeliest_focal(homography: Floats, shape: tuple[int, ...]) -> float:
    """Return the focal length, relative to the usual one, that makes the card's axes square and equal."""
    middle = (np.array(shape[1::-1]) - 1) / 2
    flat = homography[:2, :2] - np.outer(middle, homography[2, :2])
    per_focal = 1 / (_TRIES * _FOCAL * max(shape[:2])) ** 2
    # squares and products of the first two columns, for every focal length at once
    square = [per_focal * (flat[:, i] @ flat[:, j]) + homography[2, i] * homography[2, j] for i, j in _PAIRS]
    one, other, both = square
    unit = np.sqrt(one * other)
    uneven = np.square(both / unit) + np.square((one - other) / unit / 2)
    costs = uneven / ORTHOGONAL**2 + (np.log(_TRIES) / FOCAL_SPREAD) ** 2
    return float(_TRIES[int(np.argmin(costs))])


def bend_of_tensor(tensor: Floats, eye: Floats) -> Bend:
    """Return the cylinder nearest to a surface of curvatures uu, uv and vv, (3,), before a camera."""
    values, vectors = np.linalg.eigh(np.array([(tensor[0], tensor[1] / 2), (tensor[1] / 2, tensor[2])]))
    most = int(np.argmax(np.abs(values)))
    way = float(np.arctan2(vectors[1, most], vectors[0, most]))
    return Bend(float(values[most]), way, (0.0, 0.0, 1.0)).seen_from(eye)


def eye_of(homography: Floats, shape: tuple[int, ...], ratio: float) -> Floats:
    """Return the camera's place (3,) in card mm.

    `homography` maps card mm to px of a picture of a shape (rows, cols); `ratio` is the focal length relative
    to the usual one. Pixels are taken as square and the axis as in the picture's middle (Zhang 2000).
    """
    middle = (np.array(shape[1::-1]) - 1) / 2
    columns = homography.copy()
    columns[:2] = (columns[:2] - np.outer(middle, columns[2])) / (ratio * _FOCAL * max(shape[:2]))
    columns /= np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1])) * np.sign(columns[2, 2])
    first, second, place = columns.T
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    return np.asarray(-(left @ right).T @ place)


def bend_of_corners(sheet: Floats, seen: Floats, shape: tuple[int, ...]) -> tuple[Floats, Bend]:
    """Return the homography and the cylinder that explain corners seen at (n, 2) px, n ≥ 8, of a picture of a
    shape; `sheet` (n, 2) is where they stand on the flat sheet.
    """
    tries = [
        np.array([curved, way, 0.0])
        for curved in _CURVED
        for way in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
    ]
    squares = [float(np.square(_corners_off(sheet, seen, shape, t)[0]).sum()) for t in tries]
    order = np.argsort(squares)[:_FOLLOWED]
    found = [_descend(sheet, seen, shape, tries[i]) for i in order]
    params = min(found, key=lambda one: one[0])[1]
    _, homography, eye = _corners_off(sheet, seen, shape, params)
    return homography, Bend(float(params[0]), float(params[1]), (0.0, 0.0, 1.0)).seen_from(eye)


def _descend(sheet: Floats, seen: Floats, shape: tuple[int, ...], params: Floats) -> tuple[float, Floats]:
    """Levenberg–Marquardt in curvature, direction and logarithm of the focal length; returns the sum of
    squares and the parameters.
    """
    left = _corners_off(sheet, seen, shape, params)[0]
    damp = 1e-2
    for _ in range(_ROUNDS):
        moved = [_corners_off(sheet, seen, shape, params + step)[0] for step in np.diag(_STEPS)]
        slopes = (np.stack(moved) - left) / _STEPS[:, None]
        matrix = slopes @ slopes.T
        step = -np.linalg.solve(matrix + np.diag(damp * np.diag(matrix) + 1e-12), slopes @ left)
        tried = params + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
        new_left = _corners_off(sheet, seen, shape, tried)[0]
        gain = float(left @ left - new_left @ new_left)
        damp *= 0.2 if gain > 0 else 10
        if gain > 0:
            params, left = tried, new_left
        if 0 < gain < _ENOUGH:
            break
    return float(left @ left), params


def _corners_off(
    sheet: Floats, seen: Floats, shape: tuple[int, ...], params: Floats
) -> tuple[Floats, Floats, Floats]:
    """Residuals (2n + 1,) of the corners on a cylinder, in the pose that fits best, and of the focal length;
    the homography of the plane that touches the cylinder; and the camera's place (3,).
    """
    across = np.array([np.cos(params[1]), np.sin(params[1])])
    arc = sheet @ across
    angle = np.clip(arc * params[0], -_STEEPEST, _STEEPEST)
    flat = sheet + (arc * (np.sinc(angle / np.pi) - 1))[:, None] * across
    solid = np.column_stack([flat, -arc * np.sin(angle / 2) * np.sinc(angle / 2 / np.pi)])
    focal = float(np.exp(params[2])) * _FOCAL * max(shape[:2])
    inner = np.array([(focal, 0, (shape[1] - 1) / 2), (0, focal, (shape[0] - 1) / 2), (0, 0, 1.0)])
    _, turn, place = cv2.solvePnP(solid, seen, inner, np.zeros(5), flags=cv2.SOLVEPNP_SQPNP)
    rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
    there = (solid @ rotation.T + np.asarray(place, dtype=float).ravel()) @ inner.T
    off = (there[:, :2] / there[:, 2:] - seen).ravel()
    homography = inner @ np.column_stack([rotation[:, :2], place])
    eye = np.asarray(-rotation.T @ np.asarray(place, dtype=float).ravel())
    return np.r_[off, _CORNER_PX * params[2] / FOCAL_SPREAD], homography / homography[2, 2], eye

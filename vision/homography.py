"""Plane projective maps between the card (mm) and the picture (px), and small helpers about them."""

from __future__ import annotations

import numpy as np

from vision.card import Floats


def project(homography: Floats, points: Floats) -> Floats:
    """Map points, shape (..., 2), by a 3 × 3 homography."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:])


def jacobian(homography: Floats, points: Floats) -> Floats:
    """Derivative of `project` at points (n, 2): shape (n, 2, 2), px per mm."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    depth = mapped[:, 2, None, None]
    upper = np.broadcast_to(homography[:2, :2], (len(points), 2, 2))
    return (upper - (mapped[:, :2] / mapped[:, 2:])[:, :, None] * homography[2, :2]) / depth


def fit_homography(source: Floats, target: Floats) -> Floats:
    """Least-squares homography from source to target points (n, 2), n ≥ 4.

    Normalised direct linear transform (Hartley and Zisserman, Multiple View Geometry, algorithm 4.2).
    """
    to_unit, from_unit = _normaliser(source), _normaliser(target)
    s, t = project(to_unit, source), project(from_unit, target)
    one = np.ones(len(s))
    zero = np.zeros((len(s), 3))
    rows = np.column_stack([s, one])
    system = np.vstack([np.hstack([rows, zero, -t[:, :1] * rows]), np.hstack([zero, rows, -t[:, 1:] * rows])])
    solution = np.linalg.svd(system)[2][-1].reshape(3, 3)
    homography = np.linalg.inv(from_unit) @ solution @ to_unit
    return np.asarray(homography / homography[2, 2])


def _normaliser(points: Floats) -> Floats:
    """Similarity that moves points to the origin at mean distance √2."""
    centre = points.mean(0)
    scale = np.sqrt(2) / max(float(np.linalg.norm(points - centre, axis=1).mean()), 1e-12)
    return np.array([(scale, 0, -scale * centre[0]), (0, scale, -scale * centre[1]), (0, 0, 1.0)])


def scale_and_tilt(homography: Floats) -> tuple[float, float]:
    """Return px per mm and tilt in degrees at the card's centre.

    The short and the long axis of a small circle's image are in the ratio cos(tilt) for a camera that looks
    at the card's centre, whatever its focal length.
    """
    long_axis, short_axis = np.linalg.svd(jacobian(homography, np.zeros((1, 2)))[0], compute_uv=False)
    tilt = np.degrees(np.arccos(np.clip(short_axis / long_axis, 0, 1)))
    return float(np.sqrt(long_axis * short_axis)), float(tilt)


def pixel_shift(scale: float) -> Floats:
    """Map from pixel coordinates to those of the picture resized by `scale`, both from pixel centres."""
    offset = 0.5 * scale - 0.5
    return np.array([(scale, 0, offset), (0, scale, offset), (0, 0, 1.0)])

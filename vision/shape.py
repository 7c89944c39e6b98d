"""The shape of a mark from its outline: round, stretched, cut off, or double.

Four plain figures are fitted to the outline by least squares of the distances: a circle, an ellipse, a
circle with one side cut off by a straight line, two overlapping circles. The simplest that fits well enough
names the shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import Floats

_POINTS = 72
_STARTS = 12
_STRETCHED = 1.25
_LEAST_LONG = 1.15  # two lobes make a longer mark
_BETTER = 0.78  # a cut or double figure must leave less than this share of what an ellipse leaves
_LEAST_CUT = 0.10  # depth of the cut as a share of the diameter
_LEAST_APART = 0.6  # distance of two lobes as a share of the larger radius
_GOOD_ENOUGH = 0.012  # an outline this close to an ellipse, as a share of the radius, needs no other figure

Distance = Callable[[Floats, Floats], Floats]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Figure:
    """A shape's name; where they apply, the direction of the missing side, the centres (u, v) of the two
    lobes, and the test for points inside.
    """

    name: str
    flat_side_deg: float | None = None
    lobes: tuple[Floats, Floats] | None = None
    inside: Callable[[Floats, Floats], Mask] | None = None


def outline_points(height: Floats, to_mm: Floats, near_px: tuple[float, float]) -> Floats:
    """Points (n, 2) in mm along the half-height outline of the blob at a crop's pixel (1 = full height)."""
    fine = 3
    big = cv2.resize(height.astype(np.float32), None, fx=fine, fy=fine, interpolation=cv2.INTER_CUBIC)
    mask = (cv2.GaussianBlur(big, (0, 0), 0.9 * fine) > 0.5).astype(np.uint8)
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return np.empty((0, 2))
    at = ((near_px[0] + 0.5) * fine - 0.5, (near_px[1] + 0.5) * fine - 0.5)
    holding = [o for o in outlines if cv2.pointPolygonTest(o, at, False) >= 0]
    points = max(holding or list(outlines), key=cv2.contourArea).reshape(-1, 2).astype(float)
    points = points[:: max(1, len(points) // _POINTS)]
    crop = (points + 0.5) / fine - 0.5
    return np.asarray(crop @ to_mm[:2, :2].T + to_mm[:2, 2])


def name_shape(points: Floats, axis_ratio: float) -> Figure:
    """Return the simplest figure that fits an outline (n, 2), mm; `axis_ratio` is the fitted oval's."""
    plain = Figure("stretched" if axis_ratio > _STRETCHED else "round")
    if len(points) < 12:
        return plain
    centre, radius = points.mean(0), float(np.sqrt(points.var(axis=0).sum()))
    unit = (points - centre) / radius
    oval_rms = _oval_rms(unit)
    if oval_rms < _GOOD_ENOUGH:
        return plain
    cut, cut_rms = _fit_cut(unit)
    pair, pair_rms = _fit_pair(unit)
    if min(cut_rms, pair_rms) > _BETTER * oval_rms:
        return plain
    if cut_rms <= pair_rms and (1 - cut[4] / cut[2]) / 2 > _LEAST_CUT:
        return _cut_figure(cut, centre, radius)
    apart = float(np.hypot(*(pair[:2] - pair[3:5])))
    if pair_rms < cut_rms and axis_ratio > _LEAST_LONG and apart > _LEAST_APART * max(pair[2], pair[5]):
        return _pair_figure(pair, centre, radius)
    return plain


def region_moments(
    inside: Callable[[Floats, Floats], Mask], box: tuple[Floats, Floats]
) -> tuple[Floats, float, float]:
    """Centroid (2,) and second-moment full widths (long, short) of a region in a box, by summation."""
    (u0, v0), (u1, v1) = box
    u, v = np.linspace(u0, u1, 200)[None, :], np.linspace(v0, v1, 200)[:, None]
    mask = inside(*np.broadcast_arrays(u, v))
    uu, vv = np.broadcast_arrays(u, v)
    at = np.stack([uu[mask], vv[mask]])
    long_axis, short_axis = np.sqrt(np.linalg.eigvalsh(np.cov(at))[::-1])
    return at.mean(axis=1), float(4 * long_axis), float(4 * short_axis)


def _least_squares(distance: Distance, params: Floats, points: Floats) -> tuple[Floats, float]:
    """Damped Gauss–Newton with a numerical Jacobian; returns the parameters and the rms distance."""
    rest = distance(params, points)
    steps, damp = 1e-4 * np.eye(len(params)), 1e-2 * np.eye(len(params))
    for _ in range(12):
        jacobian = np.stack([(distance(params + s, points) - rest) / 1e-4 for s in steps], axis=1)
        params = params - np.linalg.solve(jacobian.T @ jacobian + damp, jacobian.T @ rest)
        before, rest = rest, distance(params, points)
        if abs(before @ before - rest @ rest) < 1e-5 * (rest @ rest):
            break
    return params, float(np.sqrt(np.mean(rest**2)))


def _oval_rms(points: Floats) -> float:
    def distance(p: Floats, at: Floats) -> Floats:
        d = at - p[:2]
        q = d @ np.array([(p[2], p[3]), (p[3], p[4])])
        rho = np.linalg.norm(d, axis=1)
        return np.asarray(rho - rho / np.maximum(np.linalg.norm(q, axis=1), 1e-6))

    return _least_squares(distance, np.array([0.0, 0.0, 1.0, 0.0, 1.0]), points)[1]


def _cut_distance(p: Floats, at: Floats) -> Floats:
    """Signed distance to a circle (u, v, radius) cut by the line at distance p[4] in direction p[3]."""
    d = at - p[:2]
    way = np.array([np.cos(p[3]), np.sin(p[3])])
    return np.asarray(np.maximum(np.linalg.norm(d, axis=1) - p[2], d @ way - p[4]))


def _pair_distance(p: Floats, at: Floats) -> Floats:
    """Signed distance to the union of two circles (u, v, radius each)."""
    first = np.linalg.norm(at - p[:2], axis=1) - p[2]
    return np.asarray(np.minimum(first, np.linalg.norm(at - p[3:5], axis=1) - p[5]))


def _fit_cut(points: Floats) -> tuple[Floats, float]:
    """Best circle with a cut, from starts all around."""
    angle = np.arange(_STARTS) * 2 * np.pi / _STARTS
    starts = [
        np.array([-t * np.cos(a), -t * np.sin(a), 1.0 + t, a, 1.0 - t]) for a in angle for t in (0.2, 0.6)
    ]
    rough = sorted(starts, key=lambda s: float(np.sum(_cut_distance(s, points) ** 2)))[:4]
    return min((_least_squares(_cut_distance, s, points) for s in rough), key=lambda found: found[1])


def _fit_pair(points: Floats) -> tuple[Floats, float]:
    """Best two circles, from starts along the long axis with either or neither the larger."""
    axis = np.linalg.svd(points, full_matrices=False)[2][0]
    sizes = ((0.7, 0.7), (0.85, 0.5), (0.5, 0.85))
    starts = [np.array([*(0.5 * axis), a, *(-0.5 * axis), b]) for a, b in sizes]
    return min((_least_squares(_pair_distance, s, points) for s in starts), key=lambda found: found[1])


def _within(distance: Distance, params: Floats) -> Callable[[Floats, Floats], Mask]:
    """Whether points (u, v), arrays of any one shape, lie within a figure."""

    def inside(u: Floats, v: Floats) -> Mask:
        points = np.stack([u.ravel(), v.ravel()], axis=1)
        return np.asarray(distance(params, points).reshape(u.shape) < 0)

    return inside


def _cut_figure(cut: Floats, centre: Floats, radius: float) -> Figure:
    whole = np.array([*(cut[:2] * radius + centre), cut[2] * radius, cut[3], cut[4] * radius])
    flat_side_deg = float(np.degrees(cut[3]) % 360)
    return Figure("cut-off", flat_side_deg=flat_side_deg, inside=_within(_cut_distance, whole))


def _pair_figure(pair: Floats, centre: Floats, radius: float) -> Figure:
    lobes = np.array(
        [*(pair[:2] * radius + centre), pair[2] * radius, *(pair[3:5] * radius + centre), pair[5] * radius]
    )
    return Figure("double", lobes=(lobes[:2], lobes[3:5]), inside=_within(_pair_distance, lobes))

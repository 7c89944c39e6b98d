"""A few shapes made with the CAD kernel (manifold3d), all printable as they stand: no roof below 45°."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from manifold3d import CrossSection, FillRule, Manifold
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Points = Sequence[tuple[float, float]] | Floats
AXES = {  # the plane's first and second axis, and the direction of extrusion, as columns
    "x": np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]], float),  # polygon in (y, z), along x
    "y": np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]], float),  # polygon in (x, z), along −y
    "z": np.eye(3),  # polygon in (x, y), along z
}


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Manifold:
    """An upright box between the given sides."""
    low, high = np.array([x, y, z]).T
    return Manifold.cube(tuple(high - low)).translate(tuple(low))


def section(points: Points) -> CrossSection:
    """A polygon, with its corners in either order of rotation."""
    return CrossSection(
        [np.asarray(points, float)], FillRule.NonZero if _area(points) > 0 else FillRule.Negative
    )


def _area(points: Points) -> float:
    x, y = np.asarray(points, float).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def prism(shape: CrossSection | Points, axis: str, sides: tuple[float, float]) -> Manifold:
    """A polygon in the plane across `axis`, from one place on that axis to another."""
    frame, (low, high) = AXES[axis], sides
    start = -high if axis == "y" else low
    return placed(shape, frame, frame[:, 2] * start, high - low)


def placed(shape: CrossSection | Points, frame: Floats, at: Floats, depth: float) -> Manifold:
    """A polygon in the plane of `frame`'s first two columns at a point, extruded along the third."""
    flat = shape if isinstance(shape, CrossSection) else section(shape)
    return flat.extrude(depth).transform(np.column_stack([frame, at]))


def drop(radius: float, *, facets: int = 48) -> CrossSection:
    """A circle with a roof of 45° on top: a hole that lies on its side and prints without support."""
    tip = radius * np.sqrt(2.0)
    roof = section(
        [(-radius / np.sqrt(2), radius / np.sqrt(2)), (radius / np.sqrt(2), radius / np.sqrt(2)), (0, tip)]
    )
    return CrossSection.circle(radius, facets) + roof


def house(half_width: float, low: float, high: float) -> CrossSection:
    """A rectangle with a roof of 45° whose ridge is at `high`."""
    eaves = high - half_width
    return section(
        [(-half_width, low), (half_width, low), (half_width, eaves), (0, high), (-half_width, eaves)]
    )


def diamond(half: float) -> CrossSection:
    """A square standing on its corner."""
    return section([(0, -half), (half, 0), (0, half), (-half, 0)])


def bore(radius: float, start: Floats, direction: Floats, depth: float, *, roof: bool = True) -> Manifold:
    """A round hole from a point along a direction; with a roof towards +z where it lies on its side."""
    ahead = direction / np.linalg.norm(direction)
    up = np.array([0.0, 0.0, 1.0]) - ahead[2] * ahead
    up = up / np.linalg.norm(up)
    frame = np.column_stack([np.cross(up, ahead), up, ahead])
    return placed(drop(radius) if roof else CrossSection.circle(radius, 48), frame, start, depth)

"""Exact 3-D trace of the beam's axis through the whole path by vector reflection.

Everything works on arrays with leading batch dimensions and on complex numbers, so that derivatives can be
had by complex steps (Squire & Trapp, SIAM Review 40, 1998: f'(x) = Im f(x + ih)/h, exact to rounding).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .profile import STATIONS, Profile

Array = NDArray[Any]

X, Y, Z = np.eye(3)


@dataclass(frozen=True)
class State:
    """How far the parts of a machine stand from nominal, mm.

    tube_mm : (..., 2, 2), [[exit mount dY, dZ], [far mount dY, dZ]].
    contact_mm : (..., 3, 3), [mirror, contact], displacement of each contact point along the nominal +n.
    shift_mm : (..., 3, 3), [mirror, XYZ], displacement of each whole mount, card included.
    carry_mm : (..., 3), XYZ, how far the rails carry the head (mirror 3, lens, nozzle) off its nominal place.
    """

    tube_mm: Array
    contact_mm: Array
    shift_mm: Array
    carry_mm: Array = field(default_factory=lambda: np.zeros(3))

    @staticmethod
    def nominal() -> State:
        """A perfectly built machine."""
        return State(np.zeros((2, 2)), np.zeros((3, 3)), np.zeros((3, 3)))


@dataclass(frozen=True)
class Frames:
    """Nominal directions of one layout: rows are mirror 1–3 (legs: into mirror 1, 2, 3, down)."""

    along: Array  # (4, 3) direction d of the beam into each station
    u: Array  # (4, 3)
    v: Array  # (4, 3)
    across: Array  # (4, 3, 2) u and v side by side
    normal: Array  # (3, 3) n of each mirror
    r: Array  # (3, 3)
    t: Array  # (3, 3)


@lru_cache(maxsize=8)
def frames(corner: str) -> Frames:
    """Nominal frames of a layout, as in the interface: u = d × v; r = n × t."""
    side = 1.0 if corner == "back-left" else -1.0
    along = np.array([-side * X, -Y, side * X, -Z])
    v = np.array([Z, Z, Z, Y])
    normal = (along[1:] - along[:-1]) / np.sqrt(2.0)
    t = Z - normal * normal[:, 2:3]
    t = t / np.linalg.norm(t, axis=1, keepdims=True)
    u = np.cross(along, v)
    return Frames(along, u, v, np.stack([u, v], axis=-1), normal, np.cross(normal, t), t)


def mirror_centres(profile: Profile, head_mm: ArrayLike) -> Array:
    """Nominal centres of the three mirrors, (..., 3 mirrors, 3), for head positions (..., 2)."""
    head = np.asarray(head_mm, dtype=float)
    near_y, near_x = profile.path.mirror_1_to_2_mm[0], profile.path.mirror_2_to_3_mm[0]
    column = -near_x if profile.path.corner == "back-left" else profile.bed.width_mm + near_x
    centres = np.zeros((*head.shape[:-1], 3, 3))
    centres[..., 0, :] = (column, profile.bed.depth_mm + near_y, 0.0)
    centres[..., 1, 0] = column
    centres[..., 1, 1] = head[..., 1]
    centres[..., 2, :2] = head
    return centres


@dataclass(frozen=True)
class Rays:
    """What the trace found. Leading dimensions as in the state and head.

    offset_mm : (..., 4, 2) marks at mirror-1, mirror-2, mirror-3, nozzle in each card's frame.
    lens_mm : (..., 2) where the beam meets the lens, in the nozzle's card frame.
    slope : (..., 4, 2) slope (rad) of the beam into mirror 1, 2, 3 and down to the lens, along u and v.
    """

    offset_mm: Array
    lens_mm: Array
    slope: Array


def trace_rays(profile: Profile, state: State, head_mm: ArrayLike) -> Rays:
    """Trace the beam's axis; state and head broadcast against each other."""
    frame = frames(profile.path.corner)
    centres = mirror_centres(profile, head_mm)
    point, direction = _tube_ray(profile, state, frame, centres)
    offsets, slopes = [], []
    for i in range(3):
        body = centres[..., i, :] + state.shift_mm[..., i, :] + (state.carry_mm if i == 2 else 0.0)
        point = _to_plane(point, direction, body, frame.along[i])
        offsets.append(_in_frame(point - body, frame, i))
        slopes.append(_slope(direction + 0 * point, frame, i))  # as many head positions as the point has
        spot, normal = _mirror_plane(profile, state, frame, i, body)
        point = _to_plane(point, direction, spot, normal)
        along_normal = (direction * normal).sum(-1, keepdims=True)
        direction = direction - 2.0 * along_normal * normal
    lens = centres[..., 2, :] + state.carry_mm + frame.along[3] * profile.path.mirror_3_to_lens_mm
    at_lens = _in_frame(_to_plane(point, direction, lens, frame.along[3]) - lens, frame, 3)
    down = _slope(direction + 0 * point, frame, 3)
    tip = profile.path.lens_to_nozzle_tip_mm
    offsets.append(at_lens + tip * (down - at_lens / profile.path.lens_focal_mm))
    slopes.append(down)
    return Rays(np.stack(offsets, axis=-2), at_lens, np.stack(slopes, axis=-2))


def trace(profile: Profile, state: State, head_mm: ArrayLike) -> dict[str, Array]:
    """Where the beam's axis meets the card at each station, (..., 2) mm in the card's frame."""
    offsets = trace_rays(profile, state, head_mm).offset_mm
    return {station: offsets[..., i, :] for i, station in enumerate(STATIONS)}


def _tube_ray(profile: Profile, state: State, frame: Frames, centres: Array) -> tuple[Array, Array]:
    """The line through the tube's two mounts: a point at the exit mount and a direction (not unit)."""
    gap = profile.tube.far_mount_mm - profile.tube.exit_mount_mm
    back = profile.path.tube_to_mirror_1_mm + profile.tube.exit_mount_mm
    offset = state.tube_mm @ np.array([Y, Z])  # (..., 2 mounts, 3)
    start = centres[..., 0, :] - frame.along[0] * back + offset[..., 0, :]
    direction = frame.along[0] + (offset[..., 0, :] - offset[..., 1, :]) / gap
    return start, direction / np.sqrt((direction * direction).sum(-1, keepdims=True))


def _mirror_plane(profile: Profile, state: State, frame: Frames, i: int, body: Array) -> tuple[Array, Array]:
    """A point of mirror i's plane and its unit normal, from the three contact points."""
    rise = state.contact_mm[..., i, :] @ _rises(profile, i)  # at the mirror's centre, per mm along r, along t
    normal = frame.normal[i] - rise[..., 1:] @ np.array([frame.r[i], frame.t[i]])
    return body + rise[..., :1] * frame.normal[i], normal / np.sqrt((normal * normal).sum(-1, keepdims=True))


@lru_cache(maxsize=64)
def _rises(profile: Profile, i: int) -> Array:
    """(3 contacts, 3): the plane through the contacts of mirror i is a + b·r + c·t high; a, b, c from their
    travels."""
    at = np.array([contact.at_mm for contact in profile.mount[i].contact])
    return np.linalg.inv(np.column_stack([np.ones(3), at])).T


def _to_plane(point: Array, direction: Array, on_plane: Array, normal: Array) -> Array:
    """Where the line meets the plane."""
    ahead = ((on_plane - point) * normal).sum(-1, keepdims=True)
    return np.asarray(point + direction * (ahead / (direction * normal).sum(-1, keepdims=True)))


def _in_frame(vector: Array, frame: Frames, i: int) -> Array:
    return np.asarray(vector @ frame.across[i])


def _slope(direction: Array, frame: Frames, i: int) -> Array:
    return np.asarray(_in_frame(direction, frame, i) / (direction @ frame.along[i])[..., None])

"""Exact 3-D trace of the beam's axis through the whole path by vector reflection.

Everything works on arrays with leading batch dimensions and on complex numbers. Derivatives are computed by
complex steps (Squire & Trapp, SIAM Review 40, 1998: f'(x) = Im f(x + ih)/h, exact to rounding).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.solver.machine.profile import STATIONS, Profile

Array = NDArray[Any]

X, Y, Z = np.eye(3)


@dataclass(frozen=True)
class State:
    """How far the parts of a machine stand from nominal, mm.

    tube_mm : (..., 2, 2), [[exit mount dY, dZ], [far mount dY, dZ]].
    contact_mm : (..., 3, 3), [mirror, contact], displacement of each contact point along the nominal +n.
    shift_mm : (..., 3, 3), [mirror, XYZ], displacement of each whole mount, card included.
    carry_mm : (..., 3), XYZ, how far the rails carry the head (mirror 3, lens, nozzle) off nominal.
    lens_mm : (..., 2), offset of the lens from the head's axis, u and v of the nozzle's card.
    """

    tube_mm: Array
    contact_mm: Array
    shift_mm: Array
    carry_mm: Array = field(default_factory=lambda: np.zeros(3))
    lens_mm: Array = field(default_factory=lambda: np.zeros(2))

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
    axis: NDArray[np.intp]  # (4, 3) which of X, Y, Z is u, v and d, at each station
    way: Array  # (4, 3) +1 where it points the same way, −1 against
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
    axes = np.stack([u, v, along], axis=1)
    return Frames(along, u, v, np.abs(axes).argmax(-1), axes.sum(-1), normal, np.cross(normal, t), t)


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
    lens_mm : (..., 2) where the beam meets the lens, from the lens's own axis, in the nozzle's card frame.
    slope : (..., 4, 2) slope (rad) of the beam into mirror 1, 2, 3 and down to the lens, along u and v.
    """

    offset_mm: Array
    lens_mm: Array
    slope: Array

    def only(self, rows: Array) -> Rays:
        """The rays of some machines, by rows of the first dimension."""
        return Rays(self.offset_mm[rows], self.lens_mm[rows], self.slope[rows])


def contact_points(profile: Profile, mount: int) -> Array:
    """(3, 2) where the contacts of mount 1–3 touch the mirror's back, mm along the r and t of its mirror."""
    return np.array([contact.at_mm for contact in profile.mount[mount - 1].contact])


def trace_rays(profile: Profile, state: State, head_mm: ArrayLike) -> Rays:
    """Trace the beam's axis; state and head broadcast against each other."""
    # In here X, Y and Z are the first axis: numpy sums over a last axis of three several times slower.
    frame, parts = frames(profile.path.corner), _parts(profile, state, head_mm)
    centres, contact, carry = parts.centres, parts.contact, parts.carry
    point, direction = _tube_ray(profile, parts, frame)
    offsets, slopes = [], []
    for i in range(3):
        body = centres[i] + parts.shift[i] if i < 2 else centres[i] + parts.shift[i] + carry
        point = _to_card(point, direction, body, frame, i)
        card = body - _column(frame.along[i] * profile.card.before_mount_mm[i], body)
        offsets.append(_in_frame(_to_card(point, direction, card, frame, i) - card, frame, i))
        slopes.append(_in_frame(direction, frame, i) / _ahead(direction, frame, i))
        high, normal = _mirror_plane(profile, contact[i], frame, i)
        along_normal = _dot(direction, normal)
        point = point + direction * ((_dot(body - point, normal) + high) / along_normal)
        direction = direction - 2.0 * along_normal * normal
    lens = centres[2] + carry + _column(frame.along[3] * profile.path.mirror_3_to_lens_mm, carry)
    on_axis = _in_frame(_to_card(point, direction, lens, frame, 3) - lens, frame, 3)
    down = _in_frame(direction, frame, 3) / _ahead(direction, frame, 3)
    at_lens = on_axis - parts.lens
    tip = profile.path.lens_to_nozzle_tip_mm - profile.card.before_mount_mm[3]
    offsets.append(on_axis + tip * (down - at_lens / profile.path.lens_focal_mm))
    slopes.append(down)
    lead = np.broadcast_shapes(*(offset.shape[1:] for offset in offsets))
    return Rays(_stacked(offsets, lead), _stacked([at_lens], lead)[..., 0, :], _stacked(slopes, lead))


def trace(profile: Profile, state: State, head_mm: ArrayLike) -> dict[str, Array]:
    """Where the beam's axis meets the card at each station, (..., 2) mm in the card's frame."""
    offsets = trace_rays(profile, state, head_mm).offset_mm
    return {station: offsets[..., i, :] for i, station in enumerate(STATIONS)}


@dataclass(frozen=True)
class _Parts:
    """A state with the axes of each part first, followed by equally many dimensions that broadcast."""

    centres: Array  # (3 mirrors, XYZ, ...)
    tube: Array  # (2 mounts, YZ, ...)
    contact: Array  # (3 mirrors, 3 contacts, ...)
    shift: Array  # (3 mirrors, XYZ, ...)
    carry: Array  # (XYZ, ...)
    lens: Array  # (2, ...)


def _parts(profile: Profile, state: State, head_mm: ArrayLike) -> _Parts:
    pairs = (mirror_centres(profile, head_mm), state.tube_mm, state.contact_mm, state.shift_mm)
    vectors = (state.carry_mm, state.lens_mm)
    lead = max(*(a.ndim - 2 for a in pairs), *(a.ndim - 1 for a in vectors))
    padded = [a.reshape((1,) * (lead + 2 - a.ndim) + a.shape) for a in pairs]
    carry, lens = (np.moveaxis(a.reshape((1,) * (lead + 1 - a.ndim) + a.shape), -1, 0) for a in vectors)
    centres, tube, contact, shift = (np.moveaxis(a, (-2, -1), (0, 1)) for a in padded)
    return _Parts(centres, tube, contact, shift, carry, lens)


def _stacked(arrays: Sequence[Array], lead: tuple[int, ...]) -> Array:
    """Arrays (2, ...) as one contiguous array (*lead, arrays, 2)."""
    together = np.empty((*lead, len(arrays), 2), dtype=arrays[-1].dtype)
    for i, array in enumerate(arrays):
        together[..., i, 0], together[..., i, 1] = array
    return together


def _column(vector: Array, like: Array) -> Array:
    """A vector (3,) that broadcasts against (3, ...)."""
    return vector.reshape(3, *(1,) * (like.ndim - 1))


def _tube_ray(profile: Profile, parts: _Parts, frame: Frames) -> tuple[Array, Array]:
    """The line through the tube's two mounts: a point at the exit mount and a unit direction, (3, ...)."""
    gap = profile.tube.far_mount_mm - profile.tube.exit_mount_mm
    back = profile.path.tube_to_mirror_1_mm + profile.tube.exit_mount_mm
    ends, flat = parts.tube, np.zeros_like(parts.tube[0, :1])
    start = parts.centres[0] - _column(frame.along[0] * back, flat) + np.concatenate([flat, ends[0]])
    direction = np.concatenate([flat + frame.along[0][0], (ends[0] - ends[1]) / gap])
    return start, direction / np.sqrt(_dot(direction, direction))


def _mirror_plane(profile: Profile, contact: Array, frame: Frames, i: int) -> tuple[Array, Array]:
    """Distance of mirror i's plane from its centre, and its unit normal, from the three contacts (3, ...)."""
    middle, along_r, along_t = (_dot(_column(column, contact), contact) for column in _rises(profile, i).T)
    n, r, t = (_column(axis, contact) for axis in (frame.normal[i], frame.r[i], frame.t[i]))
    normal = n - along_r * r - along_t * t
    normal = normal / np.sqrt(_dot(normal, normal))
    return middle * _dot(n, normal), normal


@lru_cache(maxsize=64)
def _rises(profile: Profile, i: int) -> Array:
    """(3 contacts, 3): derivative of a, b, c by each contact's travel; mirror i's plane has the height
    a + b·r + c·t."""
    at = contact_points(profile, i + 1)
    return np.linalg.inv(np.column_stack([np.ones(3), at])).T


def _to_card(point: Array, direction: Array, centre: Array, frame: Frames, i: int) -> Array:
    """(3, ...) where a line meets the plane through ``centre`` parallel to the card at station i."""
    ahead = _ahead(centre, frame, i) - _ahead(point, frame, i)
    return np.asarray(point + direction * (ahead / _ahead(direction, frame, i)))


def _ahead(vector: Array, frame: Frames, i: int) -> Array:
    """(...) the component along the nominal beam into station i."""
    return np.asarray(frame.way[i, 2] * vector[frame.axis[i, 2]])


def _in_frame(vector: Array, frame: Frames, i: int) -> Array:
    """(2, ...) the components along u and v, each of which is an axis of the machine, up to its sign."""
    (u, v, _), (u_way, v_way, _) = frame.axis[i], frame.way[i]
    return np.stack([u_way * vector[u], v_way * vector[v]])


def _dot(one: Array, other: Array) -> Array:
    return np.asarray(np.add.reduce(one * other))

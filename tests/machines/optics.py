"""Where the beam goes: an exact ray through tube, three mirrors, thin lens and nozzle, in the machine frame.

Machine frame: X right, Y back, Z up, seen from the front; bed corner front-left is 0, 0; nominal beam height
is Z = 0. Arrays may have leading dimensions (many states, many head positions), which broadcast together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
X, Y, Z = np.eye(3)
CARD_REACH_MM = 20.0


@dataclass(frozen=True)
class Misalignment:
    """The errors of a machine: all zero is the nominal machine.

    tube_mm (…, 2, 2): exit mount then far mount, each (Y, Z). contact_mm (…, 3, 3): [mirror, contact] along
    the mirror's nominal normal. shift_mm (…, 3, 3): [mirror, XYZ], mount, card and mirror together.
    """

    tube_mm: Array
    contact_mm: Array
    shift_mm: Array

    @classmethod
    def none(cls) -> Misalignment:
        return cls(np.zeros((2, 2)), np.zeros((3, 3)), np.zeros((3, 3)))

    def copy(self) -> Misalignment:
        return replace(
            self,
            tube_mm=self.tube_mm.copy(),
            contact_mm=self.contact_mm.copy(),
            shift_mm=self.shift_mm.copy(),
        )


@dataclass(frozen=True)
class Carried:
    """Displacement of gantry and head, each (…, 3) in XYZ: turn (rotation vector, rad) and move (mm)."""

    gantry_turn: Array
    gantry_move_mm: Array
    head_turn: Array
    head_move_mm: Array


class Layout:
    """Nominal directions, frames and places, from a profile's plain values."""

    def __init__(self, profile: dict[str, Any]) -> None:
        path, self.width_mm = profile["path"], profile["bed"]["width_mm"]
        self.depth_mm = profile["bed"]["depth_mm"]
        left = path["corner"] == "back-left"
        from_tube, along_gantry = (-X, X) if left else (X, -X)
        self.incoming = np.array([from_tube, -Y, along_gantry, -Z])
        self.up = np.array([Z, Z, Z, Y])
        self.right = np.cross(self.incoming, self.up)
        normals = self.incoming[1:] - self.incoming[:-1]
        self.normal = normals / np.linalg.norm(normals, axis=1, keepdims=True)
        self.t = np.array([self._upward_in_plane(n) for n in self.normal])
        self.r = np.cross(self.normal, self.t)
        contacts = [mount["contact"] for mount in sorted(profile["mount"], key=lambda m: m["mirror"])]
        self.at_mm = np.array([[c["at_mm"] for c in row] for row in contacts], float)
        self.x_mirror_2 = (
            -path["mirror_2_to_3_mm"][0] if left else self.width_mm + path["mirror_2_to_3_mm"][0]
        )
        self.y_mirror_1 = self.depth_mm + path["mirror_1_to_2_mm"][0]
        self.lens_below_mm = path["mirror_3_to_lens_mm"]
        self.focal_mm, self.tip_mm = path["lens_focal_mm"], path["lens_to_nozzle_tip_mm"]
        self.tube_back_mm = path["tube_to_mirror_1_mm"] + np.array(
            [profile["tube"]["exit_mount_mm"], profile["tube"]["far_mount_mm"]]
        )
        self.lens_off_mm = np.zeros(2)  # offset of the lens, not the nozzle, from the head's axis, X and Y
        self.below_mm = 0.0
        a = profile["aperture"]
        self.aperture_mm = np.array(
            [a["mirror_1_mm"], a["mirror_2_mm"], a["mirror_3_mm"], a["lens_mm"], a["nozzle_mm"]]
        )

    @staticmethod
    def _upward_in_plane(normal: Array) -> Array:
        upward = Z - (Z @ normal) * normal
        return upward / np.linalg.norm(upward)

    def centre(self, mirror: int, head_mm: Array) -> Array:
        """Nominal centre (…, 3) of mirror 1, 2 or 3 with the head at (…, 2)."""
        x, y = head_mm[..., 0], head_mm[..., 1]
        if mirror == 3:
            return np.stack([x, y, np.zeros_like(x)], axis=-1)
        there = np.full_like(y, self.y_mirror_1) if mirror == 1 else y
        return np.stack([np.full_like(x, self.x_mirror_2), there, np.zeros_like(x)], axis=-1)


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.sum(a * b, axis=-1, keepdims=True))


def _to_plane(point: Array, ray: Array, on_plane: Array, normal: Array) -> Array:
    return point + ray * (_dot(on_plane - point, normal) / _dot(ray, normal))


def _turned(vector: Array, turn: Array) -> Array:
    """Rodrigues: vector (…, 3) turned by the rotation vector turn (…, 3)."""
    angle = np.asarray(np.linalg.norm(turn, axis=-1, keepdims=True))
    axis = turn / np.where(angle == 0, 1.0, angle)
    along = axis * _dot(axis, vector)
    across = (vector - along) * np.cos(angle) + np.cross(axis, vector) * np.sin(angle)
    return np.asarray(along + across)


def _into(
    point: Array, ray: Array, pivot: Array, turn: Array | None, move: Array | None
) -> tuple[Array, Array]:
    """The ray in the frame of a body that is turned about its pivot and moved."""
    if turn is None or move is None:
        return point, ray
    return pivot + _turned(point - move - pivot, -turn), _turned(ray, -turn)


def _reflect(
    layout: Layout, mirror: int, centre: Array, contact_mm: Array, point: Array, ray: Array
) -> tuple[Array, Array]:
    k = mirror - 1
    flat = layout.at_mm[k] @ np.stack([layout.r[k], layout.t[k]])
    touch = centre[..., None, :] + flat + contact_mm[..., None] * layout.normal[k]
    normal = np.cross(touch[..., 1, :] - touch[..., 0, :], touch[..., 2, :] - touch[..., 0, :])
    normal = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
    hit = _to_plane(point, ray, touch[..., 0, :], normal)
    return hit, ray - 2 * _dot(ray, normal) * normal


def _from_tube(layout: Layout, tube_mm: Array, mirror_1: Array) -> tuple[Array, Array]:
    ends = [
        mirror_1 - layout.incoming[0] * back + tube_mm[..., i, 0, None] * Y + tube_mm[..., i, 1, None] * Z
        for i, back in enumerate(layout.tube_back_mm)
    ]
    along = ends[0] - ends[1]
    return ends[0], along / np.linalg.norm(along, axis=-1, keepdims=True)


def _through_lens(layout: Layout, head_mm: Array, point: Array, ray: Array) -> tuple[Array, Array, Array]:
    """Offsets (X, Y): at the lens from its own axis; at the tip and below (lens out) from the head's axis.

    An ideal thin lens bends slopes by -h/f.
    """
    axis = np.concatenate([head_mm, np.full_like(head_mm[..., :1], -layout.lens_below_mm)], axis=-1)
    at_lens = (_to_plane(point, ray, axis, Z) - axis)[..., :2]
    slope = ray[..., :2] / -ray[..., 2:]
    off = at_lens - layout.lens_off_mm
    below = at_lens + (layout.tip_mm + layout.below_mm) * slope
    return off, at_lens + layout.tip_mm * (slope - off / layout.focal_mm), below


def offsets(
    layout: Layout, state: Misalignment, head_mm: Array, carried: Carried | None = None
) -> dict[str, Array]:
    """(…, 2) in mm for each station and for 'lens': (u, v) in the card frames; at the lens the nozzle's."""
    head_mm = np.asarray(head_mm, float)
    lead = np.broadcast_shapes(
        head_mm.shape[:-1], state.tube_mm.shape[:-2], state.contact_mm.shape[:-2], state.shift_mm.shape[:-2]
    )
    head_mm = np.broadcast_to(head_mm, (*lead, 2))
    point, ray = _from_tube(layout, state.tube_mm, layout.centre(1, head_mm))
    found: dict[str, Array] = {}
    for mirror in (1, 2, 3):
        nominal = layout.centre(mirror, head_mm)
        if carried is not None and mirror == 2:
            point, ray = _into(point, ray, nominal, carried.gantry_turn, carried.gantry_move_mm)
        if carried is not None and mirror == 3:
            point, ray = _into(point, ray, nominal, carried.head_turn, carried.head_move_mm)
        k, centre = mirror - 1, nominal + state.shift_mm[..., mirror - 1, :]
        on_card = _to_plane(point, ray, centre, layout.incoming[k]) - centre
        found[STATIONS[k]] = np.stack([on_card @ layout.right[k], on_card @ layout.up[k]], axis=-1)
        point, ray = _reflect(layout, mirror, centre, state.contact_mm[..., k, :], point, ray)
    found["lens"], found["nozzle"], found["below"] = _through_lens(layout, head_mm, point, ray)
    return found


def reaches(layout: Layout, found: dict[str, Array], station: str) -> NDArray[np.bool_]:
    """(…): whether the beam's centre passes all apertures upstream and lands on the card there.

    Upstream of a mirror's card are the mirrors before it; of the nozzle's card also the lens and the nozzle's
    hole; of a card below, with the lens out, only the mirrors.
    """
    before = (
        list(STATIONS[:3])
        if station == "below"
        else [*STATIONS[: STATIONS.index(station)], *(["lens", "nozzle"] if station == "nozzle" else [])]
    )
    places = dict(
        zip(["mirror-1", "mirror-2", "mirror-3", "lens", "nozzle"], layout.aperture_mm, strict=True)
    )
    lands = np.all(np.abs(found[station]) <= CARD_REACH_MM, axis=-1)
    for place in before:
        lands = lands & (np.hypot(found[place][..., 0], found[place][..., 1]) <= places[place] / 2)
    return np.asarray(lands)

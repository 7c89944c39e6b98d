"""The unknowns of one machine as a vector, and where marks lie for such a vector.

Layout of the state vector (mm unless another unit is given): tube mounts 4, contact points 9, whole mounts 9,
racking 2 (mrad per m), rail bow 4 (Y rail sideways and up, X rail back and up), offset of the lens from the
head's axis 2; for each contact the response of its screw, relative gain and cross-talk, 18; how the present
card hangs: u, v and roll (rad), 3. ``screw_vectors`` has what a turn does to a contact.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.solver.machine.profile import BELOW, STATIONS, Profile
from server.solver.machine.trace import Rays, State, contact_points, trace_rays

Array = NDArray[Any]

TUBE, CONTACT, SHIFT = slice(0, 4), slice(4, 13), slice(13, 22)
RACK, BOW, LENS_OFF = slice(22, 24), slice(24, 28), slice(28, 30)
RESPONSE, HANG = slice(30, 48), slice(48, 51)
OPTICS, SIZE = 30, 51  # the first OPTICS unknowns decide where marks fall
STEP = 1e-30  # of the complex step: any size below the square root of the smallest double will do

PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")


def contact_at(mount: int) -> slice:
    """Indices of the three contacts of mount 1–3 in the state vector."""
    return slice(4 + 3 * (mount - 1), 7 + 3 * (mount - 1))


def shift_at(mount: int) -> slice:
    """Indices of the shift (X, Y, Z) of mount 1–3 in the state vector."""
    return slice(SHIFT.start + 3 * (mount - 1), SHIFT.start + 3 * mount)


def response_at(mount: int, contact: int) -> slice:
    """Indices of the (gain, cross-talk) of a contact's screw in the state vector."""
    start = RESPONSE.start + 2 * (3 * (mount - 1) + contact)
    return slice(start, start + 2)


def state_of(profile: Profile, x: Array, head_mm: Array) -> State:
    """The machine's state at a head position: x (..., ≥ OPTICS) and head (..., 2) broadcast."""
    lead = max(x.ndim, head_mm.ndim)
    x = np.moveaxis(x.reshape((1,) * (lead - x.ndim) + x.shape), -1, 0)  # unknowns first, as the trace works
    along_x, along_y = head_mm[..., 0] / profile.bed.width_mm, head_mm[..., 1] / profile.bed.depth_mm
    swing = x[RACK] * (1e-6 * (head_mm[..., 1] - profile.bed.depth_mm / 2))
    y_side, y_up, x_back, x_up = x[BOW]
    y_sag, x_sag = 4 * along_y * (1 - along_y), 4 * along_x * (1 - along_x)
    lean = 4 * (1 - 2 * along_x) / profile.bed.width_mm  # slope of the X rail for a bow of 1 mm
    side = -1.0 if profile.path.corner == "back-left" else 1.0
    rest = np.broadcast_shapes(x.shape[1:], head_mm.shape[:-1])
    contact = np.empty((3, 3, *rest), dtype=x.dtype)
    contact[...] = x[CONTACT].reshape(3, 3, *x.shape[1:])
    contact[1] += _combined(_tilt_of_slope(profile, 2), swing)
    contact[2] += _combined(_tilt_of_slope(profile, 3), (x_up * lean, side * lean * x_back))
    shift = np.empty_like(contact)
    shift[...] = x[SHIFT].reshape(3, 3, *x.shape[1:])
    shift[1, 0] += y_side * y_sag
    shift[1, 2] += y_up * y_sag
    carry = np.stack(np.broadcast_arrays(0.0 * y_sag, x_back * x_sag, y_up * y_sag + x_up * x_sag))
    tube = x[TUBE].reshape(2, 2, *x.shape[1:])
    tube, contact, shift = (np.moveaxis(part, (0, 1), (-2, -1)) for part in (tube, contact, shift))
    return State(tube, contact, shift, np.moveaxis(carry, 0, -1), np.moveaxis(x[LENS_OFF], 0, -1))


def _combined(columns: Array, amounts: Sequence[Array] | Array) -> Array:
    """(3, ...) sum of the two columns of (3, 2), each times its amount (...)."""
    one, two = amounts
    return np.stack([a * one + b * two for a, b in columns])


def rays(profile: Profile, x: Array, head_mm: ArrayLike) -> Rays:
    """Marks, lens and slopes for state vectors x (..., ≥ OPTICS) and head positions (..., 2)."""
    head = np.asarray(head_mm, dtype=float)
    return trace_rays(profile, state_of(profile, x, head), head)


LENS, BELOW_AT = 4, 5  # treated as stations: the lens, where no card hangs, and the card below it
BELOW_MM = 30.0  # how far below the nozzle's seat a person is asked to place that card


def station_index(station: str) -> int:
    """Index into STATIONS, or BELOW_AT."""
    return BELOW_AT if station == BELOW else STATIONS.index(station)


def station_name(index: int) -> str:
    """The name of a station, given its index into STATIONS or BELOW_AT."""
    return BELOW if index == BELOW_AT else STATIONS[index]


def spot(profile: Profile, found: Rays, station: int, below_mm: float = BELOW_MM) -> Array:
    """(..., 2) mm: where the beam is at a station (index), at the LENS, or, lens out, on the card below."""
    if station == LENS:
        return found.lens_mm
    if station == BELOW_AT:  # at the nozzle's tip without the bend of the lens, and on from there
        before = profile.card.before_mount_mm[3]
        tip = (profile.path.lens_to_nozzle_tip_mm - before) / profile.path.lens_focal_mm
        further = (below_mm + before) * found.slope[..., 3, :]
        return np.asarray(found.offset_mm[..., 3, :] + tip * found.lens_mm + further)
    return np.asarray(found.offset_mm[..., station, :])


def stops(profile: Profile, station: int) -> list[tuple[int, float]]:
    """Where a beam on its way to a station's card may be stopped, and the radius (mm) that lets it pass."""
    a = profile.aperture
    on_the_way = [
        (0, a.mirror_1_mm / 2),
        (1, a.mirror_2_mm / 2),
        (2, a.mirror_3_mm / 2),
        (LENS, a.lens_mm / 2),
    ]
    if station == BELOW_AT:
        return on_the_way[:3]
    return on_the_way[:station] if station < 3 else [*on_the_way, (3, a.nozzle_mm / 2)]


def on_card(place: Array, x: Array) -> Array:
    """(..., 2) where marks at places (..., 2) lie on a card that hangs as in state vectors x (..., SIZE)."""
    u, v, roll = np.moveaxis(x[..., HANG], -1, 0)
    turned = np.stack([-place[..., 1], place[..., 0]], axis=-1)
    return np.asarray(place + np.stack([u, v], axis=-1) + roll[..., None] * turned)


def hang_jacobian(place: Array) -> Array:
    """(..., 2, 3) derivative of marks at places (..., 2) by how their card hangs (u, v, roll)."""
    turned = np.stack([-place[..., 1], place[..., 0]], axis=-1)
    return np.concatenate([np.broadcast_to(np.eye(2), (*place.shape, 2)), turned[..., None]], axis=-1)


def mark_jacobian(
    profile: Profile, x: Array, head_mm: ArrayLike, station: int, below_mm: float = BELOW_MM
) -> Array:
    """(..., 2, SIZE) derivative of where the beam is at a station (or LENS) by state vectors x (..., SIZE).

    How the card hangs is left out: ``hang_jacobian`` has that part.
    """
    nudged = x[..., None, :OPTICS] + 1j * STEP * np.eye(OPTICS)
    moved = spot(profile, rays(profile, nudged, head_mm), station, below_mm)  # (..., OPTICS, 2)
    jacobian = np.zeros((*x.shape[:-1], 2, SIZE))
    jacobian[..., :OPTICS] = np.swapaxes(moved.imag, -1, -2) / STEP
    return jacobian


@lru_cache(maxsize=16)
def _tilt_of_slope(profile: Profile, mount: int) -> Array:
    """(3, 2): displacements of a mount's contacts that turn the beam behind its mirror by slopes (u, v).

    Used for a gantry or head that yaws or nods: in its frame the beam turns as if the mirror were tilted.
    """
    contact = np.zeros((3, 3, 3), dtype=complex)
    contact[:, mount - 1, :] = 1j * STEP * np.eye(3)
    state = State(np.zeros((3, 2, 2)), contact, np.zeros((3, 3, 3)))
    turned = trace_rays(profile, state, np.array(profile.head_mm(0.5, 0.5)))
    return np.asarray(np.linalg.pinv(turned.slope[:, mount, :].imag.T / STEP))


@lru_cache(maxsize=16)
def screw_vectors(profile: Profile, mount: int, contact: int) -> tuple[Array, Array]:
    """What a screw does to the mirror's plane: two sets of displacements (3,) of the three nominal contacts.

    The first is 1 mm of travel of the screw according to the profile. The second is the same tilt turned by
    90° in the mirror's plane. A gain on the first and a cross-talk on the second describe a wrong lever arm
    in any direction.
    """
    at = contact_points(profile, mount)
    weights = np.linalg.inv(np.column_stack([np.ones(3), at]))[:, contact]  # 1, r, t of the plane's rise
    own = np.zeros(3)
    own[contact] = 1.0
    cross = at @ np.array([-weights[2], weights[1]])
    return own, cross


def shift_matrix(part: str) -> Array:
    """(SIZE, 3): how moving a part by X, Y, Z mm changes the state vector."""
    matrix = np.zeros((SIZE, 3))
    if part.startswith("mirror-"):
        start = 13 + 3 * (int(part[-1]) - 1)
        matrix[start : start + 3] = np.eye(3)
        return matrix
    for mount, name in ((0, "tube-exit"), (1, "tube-far")):
        if part in ("tube", name):
            matrix[2 * mount, 1] = matrix[2 * mount + 1, 2] = 1.0
    return matrix


def hand_matrices(part: str) -> tuple[Array, ...]:
    """One (SIZE, 3) for each mount that a hand moves to shift a part.

    The hand's errors at these mounts are independent, so a tube that should move evenly is also tilted.
    """
    mounts = ("tube-exit", "tube-far") if part == "tube" else (part,)
    return tuple(shift_matrix(mount) for mount in mounts)

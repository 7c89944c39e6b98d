"""What a misaligned beam costs: power over the bed, lean of the cut, size of the spot."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.solver.estimate import samples as o
from server.solver.machine.power import beam_diameter, passed_fraction, spot_diameter
from server.solver.machine.profile import Point, Profile
from server.solver.machine.trace import Rays

Array = NDArray[Any]


def kerf_lean(profile: Profile, lens_offset_mm: ArrayLike, slope: ArrayLike) -> Array:
    """Lean of the cut: slope − d/f, (..., 2), mm sideways per mm of thickness, in the nozzle's card frame.

    lens_offset_mm : (..., 2), where the beam meets the lens; slope : (..., 2), its slope (rad) down to it.
    Source: thin-lens ray matrix (Hecht, Optics, ch. 6.2): a ray at height d leaves with its slope less d/f.
    """
    offset = np.asarray(lens_offset_mm, dtype=float)
    return np.asarray(np.asarray(slope, dtype=float) - offset / profile.path.lens_focal_mm)


def beam_path(profile: Profile) -> Array:
    """(12, 4) how far mirror 1–3 and the lens are from mirror 1 along the beam, mm, over the grid."""
    path = profile.path
    heads = np.array(o.grid(profile))
    across = heads[:, 0] if path.corner == "back-left" else profile.bed.width_mm - heads[:, 0]
    first = path.mirror_1_to_2_mm[0] + profile.bed.depth_mm - heads[:, 1]
    second = first + path.mirror_2_to_3_mm[0] + across
    return np.stack([np.zeros(len(heads)), first, second, second + path.mirror_3_to_lens_mm], axis=1)


def _sizes(profile: Profile) -> Array:
    """(12, 5) 1/e² diameters of the beam at mirror 1–3, lens and nozzle's tip over the grid."""
    path, size = profile.path, beam_diameter(profile, beam_path(profile))
    narrowed = size[:, 3] * abs(1 - path.lens_to_nozzle_tip_mm / path.lens_focal_mm)
    tip = np.hypot(narrowed, spot_diameter(profile, size[:, 3]))
    return np.column_stack([size, tip])


TABLE, REACH = 256, 8.0  # offsets in the table of passed power; sigmas past the edge up to which it reaches


def _clear(profile: Profile) -> Array:
    """(5,) clear diameters of mirror 1–3, lens and nozzle."""
    a = profile.aperture
    return np.array([a.mirror_1_mm, a.mirror_2_mm, a.mirror_3_mm, a.lens_mm, a.nozzle_mm])


def _distances(rays: Rays) -> Array:
    """(M, BED, 5) distance (mm) of the beam from the centre of mirror 1–3, lens and nozzle, over the bed."""
    marks = np.hypot(rays.offset_mm[:, : o.BED, :, 0], rays.offset_mm[:, : o.BED, :, 1])
    lens = np.hypot(rays.lens_mm[:, : o.BED, 0], rays.lens_mm[:, : o.BED, 1])[..., None]
    return np.concatenate([marks[..., :3], lens, marks[..., 3:]], axis=-1)


@lru_cache(maxsize=16)
def _passed(profile: Profile) -> tuple[Array, Array]:
    """(BED, 5, TABLE) offsets, and the fractions of a Gaussian beam that pass there."""
    size = _sizes(profile)[: o.BED]
    farthest = _clear(profile) / 2 + REACH * size / 4
    offsets = farthest[..., None] * np.linspace(0.0, 1.0, TABLE)
    return offsets, passed_fraction(offsets, _clear(profile)[:, None], size[..., None])


def aperture_power(profile: Profile, rays: Rays) -> Array:
    """(M, BED) fraction of a Gaussian beam that passes the tightest of mirror 1–3, lens and nozzle, over the
    bed, to 1e-3. It is read from a table because it is needed for hundreds of machines."""
    at, (offsets, passed) = _distances(rays), _passed(profile)
    found = np.ones(at.shape[:2])
    for i, j in np.ndindex(at.shape[1:]):
        found[:, i] = np.minimum(found[:, i], np.interp(at[:, i, j], offsets[i, j], passed[i, j]))
    return found


def worst_power(profile: Profile, rays: Rays) -> tuple[float, Point]:
    """Least fraction of one machine's power that passes the five apertures, over the bed, and where."""
    passed = passed_fraction(_distances(rays)[0], _clear(profile), _sizes(profile)[: o.BED]).min(-1)
    worst = int(np.argmin(passed))
    return float(passed[worst]), o.grid(profile)[worst]

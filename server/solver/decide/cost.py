"""What it costs to be off: power over the bed, lean of the cut, size of the spot, and tolerances by
thickness."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.solver.decide.situation import View, look
from server.solver.estimate import samples as o
from server.solver.events import Alignment
from server.solver.machine.power import beam_diameter, passed_fraction, spot_diameter
from server.solver.machine.profile import Point, Profile, Tolerance
from server.solver.machine.trace import Rays

Array = NDArray[Any]


@dataclass(frozen=True)
class PlaceCost:
    """What one of the five positions loses. Each sigma is one standard uncertainty."""

    name: str
    head_mm: Point
    power: float  # fraction (0–1) that passes the tightest aperture
    power_sigma: float
    lean_mm_per_mm: Point  # how far the cut leans for each mm of thickness, nozzle's card frame
    lean_sigma: float
    spot_mm: float  # 1/e² diameter of the focus

    def words(self) -> str:
        """For a person, as 'front right gets 83 % ± 4 % of the power'."""
        return f"{self.name} gets {100 * self.power:.0f} % ± {100 * self.power_sigma:.0f} % of the power"


def five_costs(alignment: Alignment) -> tuple[PlaceCost, ...]:
    """What the five positions lose as far as the alignment tells, in their order."""
    return costs(look(alignment))


def costs(view: View) -> tuple[PlaceCost, ...]:
    """What the five positions lose, from machines as they may be: mean and standard deviation."""
    profile, found = view.profile, []
    powers = aperture_power(profile, view.rays)
    leans = kerf_lean(profile, view.rays.lens_mm, view.rays.slope[..., 3, :])
    sizes = _sizes(profile)
    for i, name in enumerate(o.FIVE):
        u, v = leans[:, i].mean(0)
        sigma = float(np.sqrt(0.5 * leans[:, i].var(0).sum()))
        power, power_sigma = float(powers[:, i].mean()), float(powers[:, i].std())
        spot = float(spot_diameter(profile, sizes[i, 3]))
        head = o.grid(profile)[i]
        found.append(PlaceCost(name, head, power, power_sigma, (float(u), float(v)), sigma, spot))
    return tuple(found)


def kerf_lean(profile: Profile, lens_offset_mm: ArrayLike, slope: ArrayLike) -> Array:
    """Lean of the cut, mm sideways for each mm of thickness: slope − d/f, (..., 2) in the nozzle's card
    frame.

    lens_offset_mm : (..., 2), where the beam meets the lens; slope : (..., 2), its slope (rad) on the way
    down.
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


def aperture_power(profile: Profile, rays: Rays) -> Array:
    """(M, 12) fraction of a Gaussian beam that passes the tightest of mirror 1–3, lens and nozzle, over the
    grid."""
    a = profile.aperture
    clear = np.array([a.mirror_1_mm, a.mirror_2_mm, a.mirror_3_mm, a.lens_mm, a.nozzle_mm])
    marks = np.hypot(rays.offset_mm[..., 0], rays.offset_mm[..., 1])  # (M, 12, 4)
    lens = np.hypot(rays.lens_mm[..., 0], rays.lens_mm[..., 1])[..., None]
    offsets = np.concatenate([marks[..., :3], lens, marks[..., 3:]], axis=-1)
    return np.asarray(passed_fraction(offsets, clear, _sizes(profile)).min(-1))


def worst_power(profile: Profile, rays: Rays) -> tuple[float, Point]:
    """Least fraction of the power that passes the five apertures, over the bed, and where; rays of one
    machine."""
    passed = aperture_power(profile, rays)[0, : o.BED]
    worst = int(np.argmin(passed))
    return float(passed[worst]), o.grid(profile)[worst]


def tolerance_for_thickness(profile: Profile, thickness_mm: float, *, edge_mm: float = 0.2) -> Tolerance:
    """The profile's tolerances, tightened so that a cut through ``thickness_mm`` leans by ``edge_mm`` at
    most.

    Half of the lean is left to the offset at the lens (d/f), half to the beam's slope, which at the tip is
    seen as slope times distance. Never wider than the profile's own. ValueError where a number is not
    positive. That a cut may lean by 0.2 mm is common practice, no source.
    """
    if not (thickness_mm > 0 and edge_mm > 0):
        raise ValueError("thickness and edge must be more than 0 mm")
    lean, now, path = 0.5 * edge_mm / thickness_mm, profile.tolerance, profile.path
    lens = min(now.lens_mm, lean * path.lens_focal_mm)
    tip = abs(1 - path.lens_to_nozzle_tip_mm / path.lens_focal_mm) * lens + lean * path.lens_to_nozzle_tip_mm
    share = lens / now.lens_mm
    return replace(
        now,
        lens_mm=lens,
        nozzle_mm=min(now.nozzle_mm, tip) if tip > 0 else now.nozzle_mm,
        overlap_mm=now.overlap_mm * share,
        centre_mm=now.centre_mm * share,
    )

"""Is it good enough to cut, and why not; and what is known of the beam's angles."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import outlook as o
from .events import Inspected, MarkSeen
from .power import beam_diameter, passed_fraction, spot_diameter
from .profile import STATIONS, Point, Profile
from .steps import Verdict
from .trace import Rays
from .view import View

Array = NDArray[Any]

KNOWN_MRAD = 2.0  # an angle less certain than this counts as unknown


def verdict(view: View, *, aligned: bool) -> Verdict | None:
    """The verdict at the best estimate; None until every station has been seen."""
    seen = _seen(view)
    if not set(STATIONS) <= {e.station for e in seen}:
        return None
    profile = view.profile
    rays = o.everywhere(profile, view.bank.mean[view.bank.best : view.bank.best + 1])
    values = dict(zip(o.KEYS, o.numbers(rays)[0], strict=True))
    power, at = worst_power(profile, rays)
    reasons = () if aligned else tuple(_reasons(view, values))
    return Verdict(
        aligned=aligned,
        overlap_mm={f"mirror-{i}": float(values[f"overlap-{i}"]) for i in (2, 3)},
        centre_mm={f"mirror-{i}": float(values[f"centre-{i}"]) for i in (1, 2, 3)},
        lens_mm=float(values["lens"]),
        nozzle_mm=float(values["nozzle"]),
        worst_power=power,
        worst_at_head_mm=at,
        reasons=reasons,
    )


def _seen(view: View) -> list[MarkSeen]:
    """Marks since something was last fixed."""
    found: list[MarkSeen] = []
    for event in view.alignment.events:
        if isinstance(event, Inspected) and event.outcome == "fixed":
            found = []
        if isinstance(event, MarkSeen):
            found.append(event)
    return found


_WORDS = {
    "centre-1": "the marks at mirror 1 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "overlap-2": "the marks at mirror 2 wander by {0:.1f} mm along the gantry's travel (tolerance {1:.1f} mm)",
    "centre-2": "the marks at mirror 2 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "overlap-3": "the marks at mirror 3 wander by {0:.1f} mm over the bed (tolerance {1:.1f} mm)",
    "centre-3": "the marks at mirror 3 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "nozzle": "the marks at the nozzle are up to {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "lens": "the beam meets the lens {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
}


def _reasons(view: View, values: dict[str, float]) -> list[str]:
    limits = dict(zip(o.KEYS, o.limits(view.profile), strict=True))
    over = [_WORDS[key].format(value, limits[key]) for key, value in values.items() if value > limits[key]]
    return over or ["not yet proved over the whole bed"]


def worst_power(profile: Profile, rays: Rays) -> tuple[float, Point]:
    """Least fraction of the power that passes the five apertures, over the bed, and where."""
    heads = o.grid(profile)[: o.BED]
    passed = np.array([aperture_power(profile, rays, i) for i in range(len(heads))])
    worst = int(np.argmin(passed))
    return float(passed[worst]), heads[worst]


def aperture_power(profile: Profile, rays: Rays, position: int) -> float:
    """Fraction of a Gaussian beam that passes the tightest of mirror 1–3, lens and nozzle at a grid position."""
    path, aperture = profile.path, profile.aperture
    x, y = o.grid(profile)[position]
    across = x if path.corner == "back-left" else profile.bed.width_mm - x
    legs = (path.mirror_1_to_2_mm[0] + profile.bed.depth_mm - y, path.mirror_2_to_3_mm[0] + across)
    lengths = np.array([0.0, legs[0], sum(legs), sum(legs) + path.mirror_3_to_lens_mm])
    size = beam_diameter(profile, lengths)
    narrowed = size[3] * abs(1 - path.lens_to_nozzle_tip_mm / path.lens_focal_mm)
    tip = np.hypot(narrowed, spot_diameter(profile, size[3]))
    offsets = np.hypot(*rays.offset_mm[0, position].T)
    lens = np.hypot(*rays.lens_mm[0, position])
    clear = (
        aperture.mirror_1_mm,
        aperture.mirror_2_mm,
        aperture.mirror_3_mm,
        aperture.lens_mm,
        aperture.nozzle_mm,
    )
    return float(passed_fraction([*offsets[:3], lens, offsets[3]], clear, [*size, tip]).min())


def estimate(view: View) -> dict[str, Any]:
    """Angles of the beam and the five-point map of the marks at mirror 3, each with its sigma; None while unknown."""
    mean = o.everywhere(view.profile, view.bank.mean[view.bank.best : view.bank.best + 1])
    names = ("tube", "leg-1-2", "leg-2-3", "down")
    angles = {}
    for i, name in enumerate(names):
        values, sigmas = mean.slope[0, 2, i] * 1e3, view.rays.slope[:, 2, i].std(0) * 1e3
        known = float(sigmas.max()) <= KNOWN_MRAD
        angles[name] = _pair(values, sigmas) if known else [None, None]
    return {"angles_mrad": angles, "five_point": _five_point(view, mean)}


def _pair(values: Array, sigmas: Array) -> list[dict[str, float]]:
    return [
        {"value": round(float(v), 4), "sigma": round(float(s), 4)}
        for v, s in zip(values, sigmas, strict=True)
    ]


def _five_point(view: View, mean: Rays) -> dict[str, Any]:
    names = ("mean", "per_m_y", "per_m_x", "per_m2_xy")
    if not any(e.station == "mirror-3" for e in _seen(view)):
        return dict.fromkeys(names, [None, None])
    profile = view.profile
    heads = np.array(o.grid(profile)[:5]) * 1e-3
    x, y = (heads - heads[2]).T
    design = np.stack([np.ones(5), y, x, x * y], axis=1)
    fit = np.linalg.pinv(design)
    best = fit @ mean.offset_mm[0, :5, 2]
    spread = np.einsum("ik,mkj->mij", fit, view.rays.offset_mm[:, :5, 2]).std(0)
    return {name: _pair(best[i], spread[i]) for i, name in enumerate(names)}

"""Whether the alignment is good enough to cut, and if not why; and what is known of the beam's angles."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide.cost import worst_power
from server.solver.decide.situation import View, seen_stations
from server.solver.estimate import samples as o
from server.solver.machine.linear import weighted_least_squares
from server.solver.machine.power import LEAN_MM, SHEET_MM
from server.solver.machine.profile import BELOW, STATIONS
from server.solver.machine.trace import Rays
from server.solver.steps import ANGLES, MAP, UNKNOWN, Estimate, Known, Pair, Verdict

Array = NDArray[Any]

KNOWN_MRAD = 2.0  # an angle less certain than this counts as unknown
KNOWN_LENS_MM = 0.2  # the same of the offset at the lens


def verdict(view: View, *, aligned: bool) -> Verdict | None:
    """The verdict at the best estimate; None until each station has a mark that no repair has voided."""
    seen = seen_stations(view)
    if not set(STATIONS) <= seen:
        return None
    profile = view.profile
    values = dict(zip(o.KEYS, o.numbers(view.best)[0], strict=True))
    power, at = worst_power(profile, view.best)
    reasons = () if aligned else tuple(_reasons(view, values))
    return Verdict(
        aligned=aligned,
        overlap_mm={f"mirror-{i}": float(values[f"overlap-{i}"]) for i in (2, 3)},
        centre_mm={f"mirror-{i}": float(values[f"centre-{i}"]) for i in (1, 2, 3)},
        lens_mm=_at_lens(view) if BELOW in seen else None,
        nozzle_mm=float(values["nozzle"]),
        worst_power=power,
        worst_at_head_mm=at,
        reasons=reasons,
    )


def _at_lens(view: View) -> float | None:
    """How far off the lens's centre the beam is at worst, mm: the median over the drawn machines.

    None if the middle 68 % of them (JCGM 100:2008, 4.3.4: one standard deviation to both sides) span more
    than 2 × KNOWN_LENS_MM. The best estimate alone may be too small: offsets whose direction is unknown
    cancel out in it.
    """
    least, middle, most = np.quantile(o.numbers(view.rays)[:, o.KEYS.index("lens")], [0.16, 0.5, 0.84])
    return float(middle) if most - least <= 2 * KNOWN_LENS_MM else None


_WORDS = {
    "centre-1": "the marks at mirror 1 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "overlap-2": "the marks at mirror 2 wander by {0:.1f} mm along the gantry (tolerance {1:.1f} mm)",
    "centre-2": "the marks at mirror 2 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "overlap-3": "the marks at mirror 3 wander by {0:.1f} mm over the bed (tolerance {1:.1f} mm)",
    "centre-3": "the marks at mirror 3 are {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "nozzle": "the marks at the nozzle are up to {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
    "lens": "the beam meets the lens {0:.1f} mm off its centre (tolerance {1:.1f} mm)",
}


def _reasons(view: View, values: dict[str, float]) -> list[str]:
    limits = dict(zip(o.KEYS, o.limits(view.profile), strict=True))
    over = [_WORDS[key].format(value, limits[key]) for key, value in values.items() if value > limits[key]]
    lean = float(o.leans(view.profile, view.best)[0])
    if lean > LEAN_MM:
        over.append(f"a cut leans by up to {lean:.2f} mm in {SHEET_MM:.0f} mm (tolerance {LEAN_MM} mm)")
    return over or ["not yet proved over the whole bed"]


def estimate(view: View) -> Estimate:
    """Angles of the beam and the five-point map of the marks at mirror 3, each with its sigma."""
    mean = view.best
    angles: dict[str, Pair | None] = {}
    for i, name in enumerate(ANGLES):
        sigmas = view.rays.slope[:, 2, i].std(0) * 1e3
        known = float(sigmas.max()) <= KNOWN_MRAD
        angles[name] = _pair(mean.slope[0, 2, i] * 1e3, sigmas) if known else None
    return Estimate(angles, _five_point(view, mean))


def _pair(values: Array, sigmas: Array) -> Pair:
    u, v = (Known(float(value), float(sigma)) for value, sigma in zip(values, sigmas, strict=True))
    return u, v


def _five_point(view: View, mean: Rays) -> dict[str, Pair | None]:
    """The terms of MAP, fitted over the five positions."""
    if STATIONS[2] not in seen_stations(view):
        return UNKNOWN.five_point
    heads = np.array(o.grid(view.profile)[:5]) * 1e-3
    x, y = (heads - heads[2]).T
    design = np.stack([np.ones(5), y, x, x * y], axis=1)
    known = view.rays.offset_mm[:, :5, 2].std(0) + 1e-6  # (5, 2): better known positions count more
    marks = mean.offset_mm[0, :5, 2]
    fits = [weighted_least_squares(design, marks[:, i], known[:, i])[0] for i in (0, 1)]
    spread = np.stack(
        [_spread(design, view.rays.offset_mm[:, :5, 2, i], known[:, i]) for i in (0, 1)], axis=1
    )
    return {name: _pair(np.array([fit[i] for fit in fits]), spread[i]) for i, name in enumerate(MAP)}


def _spread(design: Array, marks: Array, sigma: Array) -> Array:
    """(4,) standard deviations of the map's terms over the drawn machines."""
    weighted = design / sigma[:, None]
    return np.asarray((marks / sigma @ np.linalg.pinv(weighted).T).std(0))

"""What a cut gets at the five positions: as found, now, and after the next step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.cost import aperture_power, beam_path, kerf_lean
from server.solver.decide.situation import Choice, View, seen_stations
from server.solver.estimate import samples as o
from server.solver.events import Inspected, Shift, Turn
from server.solver.machine.power import SHEET_MM, beam_diameter, focus_shift, spot_diameter
from server.solver.machine.profile import STATIONS, Profile
from server.solver.steps import CutThere, Forecast, Known

Array = NDArray[Any]
DRAWN = 64  # machines that are traced, in pairs of opposites


def forecast(view: View, choice: Choice) -> tuple[Forecast, ...] | None:
    """What a cut gets at each of the five positions, each number with its sigma; None until every station has
    shown a mark. ``found`` is None once something was repaired: the state before a repair cannot be computed
    from the state after it."""
    if not set(STATIONS) <= seen_stations(view):
        return None
    half = len(view.samples.x) // 2
    rows = np.concatenate([np.arange(DRAWN // 2), half + np.arange(DRAWN // 2)])
    some = view.samples.only(rows)
    after = some if choice.event is None else mv.apply(view.profile, view.mixture, some, choice.event)
    found, now, then = (_felt(view.profile, x) for x in (_as_found(view, some), some.x, after.x))
    repaired = any(isinstance(e, Inspected) and e.outcome == "fixed" for e in view.alignment.events)
    heads = o.grid(view.profile)[: len(o.FIVE)]
    return tuple(
        Forecast(head, None if repaired else found[i], now[i], then[i]) for i, head in enumerate(heads)
    )


def _as_found(view: View, samples: o.Samples) -> Array:
    """(M, SIZE) the machines before anything was moved: each move undone, hand error included."""
    x = samples.x.copy()
    for i, event in enumerate(view.alignment.events):
        if isinstance(event, Turn | Shift):
            order = np.random.default_rng([50, i]).permutation(len(x))
            some = replace(samples, noise=samples.noise[order])
            x -= mv.apply(view.profile, view.mixture, some, event).x - samples.x
    return x


def _felt(profile: Profile, x: Array) -> list[CutThere]:
    """What a cut gets at each of the five positions: mean and sigma over machines x (M, SIZE)."""
    rays, five = o.everywhere(profile, x), len(o.FIVE)
    power = aperture_power(profile, rays)[:, :five]
    lean = kerf_lean(profile, rays.lens_mm, rays.slope[..., 3, :])[:, :five] * SHEET_MM
    focus, spot = focus_and_spot(profile)
    still = np.ones((len(x), 1))  # focus and spot are the same for all machines: no screw changes them
    columns = (power, np.hypot(lean[..., 0], lean[..., 1]), still * focus, still * spot)
    return [CutThere(*(_known(values[:, i]) for values in columns)) for i in range(five)]


def focus_and_spot(profile: Profile) -> tuple[Array, Array]:
    """(5,) how far the focus lies below where it lies at the middle of the bed, and (5,) the 1/e² diameter
    there on a sheet that lies in focus at the middle (mm)."""
    path = beam_path(profile)[: len(o.FIVE), 3]
    focus = focus_shift(profile, path)
    focus = focus - focus[o.FIVE.index("centre")]
    wide = beam_diameter(profile, path)
    return focus, np.hypot(spot_diameter(profile, wide), wide * focus / profile.path.lens_focal_mm)


def _known(values: Array) -> Known:
    return Known(round(float(values.mean()), 4), round(float(values.std()), 4))

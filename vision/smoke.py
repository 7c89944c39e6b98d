"""Smoke that settled beside a burn, told apart from the burn.

Smoke darkens the tape around a mark, often on one side, and a fit of a mark on a plane moves towards it. So a
smooth field beside the mark is fitted along with it: bumps 0.6 radii wide, each limited to what smoke can do.
Smoke shows through a burn where the burn has left the tape's colour; that share is tried at a few values. A
mark without smoke gains little from the field and its sigma grows. So the field is kept only where it
explains most of the residuals and has the mark's sign: the missing part of a cut-off mark is not smoke.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.bare_tape import Stack
from vision.card import Floats
from vision.fit import Ground, Spot, fit_spot

_WIDTH, _APART = 0.6, 0.75  # standard deviation of a bump and their distance, in radii of the mark
_NEAREST, _FARTHEST = 0.6, 2.3  # radii from the centre: further in, the burn hides smoke
_STRENGTH = 0.15  # of the mark's height, one standard deviation of a bump
_HIDDEN = (1.0, 0.8, 0.6)  # tries of the share of the smoke that the middle of the mark hides
# Shares of the squares that a mark on bare tape leaves: the most that may be left with the mark as it is, and
# with everything fitted again. Rendered smoke leaves up to 0.72 and 0.48, no smoke at least 0.84 and 0.65.
_MAYBE_SMOKE, _SMOKE = 0.78, 0.55
# Share of the smoke's squares that is paler than the tape beside it (0.08 at most where there was smoke).
_PALER = 0.15
_FIRM = 2.0  # least flatness of a mark that smoke can be told from; a bell's flanks are as soft as smoke
_ROUNDS, _SETTLED_MM = 3, 1e-3


@dataclass(frozen=True, eq=False)
class Points:
    """Where a mark is measured: places, values and weights, each (n,)."""

    x: Floats
    y: Floats
    z: Floats
    weight: Floats

    def left(self, spot: Spot) -> float:
        """Weighted squares of what a fit leaves."""
        return float((self.weight * spot.rest) @ spot.rest)


@dataclass(frozen=True, eq=False)
class Smoky:
    """A mark fitted together with smoke: the fit, the smoke's part of the values (n,), and the variance (2,)
    that is added to the centre because it is not known how much of the smoke the burn hides.
    """

    spot: Spot
    smoke: Floats
    variance: Floats

    def on(self, colour: Floats, shape: tuple[int, ...]) -> Stack:
        """The smoke as a picture (rows, cols, 3) whose projection on this mix of colours is `smoke`."""
        share = colour / (colour @ colour)
        return np.asarray(self.smoke.reshape(*shape[:2], 1) * share, dtype=np.float32)


def clear(spot: Spot) -> Smoky:
    """Return a mark without smoke."""
    return Smoky(spot, np.zeros_like(spot.rest), np.zeros(2))


def beside_smoke(at: Points, spot: Spot, *, oval: bool, ground: Ground | None = None) -> Smoky:
    """Return the mark fitted again together with smoke beside it; unchanged if there is hardly any smoke.

    A soft mark stays where it is; half of the shift that smoke would cause goes into its variance. `spot` is
    the fit without smoke, `ground` what it stands on.
    """
    ground = ground or Ground()
    bumps = _bumps(at, spot)
    hold = np.full(len(bumps), (spot.noise / (_STRENGTH * spot.height)) ** 2)
    before = at.left(spot)
    if not len(bumps) or _left_beside(at, spot, bumps, hold) > _MAYBE_SMOKE * before:
        return clear(spot)
    try:
        tried = [_fitted(at, spot, bumps, hold, hidden, oval, ground) for hidden in _HIDDEN]
    except np.linalg.LinAlgError:
        return clear(spot)
    best = min(tried, key=at.left)
    if at.left(best) > _SMOKE * before:
        return clear(spot)
    smoke, seen = _smoke(at, best, ground), at.weight * (1 - best.profile(at.x, at.y))
    if seen @ np.minimum(smoke, 0) ** 2 > _PALER * (seen @ smoke**2):
        return clear(spot)
    if best.flatness < _FIRM:
        return replace(clear(spot), variance=np.square(best.centre - spot.centre) / 4)
    return Smoky(best, smoke, np.asarray(np.var([one.centre for one in tried], axis=0)))


def _smoke(at: Points, spot: Spot, ground: Ground) -> Floats:
    """The fitted smoke (n,): everything that was fitted except the mark and the plane."""
    away = np.stack([at.x - spot.centre[0], at.y - spot.centre[1]])
    mark = spot.height * spot.profile(at.x, at.y) * (1.0 if ground.visible is None else ground.visible)
    return np.asarray(at.z - spot.rest - mark - spot.plane[0] - spot.plane[1:] @ away)


def _bumps(at: Points, spot: Spot) -> Floats:
    """Bumps (k, n) on a square grid of places around a mark, where the crop shows them."""
    radius = spot.radius()
    steps = np.arange(-_FARTHEST, _FARTHEST + _APART, _APART) * radius
    u, v = (part.ravel() for part in np.meshgrid(spot.centre[0] + steps, spot.centre[1] + steps))
    away, width = spot.relative_radius(u, v), _WIDTH * radius
    shown = (away > _NEAREST) & (away < _FARTHEST)
    shown &= np.abs(u - at.x.mean()) < np.ptp(at.x) / 2 + width
    shown &= np.abs(v - at.y.mean()) < np.ptp(at.y) / 2 + width
    squared = (at.x - u[shown, None]) ** 2 + (at.y - v[shown, None]) ** 2
    return np.asarray(np.exp(-squared / (2 * width**2)))


def _left_beside(at: Points, spot: Spot, bumps: Floats, hold: Floats) -> float:
    """Weighted squares that smoke leaves beside a mark that stays as it is."""
    rows = bumps * (1 - spot.profile(at.x, at.y))
    weighted = rows * at.weight
    rest = spot.rest - np.linalg.solve(weighted @ rows.T + np.diag(hold), weighted @ spot.rest) @ rows
    return float((at.weight * rest) @ rest)


def _fitted(
    at: Points, spot: Spot, bumps: Floats, hold: Floats, hidden: float, oval: bool, ground: Ground
) -> Spot:
    """The mark and the smoke together; what the mark hides of the smoke follows the mark."""
    for _ in range(_ROUNDS):
        on = ground.with_rows(bumps * (1 - hidden * spot.profile(at.x, at.y)), hold)
        centre = (float(spot.centre[0]), float(spot.centre[1]))
        again = fit_spot(
            at.x, at.y, at.z, centre=centre, radius=1.0, weight=at.weight, oval=oval, start=spot, ground=on
        )
        moved = float(np.hypot(*(again.centre - spot.centre)))
        spot = again
        if moved < _SETTLED_MM:
            break
    return spot

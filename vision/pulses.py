"""The pulses of one beam that old marks consist of which have run into each other.

Their outline is not the beam's. But pulses of one tube are alike, and each takes a share of the colour that
is left. So how far the marks have gone is D · (1 - Π (1 - a f(x - cᵢ))), with D how far tape can go, and with
a and the round profile f the same for every pulse. The pulses are the fewest that explain the marks.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.candidates import Mask
from vision.card import Floats
from vision.descent import Search, least_cost
from vision.fit import Spot
from vision.window import Grid

_MOST_PULSES = 5
_BETTER = 0.75  # of the squares: what one more pulse must leave at most
_LEFT = 0.04  # of the variance: pulses of one beam leave less
_CORE = 0.85  # of the greatest distance to the outline: where the centres of pulses may lie
_POINTS = 6  # to a radius
_INDEPENDENT = 50.0  # as many points: what is left hangs together
_SEARCH, _STEP = Search(steps=25, longest_step=0.5, least_share=3e-3, floor=1e-9), 1e-3
_FLATTEST, _SOFTEST = 30.0, -4.0
# What is roughly known, mean and standard deviation: flatness, and logit of the share that a pulse takes; and
# what a good fit leaves, as a share of how far the marks have gone.
_FLATNESS, _TAKEN, _GOOD = (6.0, 6.0), (2.0, 1.0), 0.03
_FIRST = 3  # parameters before the centres: log of the radius, flatness, logit of the share

Params = Floats


@dataclass(frozen=True, eq=False)
class _Marks:
    """How far old marks have gone and what of that counts, (side, side), on a grid."""

    grid: Grid
    gone: Floats
    weight: Floats

    def left(self, params: Params) -> float:
        """Share of the variance that the pulses leave."""
        mean = float((self.weight * self.gone).sum() / self.weight.sum())
        whole = float((self.weight * (self.gone - mean) ** 2).sum())
        return float(self.weight.ravel() @ self.rest(params)[0] ** 2) / max(whole, 1e-9)

    def rest(self, params: Params) -> tuple[Floats, float]:
        """What is left (side * side,), and how far the tape can go."""
        u, v = self.grid.axes_mm()
        flatness, share, sharp = _beam(params)
        left = np.ones_like(self.gone)
        for at in params[_FIRST:].reshape(-1, 2):
            q = sharp * ((u[None, :] - at[0]) ** 2 + (v[:, None] - at[1]) ** 2)
            left *= 1 - share * (1 + np.exp(-flatness)) / (1 + np.exp(np.minimum(q - flatness, 60.0)))
        across, down = np.broadcast_arrays(u[None, :] - u.mean(), v[:, None] - v.mean())
        basis = np.stack([1 - left, np.ones_like(left), across, down]).reshape(4, -1)
        weighted = basis * self.weight.ravel()
        values = self.gone.ravel()
        linear = np.linalg.solve(weighted @ basis.T + 1e-9 * np.eye(4), weighted @ values)
        return np.asarray(values - linear @ basis), float(linear[0])

    def residuals(self, params: Params) -> Floats:
        """Residuals in units of their standard deviation, those of what is roughly known at the end."""
        points = float(self.weight.sum()) / _INDEPENDENT
        allowed = _GOOD * float(np.percentile(self.gone, 98)) * np.sqrt(points)
        held = [(params[1] - _FLATNESS[0]) / _FLATNESS[1], (params[2] - _TAKEN[0]) / _TAKEN[1]]
        return np.asarray(np.r_[np.sqrt(self.weight.ravel()) * self.rest(params)[0] / allowed, held])

    def cost(self, params: Params) -> tuple[float, Floats]:
        """Sum of the squared residuals, and these."""
        rest = self.residuals(params)
        return float(rest @ rest), rest

    def slopes(self, params: Params, rest: Floats) -> tuple[Floats, Floats]:
        """Half the second derivatives of the cost, nearly, and half the first ones."""
        steps = _STEP * np.eye(len(params))
        slopes = np.stack([(self.residuals(params + step) - rest) / _STEP for step in steps])
        return slopes @ slopes.T, slopes @ rest

    def least(self, start: Params) -> tuple[float, Params]:
        """The least cost from a start, and where."""
        return least_cost(_SEARCH, start, self.cost, self.slopes, _bounded)


def pulses_of(gone: Floats, region: Mask, weight: Floats, grid: Grid) -> list[Spot] | None:
    """Return the pulses of marks that have run into each other as round spots that are all alike; None if
    these are no pulses of one beam.

    `gone` is how far the marks have gone, `region` where by half or more, `weight` what of that counts; all
    (side, side).
    """
    depth = cv2.distanceTransform(region.astype(np.uint8), cv2.DIST_L2, 5)
    inner: Floats = np.asarray(depth, dtype=float) * grid.pitch_mm
    radius = max(float(inner.max()), 2 * grid.pitch_mm)
    by = max(1, int(radius / grid.pitch_mm / _POINTS))
    few = np.s_[::by, ::by]
    half = (len(region[few]) - 1) * by * grid.pitch_mm / 2
    u, v = grid.axes_mm()
    sparse = Grid((float(u[0] + half), float(v[0] - half)), by * grid.pitch_mm, len(region[few]))
    marks, inner = _Marks(sparse, gone[few], weight[few]), inner[few]
    beam = [np.log(radius), _FLATNESS[0], _TAKEN[0]]
    best: Params = np.zeros(0)
    cost = np.inf
    for count in range(1, _MOST_PULSES + 1):
        starts = [np.r_[beam, _spread(inner, count, sparse).ravel()]]
        starts += [_with_one_more(marks, best)] if count > 1 else []
        tried = min((marks.least(start) for start in starts), key=lambda end: end[0])
        if tried[0] < _BETTER * cost:
            cost, best = tried
        elif marks.left(best) < _LEFT:
            break
    most = marks.rest(best)[1]
    return _spots(best, most) if marks.left(best) < _LEFT and most > 0 else None


def _bounded(params: Params) -> Params:
    params[1] = np.clip(params[1], _SOFTEST, _FLATTEST)
    return params


def _beam(params: Params) -> tuple[float, float, float]:
    """The profile's flatness, the share that a pulse takes, and q at 1 mm."""
    flatness = float(params[1])
    half = flatness + np.log1p(2 * np.exp(-flatness))
    return flatness, 1 / (1 + float(np.exp(-params[2]))), float(half * np.exp(-2 * params[0]))


def _spots(params: Params, most: float) -> list[Spot]:
    """The pulses, where tape can go so far."""
    flatness, share, sharp = _beam(params)
    form = sharp * np.eye(2)
    unknown = np.zeros((2, 2)), np.zeros(0), 0.0, np.zeros((2, 0))
    centres = params[_FIRST:].reshape(-1, 2)
    return [Spot(at, form, flatness, share * most, np.zeros(3), *unknown) for at in centres]


def _spread(inner: Floats, count: int, grid: Grid) -> Floats:
    """Centres (count, 2) that lie apart from each other deep inside the marks."""
    u, v = np.meshgrid(*grid.axes_mm())
    inside, core = inner > 0, inner >= _CORE * inner.max()
    middle: Floats = np.array([[u[inside].mean(), v[inside].mean()]])
    points: Floats = np.column_stack([u[core], v[core]])
    chosen: Floats = np.zeros((0, 2))
    for _ in range(count if count > 1 else 0):
        so_far = chosen if len(chosen) else middle
        away = np.hypot(*(points[:, None] - so_far).transpose(2, 0, 1)).min(axis=1)
        chosen = np.vstack([chosen, points[[int(np.argmax(away))]]])
    return np.asarray(chosen if count > 1 else middle)


def _with_one_more(marks: _Marks, params: Params) -> Params:
    """The pulses found so far, and one more where they leave most."""
    rest = (marks.rest(params)[0] * marks.weight.ravel()).reshape(marks.gone.shape)
    smooth = np.asarray(cv2.GaussianBlur(rest, (0, 0), 0.3 * float(np.exp(params[0])) / marks.grid.pitch_mm))
    row, col = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    u, v = marks.grid.axes_mm()
    return np.asarray(np.r_[params, u[col], v[row]])

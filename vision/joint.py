"""Fit one new mark to two pictures at once, with the older marks as a part of the model.

A pulse burns a share of the colour that is left, so on burnt tape it changes little: the change is
h · f(x) · (1 - z(x)/D), with f the new mark's profile, z the burn of the older marks (how far they have
gone) and D the burn at which no colour is left (how far tape can go). The camera blurs this product, but each
factor is known only blurred: to first order, blurring f·g with variance s² gives F·G + s² ∇F·∇G, a tenth of
the height where two edges run side by side. Errors of the comparison enter linearly, each with its prior: a
shift of the old picture, other sharpness, another gain. These alone, without a new mark, are the rival.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.card import Floats
from vision.fit import Ground, Spot, fit_spot
from vision.window import Grid

_SMOOTH_PX = 1.0
_ROOM = (1.0, 1.1, 1.3, 1.7, 3.0)  # tries of how far tape can go, in shares of how far it has gone
_FINER = (1.12, 1.06, 1.03)
_TRY_ROUNDS, _MOST_TRIES, _BLUR_ROUNDS = 6, 3, 3
_LEAST_SHARE, _MOST_SHARE = 0.25, 0.8
_BY_HAND_MM, _BY_HAND_GAIN = 0.03, 0.12  # on a stand, with light that nobody moved, 0.015 and 0.04
_TOGETHER, _TOGETHER_BY_HAND = 400.0, 100.0  # measured: errors on old marks stay alike from 400 to 1500
_TONE = 0.1  # bend of a camera's tone curve, as a share of a level that is 128 levels off; our estimate
_FAINT_OLD = 0.08  # of the change: older marks fainter than this hide nothing
_AROUND, _FEWEST_POINTS = 1.6, 30  # radii of a mark, and points there, in which an older one is sought


Tried = tuple[float, Spot, Ground, float]  # cost, the fit, what it stands on, how far tape can go


@dataclass(frozen=True)
class Mismatch:
    """What may still be wrong with the old picture, one standard deviation of each: its shift, the variance
    of its blur, its gain. Two pictures of one camera on a stand have little of either.
    """

    shift_mm: float = 0.06
    blur_mm2: float = 0.03
    gain: float = 0.15

    def unlike(self) -> float:
        """How unlike the two pictures are, in view or light; 1 for two photos by hand that are most alike."""
        return max(self.shift_mm / _BY_HAND_MM, self.gain / _BY_HAND_GAIN)

    @property
    def by_hand(self) -> bool:
        """Whether the pictures differ as two photos by hand do."""
        return self.unlike() >= 1

    def together(self) -> float:
        """Number of points whose errors are correlated.

        The residuals of a burn are its ragged edge, not pixel noise: they are correlated along the edge and
        many times as large. If each point counted by itself, a gain of ten standard deviations would be a
        cheap way to fit such an edge, with a burn that is too wide. Two photos by hand may differ by more
        than the model predicts.
        """
        return _TOGETHER_BY_HAND if self.by_hand else _TOGETHER

    def least_share(self) -> float:
        """Share of what the rival leaves of the change that a burn must explain: small for a camera on a
        stand, large if the pictures differ anyway.
        """
        return _LEAST_SHARE + (_MOST_SHARE - _LEAST_SHARE) * min(self.unlike() ** 2, 1.0)


@dataclass(frozen=True, eq=False)
class Patch:
    """A crop of both pictures in one mix of colours: the change, the old picture as expected now, how far its
    older marks have gone, and the weights; all (side, side). `blur_mm2`: variance of both pictures' blur
    along u and v. `otherwise`: what other light or tones of the old picture would add, each (side, side).
    """

    grid: Grid
    change: Floats
    known: Floats
    gone: Floats
    weight: Floats
    mismatch: Mismatch
    blur_mm2: tuple[float, float] = (0.0, 0.0)
    otherwise: tuple[Floats, ...] = ()

    def noise(self) -> float:
        """Robust standard deviation of the change between neighbouring points."""
        apart = np.diff(self.change, axis=1)[self.weight[:, 1:] > 0]
        return 1.4826 * float(np.median(np.abs(apart))) / np.sqrt(2) + 0.05 if apart.size else 1.0

    def rows(self, *, freely: bool = False, otherwise: bool = False) -> tuple[Floats, Floats]:
        """What a shift, another sharpness, gain and tone curve of the old picture add, and their ridges.

        `freely`: as if what a fit leaves were the noise of single points. `otherwise`: also the patch's own
        other light and tones, each about once.
        """
        smooth = np.asarray(cv2.GaussianBlur(self.known, (0, 0), _SMOOTH_PX))
        down, across = np.gradient(smooth, self.grid.pitch_mm)
        by_v, by_u = -down, across
        uu = np.gradient(by_u, self.grid.pitch_mm, axis=1)
        uv = np.gradient(by_v, self.grid.pitch_mm, axis=1)
        vv = -np.gradient(by_v, self.grid.pitch_mm, axis=0)
        level = smooth - np.median(smooth[self.weight > 0]) if (self.weight > 0).any() else smooth
        rows = np.stack([part.ravel() for part in (by_u, by_v, uu, uv, vv, level, level**2 / 128)])
        shift, blur, gain = self.mismatch.shift_mm, self.mismatch.blur_mm2, self.mismatch.gain
        likely = np.array([shift, shift, blur, blur, blur, gain, min(gain / 4, _TONE)])
        if otherwise and self.otherwise:
            rows = np.vstack([rows, *(other.ravel() for other in self.otherwise)])
            likely = np.r_[likely, np.ones(len(self.otherwise))]
        together = 1.0 if freely else self.mismatch.together()
        return rows, together * (self.noise() / likely) ** 2


def rival_rest(patch: Patch, rows: Floats, ridge: Floats) -> Floats:
    """Return what a changed light, shift and sharpness alone leave of the change, (side * side,)."""
    u, v = np.meshgrid(*patch.grid.axes_mm())
    plane = np.stack(
        [np.ones(u.size), u.ravel() - patch.grid.centre_mm[0], v.ravel() - patch.grid.centre_mm[1]]
    )
    basis = np.vstack([plane, rows])
    weighted = basis * patch.weight.ravel()
    hold = np.diag(np.r_[1e-9, 1e-9, 1e-9, ridge])
    values: Floats = patch.change.ravel()
    return np.asarray(values - np.linalg.solve(weighted @ basis.T + hold, weighted @ values) @ basis)


def explained(patch: Patch, spot: Spot, rival: Floats, radius_mm: float) -> float:
    """Share of what the rival leaves that the mark explains; see `share_explained`."""
    return share_explained(patch.grid, patch.weight, radius_mm, spot.rest, rival)


def share_explained(grid: Grid, weight: Floats, radius_mm: float, rest: Floats, rival: Floats) -> float:
    """Return the share of `rival` that is gone in `rest`, both (side * side,), seen through a blur of a third
    of the mark's radius, which hides noise and ragged edges. `weight` is (side, side).
    """
    sigma = max(radius_mm / 3 / grid.pitch_mm, 0.8)
    cover = np.maximum(np.asarray(cv2.GaussianBlur(weight, (0, 0), sigma)), 0.05)

    def energy(values: Floats) -> float:
        smooth = cv2.GaussianBlur(values.reshape(weight.shape) * weight, (0, 0), sigma) / cover
        return float((weight * np.asarray(smooth) ** 2).sum())

    return 1 - energy(rest) / max(energy(rival), 1e-9)


def was_there(patch: Patch, spot: Spot) -> float:
    """Return the share of the older marks' burn around a new mark that the new mark's outline explains and a
    plane does not: near one if the picture before shows the same mark, zero if it shows none.
    """
    u, v = np.meshgrid(*patch.grid.axes_mm())
    near = (spot.relative_radius(u, v) < _AROUND) & (patch.weight > 0)
    if near.sum() < _FEWEST_POINTS:
        return 0.0
    plane = np.column_stack([np.ones(int(near.sum())), u[near], v[near]])
    both = np.column_stack([plane, spot.profile(u[near], v[near])])
    gone: Floats = patch.gone[near]
    fits = [np.linalg.lstsq(basis, gone, rcond=None)[0] for basis in (plane, both)]
    if fits[1][3] < _FAINT_OLD * spot.height:
        return 0.0
    bare, with_it = (float(np.square(gone - b @ f).sum()) for b, f in zip((plane, both), fits, strict=True))
    return 1 - with_it / max(bare, 1e-9)


def fit_joint(
    patch: Patch,
    starts: list[tuple[tuple[float, float], float]],
    *,
    oval: bool,
    ground: tuple[Floats, Floats],
) -> tuple[Spot, Ground] | None:
    """Return the best fit of one new mark from rough centres and radii, and the ground that it stands on."""
    u, v = np.meshgrid(*patch.grid.axes_mm())
    x, y, z, w = u.ravel(), v.ravel(), patch.change.ravel(), patch.weight.ravel()
    few = (np.add.outer(np.arange(u.shape[0]), np.arange(u.shape[1])) % 2 == 0).ravel()
    most = _furthest(patch)
    top = float(np.percentile(patch.change[patch.weight > 0], 98)) if (patch.weight > 0).any() else 0.0
    rooms = [np.inf] if most < _FAINT_OLD * max(top, 1e-6) else [most * room for room in _ROOM]
    tried: list[Tried] = []
    for centre, radius in starts:
        for room in rooms:
            on = Ground(_visible(patch, room), *ground)
            part = Ground(None if on.visible is None else on.visible[few], ground[0][:, few], ground[1])
            try:
                spot = fit_spot(
                    x[few],
                    y[few],
                    z[few],
                    centre=centre,
                    radius=radius,
                    weight=w[few],
                    rounds=_TRY_ROUNDS,
                    ground=part,
                )
            except np.linalg.LinAlgError:
                continue
            tried.append((float((w[few] * spot.rest) @ spot.rest), spot, on, room))
    if not tried:
        return None
    finished: list[Tried] = []
    for _, spot, on, room in sorted(tried, key=lambda t: t[0])[:_MOST_TRIES]:
        best = _finished(patch, spot, on, room, oval=oval)
        finished += [] if best is None else [best]
    if not finished:
        return None
    best = _best_room(patch, min(finished, key=lambda t: t[0]), ground, most, oval=oval)
    return best[1], best[2]


def _finished(patch: Patch, spot: Spot, on: Ground, room: float, *, oval: bool) -> Tried | None:
    """The fit to all points from a rough one, corrected for blur where two edges are near, and its cost."""
    u, v = np.meshgrid(*patch.grid.axes_mm())
    x, y, w = u.ravel(), v.ravel(), patch.weight.ravel()
    for _ in range(1 if on.visible is None else _BLUR_ROUNDS):
        about = (float(spot.centre[0]), float(spot.centre[1]))
        z = patch.change.ravel() - _two_edges(patch, spot, on)
        try:
            spot = fit_spot(x, y, z, centre=about, radius=1.0, weight=w, oval=oval, start=spot, ground=on)
        except np.linalg.LinAlgError:
            return None
    return float((w * spot.rest) @ spot.rest), spot, on, room


def _two_edges(patch: Patch, spot: Spot, on: Ground) -> Floats:
    """What blur adds where the edges of the mark and of older ones lie near each other, (side * side,)."""
    if on.visible is None:
        return np.zeros(patch.change.size)
    u, v = np.meshgrid(*patch.grid.axes_mm())
    shown = on.visible.reshape(u.shape)
    smooth = np.asarray(cv2.GaussianBlur(shown, (0, 0), _SMOOTH_PX), dtype=shown.dtype)
    edges = edges_together(spot.profile(u, v), smooth, patch.grid.pitch_mm, patch.blur_mm2)
    return np.asarray(spot.height * edges.ravel())


def edges_together(
    profile: Floats, visible: Floats, pitch_mm: float, blur_mm2: tuple[float, float]
) -> Floats:
    """Return what blur of these variances along u and v adds to profile × visible, all (side, side): their
    edges' product, s² ∇F·∇G.
    """
    (down, across), (shown_down, shown_across) = (np.gradient(of, pitch_mm) for of in (profile, visible))
    along_u, along_v = blur_mm2
    return np.asarray(along_u * across * shown_across + along_v * down * shown_down)


def _best_room(patch: Patch, best: Tried, ground: tuple[Floats, Floats], most: float, *, oval: bool) -> Tried:
    """The best fit over how far tape can go, in ever finer steps around the best of the coarse tries."""
    if not np.isfinite(best[3]):
        return best
    for step in _FINER:
        for factor in (1 / step, step):
            room = max(best[3] * factor, most)
            on = Ground(_visible(patch, room), *ground)
            again = _finished(patch, best[1], on, room, oval=oval)
            if again is not None and again[0] < best[0]:
                best = again
    return best


def _furthest(patch: Patch) -> float:
    """The older marks' burn where it is strongest."""
    smooth = np.asarray(cv2.GaussianBlur(patch.gone, (0, 0), 1.0))
    return float(np.percentile(smooth, 99.5))


def _visible(patch: Patch, room: float) -> Floats | None:
    if not np.isfinite(room):
        return None
    return np.asarray(np.clip(1 - np.clip(patch.gone, 0, None) / room, 0, 1).ravel())

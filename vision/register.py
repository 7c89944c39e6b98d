"""Match the picture before to the picture after: equally sharp, and registered to a few hundredths of a mm.

The card alone registers two pictures of it, but the tape lies a little before or behind the card's plane and
is wavy, and two pictures by hand are not equally sharp. So the sharper one is blurred to match, as measured
at the markers' edges, and the rest of the shift is found in the window itself, from old marks and the tape's
texture: a quadratic displacement field, by robust Gauss–Newton steps (Lucas and Kanade 1981).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.bare_tape import INSIDE_MM, Stack, fit_tape, surface_basis
from vision.card import MARKER_MM, STATIONS, Floats, card_sheet
from vision.edges import edge_profiles
from vision.find import to_grey
from vision.measure import card_sigma
from vision.parallax import BY_HAND, sight_slope
from vision.picture import Pixels
from vision.reading import CardView
from vision.tone_curve import tone_between
from vision.window import Grid, flatten_view, window_grid

_PITCH_MM = 0.4
_HEIGHT_MM = 0.3  # tape may be this far off the card's plane
_CARD_MM = 0.01  # error of the card's own place beyond its covariance
_SLACKS_MM = (
    0.15,
    0.08,
    0.04,
    0.04,
)  # what may still be wrong at each step, so that old edges are no outliers
_SMOOTH_PX = (1.5, 1.0, 0.7, 0.7)
_LANDMARK = 3.0  # times the median slope: less may be noise, and noise would hold the shift at zero
# Apparent shift of a landmark whose sides are lit differently because the light moved. Measured; 0.03 and
# 0.06 do as well.
_LANDMARK_MM = 0.04
_LEAST_BLUR_MM2 = 0.03**2
_MOST_BLUR_MM2 = 1.0


@dataclass(frozen=True, eq=False)
class Sharpness:
    """Variance (mm²) of the blur along u and along v, as the markers' edges show it."""

    along_u: float
    along_v: float

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the blur, the stronger of both."""
        return float(np.sqrt(max(self.along_u, self.along_v)))

    def less(self, other: Sharpness) -> tuple[float, float]:
        """How much this one must be blurred, along u and v, to be no sharper than another."""
        needs = np.array([other.along_u - self.along_u, other.along_v - self.along_v])
        needs = np.clip(np.where(needs > _LEAST_BLUR_MM2, needs, 0.0), 0, _MOST_BLUR_MM2)
        return float(needs[0]), float(needs[1])


@dataclass(frozen=True, eq=False)
class Shown:
    """A picture's window, ready to be compared.

    `own` is its sharpness and `blur_mm2` the blur to be added. `shift` (2, 6), mm in `surface_basis`, is its
    displacement; `doubt` (12, 12) is the covariance of that.
    """

    picture: Pixels
    view: CardView
    own: Sharpness
    blur_mm2: tuple[float, float] = (0.0, 0.0)
    shift: Floats | None = None
    doubt: Floats | None = None

    def blurred_mm2(self) -> tuple[float, float]:
        """Variance of its blur along u and along v, its own and what was added."""
        return self.own.along_u + self.blur_mm2[0], self.own.along_v + self.blur_mm2[1]

    def apart(self, at_mm: Floats) -> tuple[Floats, Floats]:
        """How far (2,) from a point's own place the picture shows it, and the covariance (2, 2) of that."""
        if self.shift is None or self.doubt is None:
            return np.zeros(2), np.zeros((2, 2))
        terms = np.kron(np.eye(2), surface_basis(Grid((float(at_mm[0]), float(at_mm[1])), 1.0, 1)).ravel())
        return terms @ self.shift.ravel(), terms @ self.doubt @ terms.T

    def on(self, grid: Grid) -> Stack:
        """Return the window's part on a grid, (side, side, 3)."""
        moved = None if self.shift is None else np.tensordot(self.shift, surface_basis(grid), axes=1)
        flat = flatten_view(self.picture, self.view, grid, moved)
        return blurred(flat, self.blur_mm2, grid)


def blurred(flat: Stack, blur_mm2: tuple[float, float], grid: Grid) -> Stack:
    """Return a flat picture blurred by Gaussians of these variances along u and v."""
    if max(blur_mm2) <= 0:
        return flat
    across, down = (max(float(np.sqrt(b)) / grid.pitch_mm, 0.01) for b in blur_mm2)
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), sigmaX=across, sigmaY=down), dtype=np.float32)


def sharpness(picture: Pixels, view: CardView) -> Sharpness:
    """Return the blur of a picture at its card: for a Gaussian step S, ∫ S (1 - S) dx is sd/√π."""
    corners = list(card_sheet(STATIONS[0]).markers.values())  # they stand alike on every card
    steps, reach_mm, along_u = edge_profiles(
        to_grey(picture), corners, view.units_to_px, MARKER_MM / 6 * 0.47, view.bend
    )
    if not len(steps):
        return Sharpness(0.0, 0.0)
    spread = np.clip(steps * (1 - steps), 0, None).mean(axis=1) * 2 * reach_mm * np.sqrt(np.pi)
    both = [
        float(np.median(spread[way])) if way.any() else float(np.median(spread))
        for way in (along_u, ~along_u)
    ]
    return Sharpness(both[0] ** 2, both[1] ** 2)


def register(after: Pixels, view: CardView, before: Pixels, before_view: CardView) -> tuple[Shown, Shown]:
    """Return the pictures after and before as they are to be compared.

    Two views see tape at a height apart along the difference of their lines of sight, and nowhere else. So a
    camera on a stand sees no shift at all, and what looks like one there is a new mark on an old one.
    """
    now, then = sharpness(after, view), sharpness(before, before_view)
    shown = Shown(after, view, now, now.less(then))
    earlier = Shown(before, before_view, then, then.less(now), np.zeros((2, 6)))
    grid = window_grid(_PITCH_MM)
    views = [sight_slope(one.view, one.picture.shape, np.zeros(2)) for one in (shown, earlier)]
    if np.hypot(*(views[0] - views[1])) < BY_HAND:
        return shown, earlier
    prior = _shift_prior(shown, earlier, views[0] - views[1])
    seen, tape, bare = shown.on(grid), None, None
    most = float(1 / np.sqrt(np.linalg.eigvalsh(prior)[0]))
    for slack, smooth in zip(np.minimum(_SLACKS_MM, most), _SMOOTH_PX, strict=True):
        known = earlier.on(grid)
        tape, bare = tape or fit_tape(seen, known, grid), bare or fit_tape(known, None, grid)
        expected = _as_toned(
            seen, tape.expected(grid, known), tape.expected(grid, bare.expected(grid, None)), grid
        )
        so_far = np.asarray(earlier.shift)
        step, doubt = _step(seen, expected, grid, slack, smooth, so_far, prior)
        earlier = replace(earlier, shift=so_far + step, doubt=doubt)
        if np.abs(step).max() < 0.004:
            break
    return shown, earlier


def _as_toned(seen: Stack, expected: Stack, unburnt: Stack, grid: Grid) -> Stack:
    """The expected picture in the tones of the one after: a mark darker all over must not look shifted."""
    inside = grid.radius_mm() < INSIDE_MM
    return tone_between(seen[inside], expected[inside], unburnt[inside]).of(expected, unburnt)


def _shift_prior(shown: Shown, earlier: Shown, between: Floats) -> Floats:
    """Inverse prior covariance (2, 2) of the shift: the tape's height shifts it along the difference of the
    lines of sight, the uncertainty of the card's place in all directions.
    """
    card = sum(card_sigma(one.view, np.zeros(2)) ** 2 for one in (shown, earlier)) + _CARD_MM**2
    return np.asarray(np.linalg.inv(_HEIGHT_MM**2 * np.outer(between, between) + np.diag(card)))


def _step(
    seen: Stack,
    expected: Stack,
    grid: Grid,
    slack_mm: float,
    smooth_px: float,
    so_far: Floats,
    likely: Floats,
) -> tuple[Floats, Floats]:
    """One Gauss–Newton step of the shift, (2, 6) mm, and the shift's covariance (12, 12)."""
    inside = grid.radius_mm() < INSIDE_MM - 3 * smooth_px * grid.pitch_mm / 2
    mask = inside.astype(np.float32)[..., None]
    rest = cv2.GaussianBlur((seen - expected) * mask, (0, 0), smooth_px)
    by_u, by_v = slopes(np.asarray(cv2.GaussianBlur(expected, (0, 0), smooth_px)), grid)
    steep = np.hypot(by_u, by_v)
    landmark = steep > _LANDMARK * np.median(steep[grid.radius_mm() < INSIDE_MM - 2], axis=0)
    by_u, by_v = by_u * landmark, by_v * landmark
    basis = surface_basis(grid)[:, inside].astype(np.float32)
    matrix, right = np.zeros((12, 12)), np.zeros(12)
    for channel in range(3):
        r, du, dv = rest[inside][:, channel], by_u[inside][:, channel], by_v[inside][:, channel]
        noise = 1.4826 * float(np.median(np.abs(r))) + 0.2
        allowed = noise**2 + slack_mm**2 * (du**2 + dv**2)
        weight = np.clip(1 - r**2 / (16 * allowed), 0, None) ** 2 / allowed
        rows = np.vstack([basis * du, basis * dv])
        weighted = rows * weight
        # smoothing correlates neighbours, so there are fewer independent points
        fewer = 1 / (4 * np.pi * smooth_px**2)
        matrix += fewer * weighted @ rows.T
        right += fewer * weighted @ r
    known = (matrix[0, 0] + matrix[6, 6]) / 2  # of a shift of the whole window
    matrix, right = (part / (1 + _LANDMARK_MM**2 * known) for part in (matrix, right))
    prior = np.kron(likely, np.eye(6))
    doubt = np.linalg.inv(matrix + prior)
    return np.asarray((doubt @ (right - prior @ so_far.ravel())).reshape(2, 6)), doubt


def slopes(flat: Stack, grid: Grid) -> tuple[Stack, Stack]:
    """Return the derivatives of a flat picture along u and v, per mm."""
    per_mm = 0.5 / grid.pitch_mm
    middle = np.array([[-1.0, 0.0, 1.0]])
    across = cv2.filter2D(flat, cv2.CV_32F, middle * per_mm, borderType=cv2.BORDER_REPLICATE)
    down = cv2.filter2D(flat, cv2.CV_32F, middle.T * per_mm, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(across), np.asarray(-down)

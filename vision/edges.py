"""The card's place to a hundredth of a pixel: one homography fitted to all edges of all markers.

A marker's outline is a step from black to white. Across it the picture is sampled along the normal. The area
under the normalised step gives the place of the edge, which no symmetric blur changes. All these distances
together determine the eight parameters of the homography, one for ink that spread or light that bloomed, and
one for the bend of the lens.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bend import FOCAL_SPREAD, Bend, apparent, bend_of_tensor, eye_of, likeliest_focal
from vision.card import MARKER_MM, Floats
from vision.homography import jacobian, project

SCALE_MM = 50.0  # card coordinates are divided by this, so that the parameters are of one size
_PER_EDGE = 24
_ACROSS = 17
_ALONG = (0.10, 0.90)  # part of an edge that corners do not touch
_REACH_MODULES = 0.45
_MODULE_MM = MARKER_MM / 6
_LONGEST_REACH_PX = 6.0
_SPREAD_PRIOR_MM = 0.15
_BEND_PRIOR = 0.05  # typical distortion of an uncalibrated lens at the picture's corner
_LEAST_CONTRAST = 8.0
_REWEIGHTINGS = 3
_STEP_MM, _STEP = 0.05, 1e-4  # for derivatives
_BEND_UNITS = np.array([0.002, 0.2])  # 1/mm and radians: they move the markers about as far as the others
_BEND_STEP = np.array([0.002, 0.3])
_BENT = 0.9  # the fit of a bent card must leave less than this share of the flat card's rms
_MOST_ROUNDS = 10
_STILL_PX = 0.008  # a round that moves no corner by more is the last; small markers, all blur, need several
_LEAK_SHARE = 0.05  # of what an edge's blur hides beyond the profile's ends; measured, see docs/reading.md
_BLUR_SEEN, _BEYOND = 0.5, 7.0  # measured likewise
# How many neighbouring points of an edge are averaged, and the error of a whole edge as a multiple of theirs:
# from photographs of printed boards, see tests/vision/test_outside_boards.py.
_TOGETHER, _WHOLE_EDGE = 6, 1.1
_PIXEL_NOISE_PX = 0.045  # what pixel noise alone does from point to point
_UNEVEN_LIGHT = 0.05  # what a linear slope of the light may leave: more is a shadow's edge across the marker
_STEEPEST = 0.3  # change of the light from an edge to the end of its profile
_LIGHT_PRIOR = 1e-4  # keeps the light's slope at zero where too little of a marker is seen to measure it


@dataclass(frozen=True)
class EdgeFit:
    """A homography (card mm → px) and the covariance (8, 8) of its parameters in `point_terms`.

    `rms_px` is the rms of the edges' distances, `misfit_px` the same including the edges left out, `left_out`
    the share of well seen edges that were. `bend` is the cylinder on which a bent card lies, `bend_over_sd`
    its curvature in standard deviations. `lens` is the radial distortion at the picture's corner, as a share
    of the distance to it.
    """

    homography: Floats
    covariance: Floats
    rms_px: float
    edges_used: int
    bend: Bend | None = None
    misfit_px: float = 0.0
    left_out: float = 0.0
    lens: float = 0.0
    bend_over_sd: float = 0.0

    def sigma_mm(self, point_mm: Floats) -> Floats:
        """Covariance (2, 2), mm², of the card position that is read at a point of the card."""
        terms = point_terms(np.atleast_2d(point_mm))[0]
        return np.asarray(terms @ self.covariance @ terms.T) * SCALE_MM**2


def point_terms(points_mm: Floats) -> Floats:
    """Derivative of a card point, in units of `SCALE_MM`, by the eight parameters: shape (n, 2, 8)."""
    x, y = (points_mm / SCALE_MM).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    first = np.stack([x, y, one, zero, zero, zero, -x * x, -x * y], axis=1)
    second = np.stack([zero, zero, zero, x, y, one, -x * y, -y * y], axis=1)
    return np.stack([first, second], axis=1)


def fit_edges(
    grey: NDArray[np.uint8],
    markers: list[Floats],
    homography: Floats,
    *,
    rounds: int = _MOST_ROUNDS,
    bend: Bend | None = None,
) -> EdgeFit:
    """Refine a rough homography (good to a few px), and a rough `bend` if there is one, by the edges of
    markers given by corners (4, 2) in mm.
    """
    sheet = _edge_points(markers)
    ends = sheet[0][:: _PER_EDGE - 1]
    ratio = 1.0 if bend is None else likeliest_focal(homography, grey.shape)
    lens = 0.0
    for _ in range(rounds):
        points, outward = _seen_flat(*sheet, bend)
        across, normal = _normals(homography, points, outward)
        by_lens = _by_lens(homography, points, grey.shape)
        expected = project(homography, points) + lens * by_lens
        offset_px, good, hidden = _edge_offsets(grey, expected, normal, across)
        design = _design(points, outward, homography, normal)
        design = np.column_stack([design, (normal * by_lens).sum(axis=1)])
        # the whole distortion is solved for, not its change, because the prior is on the whole
        offset_px += lens * design[:, 9]
        if bend is None:
            solved = _solve(design, offset_px, good)
        else:
            more = _bend_design(sheet[0], homography, normal, bend, ratio, grey.shape)
            solved = _solve(np.column_stack([design, more]), offset_px, good, float(np.log(ratio)))
        last, homography = project(homography, apparent(ends, bend)), _moved(homography, solved.solution[:8])
        lens = float(solved.solution[9])
        if bend is not None:
            ratio *= float(np.exp(np.clip(solved.solution[12], -0.2, 0.2)))
            more_curved, turned = np.clip(solved.solution[10:12] * _BEND_UNITS, -_BEND_STEP, _BEND_STEP)
            bend = bend.turned(float(more_curved), float(turned))
            bend = bend.seen_from(eye_of(homography, grey.shape, ratio))
        if np.abs(project(homography, apparent(ends, bend)) - last).max() < _STILL_PX:
            break
    used = int(good.reshape(-1, _PER_EDGE).any(axis=1).sum())
    wide = design if bend is None else np.column_stack([design, more])
    covariance = solved.covariance(wide, own_px=float(np.hypot(hidden, _WHOLE_EDGE * solved.uneven_px())))
    curved = 0.0
    if bend is not None:
        curved = abs(bend.curvature) / float(_BEND_UNITS[0] * np.sqrt(covariance[10, 10]))
    return EdgeFit(
        homography,
        covariance[:8, :8],
        solved.rms_px(),
        used,
        bend,
        solved.misfit_px(),
        solved.left_out(good),
        lens,
        curved,
    )


def _seen_flat(points: Floats, outward: Floats, bend: Bend | None) -> tuple[Floats, Floats]:
    """Where points of a bent card's sheet are seen on its plane, (n, 2), and what a step of 1 mm out of the
    marker becomes there, its part across the edge, (n, 2).
    """
    if bend is None:
        return points, outward
    side = np.column_stack([outward[:, 1], -outward[:, 0]])
    along, out = (
        (bend.apparent(points + _STEP_MM * way) - bend.apparent(points - _STEP_MM * way)) / (2 * _STEP_MM)
        for way in (side, outward)
    )
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return bend.apparent(points), normal * (normal * out).sum(axis=1, keepdims=True)


def first_bend(grey: NDArray[np.uint8], markers: list[Floats], flat: EdgeFit) -> Bend | None:
    """Return the slight bend that explains the residuals of a flat card's fit, or None."""
    points, outward = _edge_points(markers)
    across, normal = _normals(flat.homography, points, outward)
    by_lens = _by_lens(flat.homography, points, grey.shape)
    expected = project(flat.homography, points) + flat.lens * by_lens
    offset_px, good, _ = _edge_offsets(grey, expected, normal, across)
    design = _design(points, outward, flat.homography, normal)
    lens = (normal * by_lens).sum(axis=1)
    offset_px += flat.lens * lens
    eye = eye_of(flat.homography, grey.shape, likeliest_focal(flat.homography, grey.shape))
    u, v = points.T
    pushed = np.einsum("ni,nij,nj->n", normal, jacobian(flat.homography, points), points - eye[:2])
    curved = [-0.5 * _BEND_UNITS[0] / eye[2] * pushed * term for term in (u * u, u * v, v * v)]
    flat_only = _solve(np.column_stack([design, lens]), offset_px, good)
    wide = _solve(np.column_stack([design, lens, *curved]), offset_px, good)
    if not wide.rms_px() < _BENT * flat_only.rms_px():
        return None
    return bend_of_tensor(wide.solution[10:13] * _BEND_UNITS[0], eye)


def _bend_design(
    sheet: Floats, homography: Floats, normal: Floats, bend: Bend, ratio: float, shape: tuple[int, ...]
) -> Floats:
    """Derivative (n, 3) of the distances by curvature and direction, in `_BEND_UNITS`, and by the logarithm
    of the focal length.
    """
    here = project(homography, bend.apparent(sheet))
    longer = bend.seen_from(eye_of(homography, shape, ratio * float(np.exp(_STEP))))
    tried = [
        bend.turned(_BEND_UNITS[0] * _STEP, 0.0),
        bend.turned(0.0, _BEND_UNITS[1] * _STEP),
        longer,
    ]
    moved = [project(homography, one.apparent(sheet)) - here for one in tried]
    return np.stack([(normal * m).sum(axis=1) / _STEP for m in moved], axis=1)


def _edge_points(markers: list[Floats]) -> tuple[Floats, Floats]:
    """Points along all edges, (n, 2) mm, and the outward unit normal in the card at each."""
    share = np.linspace(*_ALONG, _PER_EDGE)[:, None]
    points, outward = [], []
    for corners in markers:
        for start, stop in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            points.append(start + share * (stop - start))
            along = (stop - start) / np.linalg.norm(stop - start)
            outward.append(np.tile((-along[1], along[0]), (_PER_EDGE, 1)))
    return np.vstack(points), np.vstack(outward)


def _normals(homography: Floats, points: Floats, outward: Floats) -> tuple[Floats, Floats]:
    """Reach of the profile in px and unit normals of the edges in the picture, out of the marker."""
    maps = jacobian(homography, points)
    along = np.einsum("nij,nj->ni", maps, np.column_stack([outward[:, 1], -outward[:, 0]]))
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    depth = np.einsum("ni,nij,nj->n", normal, maps, outward)
    normal *= np.sign(depth)[:, None]
    return np.minimum(np.abs(depth) * _MODULE_MM * _REACH_MODULES, _LONGEST_REACH_PX), normal


def _edge_offsets(
    grey: NDArray[np.uint8], expected: Floats, normal: Floats, reach: Floats
) -> tuple[Floats, NDArray[np.bool_], float]:
    """Distance (n,) in px from each expected edge to the measured one, which of them can be trusted (n,), and
    an error in px of each whole edge that residuals may not show.
    """
    steps = np.linspace(-1, 1, _ACROSS)
    at = expected[:, None] + (reach[:, None] * steps)[..., None] * normal[:, None]
    inside = ((at > 0) & (at < np.array(grey.shape[::-1]) - 1)).all(axis=(1, 2))
    x, y = np.moveaxis(at.astype(np.float32), 2, 0)
    sampled = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = np.asarray(sampled, dtype=float)
    slope = _light_slope(profile, at[:, -2], np.asarray(inside))
    lean = (slope * normal).sum(axis=1) * reach
    profile /= 1 + np.clip(lean, -_STEEPEST, _STEEPEST)[:, None] * steps
    low = _smooth_along(profile[:, :3].mean(axis=1))
    high = _smooth_along(profile[:, -3:].mean(axis=1))
    contrast = high - low
    step = (profile - low[:, None]) / np.maximum(contrast, _LEAST_CONTRAST)[:, None]
    area = (step.sum(axis=1) - (step[:, 0] + step[:, -1]) / 2) * (steps[1] - steps[0])
    offset = reach * (1 - area)
    typical = _middle(contrast[inside]) if inside.any() else 0.0
    good = inside & (contrast > max(_LEAST_CONTRAST, 0.25 * typical)) & (np.abs(offset) < reach)
    return offset, good, _hidden_px(step[good], reach[good]) if good.any() else 0.0


def _hidden_px(step: Floats, reach: Floats) -> float:
    """Error (px) of a whole edge from blur beyond its profiles' ends, judged by how much they still rise.

    Where a profile is all blur, the marker's next module lies just beyond its end and adds to the error.
    """
    rise = (step[:, 3] - step[:, 0] + step[:, -1] - step[:, -4]) / 2
    all_blur = float(rise.mean()) / (3 / (_ACROSS - 3))  # of a straight line
    more = 1 + _BEYOND * float(np.clip((all_blur - _BLUR_SEEN) / (1 - _BLUR_SEEN), 0, 1))
    return _LEAK_SHARE * more * max(float((rise * reach).mean()), 0.0)


def edge_profiles(
    grey: NDArray[np.uint8],
    markers: list[Floats],
    homography: Floats,
    reach_mm: float,
    bend: Bend | None = None,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the mean step (black 0 … white 1) across each well-seen edge, (edges, samples), how far each
    reaches to either side in mm, and whether it runs across u (else v).
    """
    points, outward = _edge_points(markers)
    steps = np.linspace(-1, 1, 4 * _ACROSS + 1)
    sheet = points[:, None] + reach_mm * steps[:, None] * outward[:, None]
    at = project(homography, apparent(sheet, bend))
    inside = ((at > 0) & (at < np.array(grey.shape[::-1]) - 1)).all(axis=(1, 2)).reshape(-1, _PER_EDGE)
    x, y = np.moveaxis(at.astype(np.float32), 2, 0)
    sampled = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = np.asarray(sampled, dtype=float).reshape(-1, _PER_EDGE, len(steps)).mean(axis=1)
    low, high = profile[:, :6].mean(axis=1), profile[:, -6:].mean(axis=1)
    contrast = high - low
    good = inside.all(axis=1) & (contrast > max(_LEAST_CONTRAST, 0.5 * float(np.median(contrast))))
    normalised = (profile - low[:, None]) / np.maximum(contrast, _LEAST_CONTRAST)[:, None]
    along_u = np.abs(outward[::_PER_EDGE, 0]) > 0.5
    return normalised[good], np.full(int(good.sum()), reach_mm), along_u[good]


def _light_slope(profile: Floats, place: Floats, inside: NDArray[np.bool_]) -> Floats:
    """Relative slope of the light, (n, 2) per px, at each point's marker, from the white paper around it.

    Where light falls off across an edge, the area under the step puts the edge too far to the bright side, at
    every edge of every marker alike, so that no residual shows it.
    """
    per_marker = 4 * _PER_EDGE
    white, black = profile[:, -3:].mean(axis=1), profile[:, :3].mean(axis=1)
    weight = (inside & (white - black > _LEAST_CONTRAST)).astype(float).reshape(-1, per_marker)
    share = weight / np.maximum(weight.sum(axis=1, keepdims=True), 1.0)
    place = place.reshape(-1, per_marker, 2)
    place = place - (share[..., None] * place).sum(axis=1, keepdims=True)
    level = np.log(np.maximum(white, 1.0)).reshape(-1, per_marker)
    level = level - (share * level).sum(axis=1, keepdims=True)
    weighted = weight[..., None] * place
    matrix = weighted.transpose(0, 2, 1) @ place
    matrix += _LIGHT_PRIOR * np.trace(matrix, axis1=1, axis2=2)[:, None, None] * np.eye(2) + 1e-9 * np.eye(2)
    slope = np.linalg.solve(matrix, weighted.transpose(0, 2, 1) @ level[..., None])[..., 0]
    uneven = (share * (level - (place @ slope[..., None])[..., 0]) ** 2).sum(axis=1)
    slope *= np.clip(1 - uneven / _UNEVEN_LIGHT**2, 0, 1)[:, None]
    return np.repeat(slope, per_marker, axis=0)


def _smooth_along(level: Floats) -> Floats:
    """Levels (n,) replaced by a straight line along each edge: light changes slowly, pixels are noisy."""
    rows = level.reshape(-1, _PER_EDGE)
    t = np.linspace(-1, 1, _PER_EDGE)
    slope = rows @ t / (t @ t)
    return np.asarray((rows.mean(axis=1)[:, None] + slope[:, None] * t).ravel())


def _design(points: Floats, outward: Floats, homography: Floats, normal: Floats) -> Floats:
    """Derivative (n, 9) of the distance across each edge: eight of the homography, one of the spread."""
    across = np.einsum("ni,nij->nj", normal, jacobian(homography, points))
    eight = np.einsum("ni,nij->nj", across, point_terms(points)) * SCALE_MM
    return np.column_stack([eight, np.einsum("ni,ni->n", across, outward)])


def _by_lens(homography: Floats, points: Floats, shape: tuple[int, ...]) -> Floats:
    """Shift (n, 2) px of the points by a unit radial distortion, less the part that a homography absorbs.

    With that part left out, the fitted homography is the one that holds around a mark.
    """
    middle = (np.array(shape[1::-1]) - 1) / 2
    u, v = np.meshgrid(*[np.linspace(-18, 18, 5)] * 2)
    window = np.column_stack([u.ravel(), v.ravel()])
    near = np.einsum("nij,njk->nik", jacobian(homography, window), point_terms(window)) * SCALE_MM
    pushed = _radial(project(homography, window), middle)
    absorbed = np.linalg.lstsq(near.reshape(-1, 8), pushed.ravel(), rcond=None)[0]
    far = np.einsum("nij,njk->nik", jacobian(homography, points), point_terms(points)) * SCALE_MM
    return np.asarray(_radial(project(homography, points), middle) - far @ absorbed)


def _radial(at_px: Floats, middle_px: Floats) -> Floats:
    """Shift by a third-order radial distortion of one at the picture's corner, (n, 2) px."""
    away = at_px - middle_px
    return np.asarray(away * (away * away).sum(axis=1, keepdims=True) / (middle_px @ middle_px))


@dataclass(frozen=True)
class _Solved:
    """Solution (10,), or (13,) with a bend, of one round, the weights and residuals (n,) and the normal
    matrix behind it.
    """

    solution: Floats
    weight: Floats
    rest: Floats
    matrix: Floats

    def rms_px(self) -> float:
        """Root mean square of the residuals that kept weight; infinite if none did."""
        kept = self.weight > 0
        return float(np.sqrt(np.mean(self.rest[kept] ** 2))) if kept.any() else float("inf")

    def uneven_px(self) -> float:
        """Rms of the residuals beyond pixel noise, of single points and of neighbours' means together.

        Uneven print, a camera's sharpening and the file's blocks cause it. They also move whole edges and
        markers. The residuals do not show that, because the fit has followed them.
        """
        kept = (self.weight > 0).reshape(-1, _PER_EDGE)
        rest = np.where(kept, self.rest.reshape(kept.shape), 0.0)
        both = kept[:, 1:] & kept[:, :-1]
        white = float((np.diff(rest, axis=1)[both] ** 2).mean()) / 2 if both.any() else 0.0
        few = kept.reshape(-1, _TOGETHER).sum(axis=1)
        mean = rest.reshape(-1, _TOGETHER).sum(axis=1) / np.maximum(few, 1)
        seen = few > _TOGETHER / 2
        common = float((mean[seen] ** 2).mean()) if seen.any() else 0.0
        more = max(white - _PIXEL_NOISE_PX**2, 0.0)
        return float(np.sqrt(more + max(common - white / _TOGETHER, 0.0)))

    def left_out(self, good: NDArray[np.bool_]) -> float:
        """Share of the well seen edges that kept no weight."""
        return float(np.mean(self.weight[good] <= 0)) if good.any() else 1.0

    def misfit_px(self) -> float:
        """Root mean square over all points; one that kept no weight counts as a pixel off."""
        return float(np.sqrt(np.mean(np.where(self.weight > 0, self.rest**2, 1.0))))

    def covariance(self, design: Floats, *, own_px: float) -> Floats:
        """Covariance of the solution if the distances along one edge err together, with each edge as a
        cluster.

        `own_px` is an error of each whole edge that residuals may not show.
        """
        inverse = np.linalg.inv(self.matrix)
        by_edge = (design * self.weight[:, None]).reshape(-1, _PER_EDGE, design.shape[1])
        pull = np.einsum("epk,ep->ek", by_edge, self.rest.reshape(-1, _PER_EDGE))
        whole = by_edge.sum(axis=1) * own_px
        edges = max(int((self.weight.reshape(-1, _PER_EDGE) > 0).any(axis=1).sum()), 1)
        correction = 2 * edges / max(edges - 8, 2)
        return np.asarray(inverse @ (pull.T @ pull * correction + whole.T @ whole) @ inverse)


def _solve(
    design: Floats, offset: Floats, good: NDArray[np.bool_], log_focal: float | None = None
) -> _Solved:
    """Robust least squares by Tukey's biweight; `log_focal` is the logarithm of the focal length so far,
    relative to the usual one.
    """
    weight = good.astype(float)
    count = design.shape[1]
    prior, pull = 1e-9 * np.eye(count), np.zeros(count)
    spread = max(_middle(np.abs(offset[good])) if good.any() else 1.0, 0.02)
    for _ in range(_REWEIGHTINGS):
        prior[8, 8], prior[9, 9] = (spread / _SPREAD_PRIOR_MM) ** 2, (spread / _BEND_PRIOR) ** 2
        if log_focal is not None:
            prior[12, 12] = (spread / FOCAL_SPREAD) ** 2
            pull[12] = -prior[12, 12] * log_focal
        weighted = design * weight[:, None]
        matrix = weighted.T @ design + prior
        solution = np.linalg.solve(matrix, weighted.T @ offset + pull)
        rest = offset - design @ solution
        spread = max(1.4826 * _middle(np.abs(rest[good])) if good.any() else 1.0, 0.01)
        weight = good * np.clip(1 - (rest / (5 * spread)) ** 2, 0, None) ** 2
    return _Solved(solution, weight, rest, matrix)


def _middle(values: Floats) -> float:
    """The (upper) median; numpy's own takes most of a fit's time on a few hundred values."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _moved(homography: Floats, eight: Floats) -> Floats:
    """Homography after the card's points moved by the eight parameters."""
    change = np.eye(3)
    change.flat[:8] += eight
    unit = np.diag([1 / SCALE_MM, 1 / SCALE_MM, 1.0])
    moved = homography @ np.linalg.inv(unit) @ change @ unit
    return np.asarray(moved / moved[2, 2])

"""From a candidate to a mark: the fine fit on a crop, its uncertainty and its shape."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bare_tape import INSIDE_MM, Stack, Tape
from vision.brightness import burnt_share
from vision.candidates import Candidate, Mask, dilated
from vision.card import Floats
from vision.edges import SCALE_MM, point_terms
from vision.fit import Ground, Spot, fit_spot
from vision.joint import Mismatch, Patch, explained, rival_rest
from vision.light import on_grid
from vision.picture import Pixels
from vision.reading import CardView, Mark
from vision.roughness import first_harmonic, harmonics
from vision.shape import Figure, name_shape, outline_points, region_moments
from vision.smoke import Points, beside_smoke, clear
from vision.window import RADIUS_MM, Grid, flatten_view

_CROP_SIDE = 72
_FLOOR_MM, _FLOOR_PX = 0.002, 0.02  # least sigma: sloping light and other errors that residuals do not show
_NEAR_FIT = 2.0  # a cut-off or double mark lies within this many radii of the oval fitted to it
_FOLLOW_MM, _FOLLOW_HEIGHT = 0.5, 0.3
_EDGE_ZONE = 0.3  # share of the radius
_LOWEST = 3  # harmonic that a fit leaves
_EIGHTHS = 8
_SECTOR_RAD, _SEEN_SECTOR, _SECTORS_OVER = 0.3, 0.1, 2.6
_LONGEST = 4.0  # times its width: longer is a wrinkle or a line
# The softest edges that a mark can have. A beam's dose of exp(-2 r²/w²) burns 1 - exp(-dose), whose edge is
# 0.51 to 0.56 w wide from 80 to 20 %. A faint mark is the Gaussian itself, from a beam of up to 8 mm (1/e²);
# one that is burnt flat may come from a beam of 12 mm. Anything softer is a change of the light.
_SOFTEST_FAINT_MM, _SOFTEST_MM, _FAINT = 2.2, 3.3, -1.0
# Width from 80 to 20 % of a step blurred by a Gaussian: 1.7 sd, and a little more, because the blur measured
# at the markers is too small where it is strong.
_EDGE_OF_BLUR = 2.2
MOST_SIGMA_MM = 1.0
_EXPLAINED, _INNER = 0.75, 0.7  # share of the rim's change that a mark explains; of its radius, not its rim
# In a single picture, a bell-shaped mark that changes less than a quarter of the light looks the same as a
# smudge or a lamp's image. On textured tape the flatness of smudges reaches 1.1. Equally faint burns that are
# not bell-shaped have 1.5 or more, even in a blurred picture.
_FAINT_SHARE, _HALF_WHITE, _SMUDGE = 0.25, 128.0, 0.7
# As a share of its width: a faint mark whose rough edge makes its place this uncertain is a smudge or a piece
# of a line.
_VAGUE, _ROUGH, _MOST_HIDDEN = 0.018, 3.6, 1.4
OFF_CARD = 0.02  # of the mark hidden behind the window's edge
_LARGEST_RADIUS_MM, WIDEST_MM = 14.0, 13.0  # a beam of 12 mm (1/e²) marks no more


@dataclass(frozen=True)
class Scene:
    """What a measurement in one picture needs: the picture, its view of the card, the tape, the window's
    grid, the blur, and the share by which lamps brighten the window (None: not measured).
    """

    picture: Pixels
    view: CardView
    tape: Tape
    grid: Grid
    blur_mm: float
    light: NDArray[np.float32] | None = None

    def seen(self, grid: Grid) -> Stack:
        """The picture on a grid."""
        return flatten_view(self.picture, self.view, grid)

    def unmarked(self, grid: Grid) -> Stack:
        """The tape as it would look on a grid without the change."""
        tape = self.tape.expected(grid, None)
        return tape if self.light is None else tape * (1 + on_grid(self.light, self.grid, grid))


@dataclass(frozen=True, eq=False)
class TrackedMark:
    """What is needed to measure one mark again in the next frame: the crop, its unmarked tape with the smoke
    on it, the last fit, and the share by which the mark is brighter than its tape.
    """

    mark: Mark
    spot: Spot
    grid: Grid
    tape: Stack
    colour: Floats
    weight: Floats
    ground: Ground | None = None
    brighter: float = 0.0


def measure(
    scene: Scene, candidate: Candidate, others: list[Candidate], *, new: bool | None, lamp: bool = False
) -> TrackedMark | None:
    """Return the mark of a candidate and how to follow it; None if nothing like a mark fits there.

    `lamp`: the mark lies in a lamp's image, so its background is curved, not a plane.
    """
    grid = crop_grid(scene.view, scene.grid, candidate)
    after, tape = scene.seen(grid), scene.unmarked(grid)
    height = ((after - tape) @ candidate.colour.astype(np.float32)).astype(float)
    weight = crop_weights(scene.grid, grid, others)
    u, v = np.meshgrid(*grid.axes_mm())
    x, y, z, w = u.ravel(), v.ravel(), height.ravel(), weight.ravel()
    whole = not at_rim(candidate)
    ground = _curved(x, y, candidate) if lamp else None
    spot = _robust_spot(x, y, z, w, candidate, whole=whole, ground=ground)
    if spot is None or not plausible(spot, candidate, whole=whole, blur_mm=scene.blur_mm):
        return None
    faint = _is_faint(
        spot, candidate.colour, after, tape, (weight > 0) & (spot.relative_radius(u, v) < _INNER)
    )
    if faint and (spot.flatness < _SMUDGE or scene.light is not None):
        return None
    if _rim_explained(grid, height, weight, spot, candidate) < _EXPLAINED:
        return None
    smoky, figure = clear(spot), Figure("off-card")
    if hidden_share(spot, x, y) > OFF_CARD:
        at, radius = candidate.centre_mm, candidate.radius_mm
        spot = fit_spot(x, y, z, centre=at, radius=radius, weight=w, ground=ground)
    else:
        if lamp:
            height = _on_plane(spot, x, y).reshape(u.shape)
        else:
            smoky = beside_smoke(Points(x, y, z, w * trust(spot, x, y, w)), spot, oval=whole)
            spot, height = smoky.spot, height - smoky.smoke.reshape(u.shape)
        figure = figure_of(scene.grid, candidate, spot, grid, height)
    mark = mark_of(scene.view, spot, figure, x, y, new, smoky.variance)
    if mark.width_mm[0] > WIDEST_MM * scene.view.unit_mm or max(mark.sigma_mm) > MOST_SIGMA_MM:
        return None
    unit = scene.view.unit_mm
    width, pixel = mark.width_mm[1] / unit, 1 / (scene.view.px_per_mm * unit)
    if faint and _is_vague(spot, x, y, width, pixel):
        return None
    stacks, away = (after, tape, scene.tape.expected(grid, None)), spot.relative_radius(u, v)
    brighter = burnt_share(stacks, away, weight > 0, scene.picture, scene.view, spot.centre)
    if brighter is None:
        return None
    smoked = tape + smoky.on(candidate.colour, tape.shape)
    return TrackedMark(mark, spot, grid, smoked, candidate.colour, w, brighter=brighter)


def _is_faint(spot: Spot, colour: Floats, after: Stack, tape: Stack, inner: Mask) -> bool:
    """Whether a mark changes less than a quarter of the light, both in its own mix of colours (which may be
    the hue of its halo) and in brightness well inside it. A smudge takes away a share of the light, but a
    lamp adds as much light to dark tape as to pale tape. So a brighter mark must change at least a quarter of
    half white.
    """
    brighter = bool(inner.any() and np.median((after - tape)[inner]) > 0)

    def few(change: float, light: Floats) -> bool:
        return change < _FAINT_SHARE * max(float(np.median(light)), _HALF_WHITE * brighter)

    if not inner.any():
        return True
    bare, darker = tape[inner], np.abs((after - tape)[inner].mean(axis=1))
    return few(spot.height, bare @ np.abs(colour)) and few(float(np.median(darker)), bare.mean(axis=1))


def _rim_explained(grid: Grid, height: Floats, weight: Floats, spot: Spot, candidate: Candidate) -> float:
    """Share of the change at the mark's rim and around it that the mark explains and a plane does not.

    It is low for a wrinkle, a line or a block of the file, which go on beside the disc. The inside of the
    mark is left out, so that a hole burnt there does not matter.
    """
    u, v = np.meshgrid(*grid.axes_mm())
    rim = weight * (spot.relative_radius(u.ravel(), v.ravel()).reshape(u.shape) > _INNER)
    nothing = np.zeros_like(height)
    patch = Patch(grid, height, nothing, nothing, rim, Mismatch())
    rival = rival_rest(patch, np.zeros((0, height.size)), np.zeros(0))
    return explained(patch, spot, rival, candidate.radius_mm)


def follow(last: TrackedMark, picture: Pixels, view: CardView) -> Mark | None:
    """Return the mark as the next frame shows it, its shape and width kept; None if it is hidden."""
    now = flatten_view(picture, view, last.grid)
    u, v = np.meshgrid(*last.grid.axes_mm())
    x, y = u.ravel(), v.ravel()
    bare = ((last.spot.relative_radius(x, y) > 1.5) & (last.weight > 0)).reshape(u.shape)
    gain = np.median(now[bare] / np.maximum(last.tape[bare], 4.0), axis=0) if bare.sum() > 20 else np.ones(3)
    z = ((now - last.tape * gain) @ last.colour).astype(float).ravel()
    centre = pair_of(last.spot.centre)
    try:
        spot = fit_spot(
            x,
            y,
            z,
            centre=centre,
            radius=1.0,
            weight=last.weight,
            oval=last.ground is None,
            start=last.spot,
            rounds=4,
            ground=last.ground,
        )
    except np.linalg.LinAlgError:
        return None
    moved = spot.centre - last.spot.centre
    if not np.hypot(*moved) < _FOLLOW_MM or spot.height < _FOLLOW_HEIGHT * last.spot.height:
        return None
    return replace(last.mark, offset_mm=pair_of(moved * view.unit_mm + last.mark.offset_mm))


def hidden_share(spot: Spot, x: Floats, y: Floats) -> float:
    """Return the share of the fitted mark that lies outside the window."""
    covered = spot.relative_radius(x, y) < 1
    return float(np.mean(np.hypot(x, y)[covered] > INSIDE_MM)) if covered.any() else 0.0


def figure_of(window: Grid, candidate: Candidate, spot: Spot, grid: Grid, height: Floats) -> Figure:
    """Return the shape by the outline at half height.

    Things that touch the mark far from the fit (a lamp's image, a smudge) do not count for its height or
    place.
    """
    u, v = np.meshgrid(*grid.axes_mm())
    level, slope_u, slope_v = spot.plane
    bare = height - level - slope_u * (u - spot.centre[0]) - slope_v * (v - spot.centre[1])
    region = on_crop(candidate.region, window, grid) & (spot.relative_radius(u, v) < _NEAR_FIT)
    top = float(np.percentile(bare[region], 70)) if region.any() else spot.height
    at = np.array(candidate.centre_mm)
    about = at if spot.relative_radius(*at) < 1 else spot.centre
    near = np.linalg.inv(grid.to_mm) @ (*about, 1.0)
    points = outline_points(bare / max(top, 1e-6), grid.to_mm, (float(near[0]), float(near[1])))
    long_mm, short_mm, _ = spot.widths()
    return name_shape(points, long_mm / short_mm)


def mark_of(
    view: CardView, spot: Spot, figure: Figure, x: Floats, y: Floats, new: bool | None, smoke: Floats
) -> Mark:
    """Return the mark from its fit and figure. The centroid of a cut-off or double mark is that of its
    figure. `smoke` (2,) is the variance that smoke beside it adds.
    """
    unit = view.unit_mm
    pixel = 1 / (view.px_per_mm * unit)
    floor = _FLOOR_MM + _FLOOR_PX * pixel
    variance = _centre_variance(spot, x, y) + card_sigma(view, spot.centre) ** 2 + floor**2 + smoke
    centre, (long_mm, short_mm, _) = spot.centre, spot.widths()
    if figure.inside is not None:
        low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
        centre, long_mm, short_mm = region_moments(figure.inside, (low, high))
    if figure.name == "off-card":
        long_mm = short_mm = float(np.sqrt(long_mm * short_mm))
    lobes = None
    if figure.lobes is not None:
        lobes = (pair_of(figure.lobes[0] * unit), pair_of(figure.lobes[1] * unit))
    sigma, width = pair_of(np.sqrt(variance) * unit), (long_mm * unit, short_mm * unit)
    return Mark(pair_of(centre * unit), sigma, width, figure.name, figure.flat_side_deg, new, lobes)


def pair_of(point: Floats) -> tuple[float, float]:
    """Return a point as two plain numbers."""
    return float(point[0]), float(point[1])


def crop_grid(view: CardView, window: Grid, candidate: Candidate, least_half_mm: float = 1.8) -> Grid:
    """Return a grid about a candidate, as fine as the picture is."""
    rows, cols = np.nonzero(candidate.region)
    reach = max(np.ptp(rows), np.ptp(cols)) / 2 * window.pitch_mm
    half = max(1.9 * reach + 0.5, least_half_mm)
    pitch = max(2 * half / _CROP_SIDE, 0.9 / (view.px_per_mm * view.unit_mm))
    return Grid(candidate.centre_mm, pitch, int(np.ceil(2 * half / pitch)) | 1)


def crop_weights(window: Grid, grid: Grid, others: list[Candidate]) -> Floats:
    """Return one inside the window, zero outside and on other candidates."""
    weight = (grid.radius_mm() < INSIDE_MM).astype(float)
    if others:
        taken = np.any([o.region for o in others], axis=0)
        weight[on_crop(dilated(taken, 2), window, grid)] = 0
    return weight


def on_crop(mask: Mask, window: Grid, grid: Grid) -> Mask:
    """Return a mask of the whole window as seen on a crop."""
    to_window = np.linalg.inv(window.to_mm) @ grid.to_mm
    size = (grid.side, grid.side)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(mask.astype(np.uint8), to_window, size, flags=flags) > 0)


def _curved(x: Floats, y: Floats, candidate: Candidate) -> Ground:
    """A quadratic surface under and around a mark, in radii of the candidate."""
    u, v = (
        (x - candidate.centre_mm[0]) / candidate.radius_mm,
        (y - candidate.centre_mm[1]) / candidate.radius_mm,
    )
    return Ground(None, np.stack([u * u, u * v, v * v]), np.zeros(3))


def _on_plane(spot: Spot, x: Floats, y: Floats) -> Floats:
    """The fitted values plus residuals, (n,), without the ground's rows."""
    level, slope_u, slope_v = spot.plane
    plane = level + slope_u * (x - spot.centre[0]) + slope_v * (y - spot.centre[1])
    return np.asarray(plane + spot.height * spot.profile(x, y) + spot.rest)


def _robust_spot(
    x: Floats,
    y: Floats,
    z: Floats,
    w: Floats,
    candidate: Candidate,
    *,
    whole: bool,
    ground: Ground | None,
) -> Spot | None:
    """Round fit, then oval; points that no disc explains (a hole, a wrinkle) lose their weight."""
    if w.sum() < 30:
        return None
    try:
        at, radius = candidate.centre_mm, candidate.radius_mm
        spot = fit_spot(x, y, z, centre=at, radius=radius, weight=w, ground=ground)
        w = w * trust(spot, x, y, w)
        return fit_spot(x, y, z, centre=at, radius=radius, weight=w, oval=whole, start=spot, ground=ground)
    except np.linalg.LinAlgError:
        return None


def trust(spot: Spot, x: Floats, y: Floats, w: Floats) -> Floats:
    """Return Tukey's weights if there are true outliers (a hole, a wrinkle), else ones.

    The edge may be ragged, so it always has weight 1.
    """
    rest = spot.rest
    spread = 1.4826 * float(np.median(np.abs(rest[w > 0]))) + 1e-6
    at_edge = np.abs(spot.relative_radius(x, y) - 1) < _EDGE_ZONE
    outlying = np.abs(rest) > 5 * spread
    if np.mean((outlying & ~at_edge)[w > 0]) < 0.002:
        return np.ones_like(rest)
    return np.where(at_edge, 1.0, np.clip(1 - (rest / (6 * spread)) ** 2, 0, None) ** 2)


def at_rim(candidate: Candidate) -> bool:
    """Return whether the window's edge may hide a part of the candidate."""
    return float(np.hypot(*candidate.centre_mm)) + 1.3 * candidate.radius_mm > INSIDE_MM


def plausible(spot: Spot, candidate: Candidate, *, whole: bool, blur_mm: float) -> bool:
    """Return whether the fit has the candidate's sign and place, a size that a beam makes, and an edge no
    softer than the beam and the picture's blur together make it.
    """
    if not np.isfinite(spot.centre).all() or spot.height <= 0:
        return False
    away = float(np.hypot(*(spot.centre - candidate.centre_mm)))
    long_mm, short_mm, _ = spot.widths()
    softest = _SOFTEST_FAINT_MM if spot.flatness < _FAINT else _SOFTEST_MM
    reach = (1.5 if whole else 4.0) * candidate.radius_mm
    near = (
        away < max(reach, 1.0)
        and long_mm < _LONGEST * short_mm
        and spot.edge_mm() < np.hypot(softest, _EDGE_OF_BLUR * blur_mm)
        and np.hypot(*spot.centre) < RADIUS_MM + 2
    )
    return bool(near and long_mm / 2 < _LARGEST_RADIUS_MM and short_mm > 0.3)


def _centre_variance(spot: Spot, x: Floats, y: Floats) -> Floats:
    """Variance (2,) of the centre, from the roughness of the edge.

    A shift of the centre is the first harmonic of the distance around the edge, and the fit removes it. The
    other harmonics, beyond the pixels' noise, show how rough the edge is, and so how large the first is
    likely to have been.
    """
    angle = np.arctan2(y - spot.centre[1], x - spot.centre[0])
    white = np.diag(spot.covariance)
    seen = first_harmonic(*harmonics(spot, angle), spot.radius()) * white / white.mean()
    return np.asarray(np.max([seen, white, _by_sectors(spot, angle), _by_eighths(spot, angle)], axis=0))


def _is_vague(spot: Spot, x: Floats, y: Floats, width_mm: float, pixel: float) -> bool:
    """Whether the edge is so rough that this is a smudge or a piece of a line.

    A blur of one pixel hides the higher harmonics of a mark only a few pixels wide; that is allowed for.
    """
    power, _ = harmonics(spot, np.arctan2(y - spot.centre[1], x - spot.centre[0]))
    radius = float(np.linalg.det(spot.form)) ** -0.25 * np.sqrt(max(spot.flatness, 1.0))
    hidden = np.exp(min((_LOWEST * pixel / radius) ** 2, _MOST_HIDDEN))
    rough = max(_ROUGH * hidden * float(power[1:4].mean()), float(np.diag(spot.covariance).max()))
    return bool(np.sqrt(rough) > _VAGUE * width_mm)


def _by_sectors(spot: Spot, angle: Floats) -> Floats:
    """Variance (2,) of the centre if each sector of the edge errs on its own; zero if nearly all are seen.

    For an edge of which only a part is seen: there, a shift and another size look much alike.
    """
    count = round(2 * np.pi / _SECTOR_RAD)
    sector = ((angle / (2 * np.pi) + 0.5) * count).astype(int) % count
    pull = [np.bincount(sector, weights=axis * spot.rest, minlength=count) for axis in spot.influence]
    strength = np.bincount(sector, weights=np.abs(spot.influence).sum(axis=0), minlength=count)
    seen = int((strength > _SEEN_SECTOR * strength.max()).sum())
    if seen > 0.9 * count:
        return np.zeros(2)
    return np.asarray(np.square(pull).sum(axis=1) * seen / max(seen - 5, 1) * _SECTORS_OVER)


def _by_eighths(spot: Spot, angle: Floats) -> Floats:
    """Variance (2,) of the centre if each eighth of the mark errs on its own, from its middle outwards.

    Uneven light that is not a plane, or the squares of a JPEG, pull at a soft mark over that distance, and
    the finer waves around its edge do not show it. A round mark's own parameters use up five of the eight.
    """
    eighth = ((angle / (2 * np.pi) + 0.5) * _EIGHTHS).astype(int) % _EIGHTHS
    pull = [np.bincount(eighth, weights=axis * spot.rest, minlength=_EIGHTHS) for axis in spot.influence]
    return np.asarray(np.square(pull).sum(axis=1) * _EIGHTHS / (_EIGHTHS - 5))


def card_sigma(view: CardView, at: Floats) -> Floats:
    """Return the standard uncertainty (2,) of the card's own place at a point of it, in units of the card."""
    if view.covariance is None:
        return np.zeros(2)
    terms = point_terms(at[None])[0]
    values, vectors = np.linalg.eigh(view.covariance)
    # rounding may make the variance of a well known direction slightly negative
    parts = (terms @ vectors) * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(np.sqrt(np.square(parts).sum(axis=1)) * SCALE_MM)

"""From a candidate to a mark: the fine fit on a crop, its honest uncertainty, its shape."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.card import Floats
from vision.change import INSIDE_MM, Stack, Tape, believed
from vision.edges import SCALE_MM, point_terms
from vision.fit import Spot, fit_spot
from vision.picture import Pixels
from vision.reading import CardView, Mark
from vision.seek import Mask, Seed, grown
from vision.shape import Figure, name_shape, outline_points, region_moments
from vision.window import RADIUS_MM, Grid, flatten

_CROP_SIDE = 72
_FLOOR_MM, _FLOOR_PX = 0.002, 0.02  # light that slopes over a marker, and whatever else no residual shows
_FOLLOW_MM, _FOLLOW_HEIGHT = 0.5, 0.3
_EDGE_ZONE = 0.3  # share of the radius
_HARMONICS = np.arange(3, 6)
_FIRST_OVER_NEXT = 3.6  # of the variances; measured on rendered pictures, see docs/reading.md
_SECTOR_RAD, _SEEN_SECTOR, _SECTORS_OVER = 0.3, 0.1, 2.6
_MOST_HIDDEN = 1.4
_OFF_CARD = 0.02  # of the mark hidden behind the window's edge
_LARGEST_RADIUS_MM, _WIDEST_MM = 14.0, 20.0
_TOUCHING, _BURIED = 0.06, 0.88  # shares of a candidate's area that lie beside or on an older mark
_MOSTLY, _UNSURE = 0.45, 0.15  # from this share on an older mark on, so much of the radius is unsure


@dataclass(frozen=True)
class Scene:
    """Everything a measurement needs: the picture, its view of the card, the picture before and its view,
    the tape.
    """

    picture: Pixels
    view: CardView
    before: Pixels | None
    before_view: CardView | None
    tape: Tape
    grid: Grid
    stale: Mask | None = None

    def seen(self, grid: Grid) -> Stack:
        """The picture on a grid."""
        return flatten(self.picture, self.view.units_to_px, grid)

    def unmarked(self, grid: Grid) -> Stack:
        """The tape as it would look on a grid without the change."""
        before = None
        if self.before is not None and self.before_view is not None:
            before = flatten(self.before, self.before_view.units_to_px, grid)
        return self.tape.expected(grid, before)


@dataclass(frozen=True, eq=False)
class Follower:
    """What is needed to see one mark again in the next frame: the crop, its unmarked tape, the fit that
    held.
    """

    mark: Mark
    spot: Spot
    grid: Grid
    tape: Stack
    colour: Floats
    weight: Floats


def measure(scene: Scene, seed: Seed, others: list[Seed], *, new: bool | None) -> Follower | None:
    """Return the mark of a candidate and how to follow it, None if nothing like a mark fits there."""
    grid = _crop_grid(scene, seed)
    after, tape = scene.seen(grid), scene.unmarked(grid)
    if scene.before is not None:
        inside = grid.radius_mm() < INSIDE_MM
        tape = believed(after, tape, inside, inside & _away_from(seed, grid))
    height = ((after - tape) @ seed.colour.astype(np.float32)).astype(float)
    weight = _weights(scene.grid, grid, others)
    overlaps = _overlaps(scene, seed)
    if overlaps and scene.stale is not None:
        weight[_on_crop(grown(scene.stale, 2), scene.grid, grid)] = 0
    u, v = np.meshgrid(*grid.axes_mm())
    x, y, z, w = u.ravel(), v.ravel(), height.ravel(), weight.ravel()
    spot = _robust_spot(x, y, z, w, seed, whole=not overlaps and not _at_rim(seed))
    if spot is None or not _plausible(spot, seed, whole=not overlaps and not _at_rim(seed)):
        return None
    if _hidden_share(spot, x, y) > _OFF_CARD:
        figure = Figure("off-card")
        spot = fit_spot(x, y, z, centre=seed.centre_mm, radius=seed.radius_mm, weight=w)
    elif overlaps:
        figure = Figure("round")
    else:
        figure = _figure(scene, seed, spot, grid, height)
    mark = _mark(scene, spot, figure, x, y, new)
    if _share_on_older(scene, seed) > _MOSTLY:
        unsure = _UNSURE * seed.radius_mm * scene.view.unit_mm
        mark = replace(mark, sigma_mm=_pair(np.hypot(mark.sigma_mm, unsure)))
    if mark.width_mm[0] > _WIDEST_MM * scene.view.unit_mm:
        return None
    return Follower(mark, spot, grid, tape, seed.colour, w)


def _away_from(seed: Seed, grid: Grid) -> Mask:
    """Where a crop shows tape beside the candidate."""
    u, v = grid.axes_mm()
    away = np.hypot(u[None, :] - seed.centre_mm[0], v[:, None] - seed.centre_mm[1])
    return np.asarray(away > 1.5 * seed.radius_mm + 0.2)


def follow(last: Follower, picture: Pixels, view: CardView) -> Mark | None:
    """Return the mark as the next frame shows it; None if it is hidden. Its shape and width are taken as
    before.
    """
    now = flatten(picture, view.units_to_px, last.grid)
    u, v = np.meshgrid(*last.grid.axes_mm())
    x, y = u.ravel(), v.ravel()
    bare = ((last.spot.relative_radius(x, y) > 1.5) & (last.weight > 0)).reshape(u.shape)
    gain = np.median(now[bare] / np.maximum(last.tape[bare], 4.0), axis=0) if bare.sum() > 20 else np.ones(3)
    z = ((now - last.tape * gain) @ last.colour).astype(float).ravel()
    centre = _pair(last.spot.centre)
    try:
        spot = fit_spot(
            x, y, z, centre=centre, radius=1.0, weight=last.weight, oval=True, start=last.spot, rounds=4
        )
    except np.linalg.LinAlgError:
        return None
    moved = spot.centre - last.spot.centre
    if not np.hypot(*moved) < _FOLLOW_MM or spot.height < _FOLLOW_HEIGHT * last.spot.height:
        return None
    return replace(last.mark, offset_mm=_pair(moved * view.unit_mm + last.mark.offset_mm))


def _overlaps(scene: Scene, seed: Seed) -> bool:
    """Whether an older mark hides a part of this one, but not most of it."""
    if scene.stale is None:
        return False
    area = float(seed.region.sum())
    beside = float((grown(seed.region, 2) & scene.stale).sum())
    return beside > _TOUCHING * area and _share_on_older(scene, seed) < _BURIED


def _share_on_older(scene: Scene, seed: Seed) -> float:
    """Share of a candidate that lies on older marks."""
    return 0.0 if scene.stale is None else float((seed.region & scene.stale).sum() / seed.region.sum())


def _hidden_share(spot: Spot, x: Floats, y: Floats) -> float:
    """Share of the fitted mark that lies outside the window."""
    covered = spot.relative_radius(x, y) < 1
    return float(np.mean(np.hypot(x, y)[covered] > INSIDE_MM)) if covered.any() else 0.0


def _figure(scene: Scene, seed: Seed, spot: Spot, grid: Grid, height: Floats) -> Figure:
    """Name the shape by the outline at half height."""
    u, v = np.meshgrid(*grid.axes_mm())
    level, slope_u, slope_v = spot.plane
    bare = height - level - slope_u * (u - spot.centre[0]) - slope_v * (v - spot.centre[1])
    region = _on_crop(seed.region, scene.grid, grid)
    top = float(np.percentile(bare[region], 70)) if region.any() else spot.height
    near = np.linalg.inv(grid.to_mm) @ (*seed.centre_mm, 1.0)
    points = outline_points(bare / max(top, 1e-6), grid.to_mm, (float(near[0]), float(near[1])))
    long_mm, short_mm, _ = spot.widths()
    return name_shape(points, long_mm / short_mm)


def _mark(scene: Scene, spot: Spot, figure: Figure, x: Floats, y: Floats, new: bool | None) -> Mark:
    """Put together what was found; the centroid of an incomplete or twofold mark is that of its figure."""
    unit = scene.view.unit_mm
    pixel = 1 / (scene.view.px_per_mm * unit)
    floor = _FLOOR_MM + _FLOOR_PX * pixel
    variance = _centre_variance(spot, x, y, pixel) + card_sigma(scene.view, spot.centre) ** 2 + floor**2
    centre, (long_mm, short_mm, _) = spot.centre, spot.widths()
    if figure.inside is not None:
        low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
        centre, long_mm, short_mm = region_moments(figure.inside, (low, high))
    if figure.name == "off-card":
        long_mm = short_mm = float(np.sqrt(long_mm * short_mm))
    lobes = None
    if figure.lobes is not None:
        lobes = (_pair(figure.lobes[0] * unit), _pair(figure.lobes[1] * unit))
    sigma, width = _pair(np.sqrt(variance) * unit), (long_mm * unit, short_mm * unit)
    return Mark(_pair(centre * unit), sigma, width, figure.name, figure.flat_side_deg, new, lobes)


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _crop_grid(scene: Scene, seed: Seed) -> Grid:
    rows, cols = np.nonzero(seed.region)
    reach = max(np.ptp(rows), np.ptp(cols)) / 2 * scene.grid.pitch_mm
    half = max(1.9 * reach + 0.5, 1.8)
    pitch = max(2 * half / _CROP_SIDE, 0.9 / (scene.view.px_per_mm * scene.view.unit_mm))
    return Grid(seed.centre_mm, pitch, int(np.ceil(2 * half / pitch)) | 1)


def _weights(window: Grid, grid: Grid, others: list[Seed]) -> Floats:
    """One inside the window, zero outside and on other candidates."""
    weight = (grid.radius_mm() < INSIDE_MM).astype(float)
    if others:
        taken = np.any([o.region for o in others], axis=0)
        weight[_on_crop(grown(taken, 2), window, grid)] = 0
    return weight


def _on_crop(mask: Mask, window: Grid, grid: Grid) -> Mask:
    """A mask of the whole window as seen on a crop."""
    to_window = np.linalg.inv(window.to_mm) @ grid.to_mm
    size = (grid.side, grid.side)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(mask.astype(np.uint8), to_window, size, flags=flags) > 0)


def _robust_spot(x: Floats, y: Floats, z: Floats, w: Floats, seed: Seed, *, whole: bool) -> Spot | None:
    """Round fit, then oval; points that no disc explains (a hole, a wrinkle) lose their weight."""
    if w.sum() < 30:
        return None
    try:
        spot = fit_spot(x, y, z, centre=seed.centre_mm, radius=seed.radius_mm, weight=w)
        w = w * _trust(spot, x, y, w)
        return fit_spot(
            x, y, z, centre=seed.centre_mm, radius=seed.radius_mm, weight=w, oval=whole, start=spot
        )
    except np.linalg.LinAlgError:
        return None


def _trust(spot: Spot, x: Floats, y: Floats, w: Floats) -> Floats:
    """Tukey's weights where there are true outliers (a hole, a wrinkle); the edge itself may be ragged and
    keeps one.
    """
    rest = spot.rest
    spread = 1.4826 * float(np.median(np.abs(rest[w > 0]))) + 1e-6
    at_edge = np.abs(spot.relative_radius(x, y) - 1) < _EDGE_ZONE
    outlying = np.abs(rest) > 5 * spread
    if np.mean((outlying & ~at_edge)[w > 0]) < 0.002:
        return np.ones_like(rest)
    return np.where(at_edge, 1.0, np.clip(1 - (rest / (6 * spread)) ** 2, 0, None) ** 2)


def _at_rim(seed: Seed) -> bool:
    """Whether the window's edge may hide a part of the candidate."""
    return float(np.hypot(*seed.centre_mm)) + 1.3 * seed.radius_mm > INSIDE_MM


def _plausible(spot: Spot, seed: Seed, *, whole: bool) -> bool:
    """A bump of the seed's sign, near the seed, of a size that a beam makes."""
    if not np.isfinite(spot.centre).all() or spot.height <= 0:
        return False
    away = float(np.hypot(*(spot.centre - seed.centre_mm)))
    long_mm, short_mm, _ = spot.widths()
    reach = (1.5 if whole else 4.0) * seed.radius_mm
    near = away < max(reach, 1.0) and np.hypot(*spot.centre) < RADIUS_MM + 2
    return bool(near and long_mm / 2 < _LARGEST_RADIUS_MM and short_mm > 0.3)


def _centre_variance(spot: Spot, x: Floats, y: Floats, pixel: float) -> Floats:
    """Variance (2,) of the centre, from how the residuals load the harmonics next to the one that moves it.

    A shift of the centre is the first harmonic around the edge, and the fit has used it up. Pixel noise,
    woven tape and a ragged edge load all low harmonics about alike, so what they did to the third to the
    fifth (the second is the oval's) tells what they did, unseen, to the first. A blur of a pixel hides the
    third more than the first where the mark is only a few pixels wide.
    """
    dx, dy = x - spot.centre[0], y - spot.centre[1]
    angle = np.arctan2(dy, dx)
    pull = (spot.influence[0] * np.cos(angle) + spot.influence[1] * np.sin(angle)) * spot.rest
    turned = np.exp(1j * np.outer(_HARMONICS, angle))
    power = np.abs(turned @ pull) ** 2 / 2
    white = np.diag(spot.covariance)
    radius = float(np.linalg.det(spot.form)) ** -0.25 * np.sqrt(max(spot.flatness, 1.0))
    hidden = np.exp(min((_HARMONICS[0] * pixel / radius) ** 2, _MOST_HIDDEN))
    seen = float(power.mean()) * _FIRST_OVER_NEXT * hidden
    return np.asarray(np.maximum(np.maximum(seen * white / white.mean(), white), _by_sectors(spot, angle)))


def _by_sectors(spot: Spot, angle: Floats) -> Floats:
    """Variance (2,) of the centre if each sector of the edge errs on its own: what holds for a part of an
    edge, of which a shift and another size look much alike.
    """
    count = round(2 * np.pi / _SECTOR_RAD)
    sector = ((angle / (2 * np.pi) + 0.5) * count).astype(int) % count
    pull = [np.bincount(sector, weights=axis * spot.rest, minlength=count) for axis in spot.influence]
    strength = np.bincount(sector, weights=np.abs(spot.influence).sum(axis=0), minlength=count)
    seen = int((strength > _SEEN_SECTOR * strength.max()).sum())
    if seen > 0.9 * count:
        return np.zeros(2)
    return np.asarray(np.square(pull).sum(axis=1) * seen / max(seen - 5, 1) * _SECTORS_OVER)


def card_sigma(view: CardView, at: Floats) -> Floats:
    """Return the standard uncertainty (2,) of the card's own place at a point of it, in units of the card."""
    if view.covariance is None:
        return np.zeros(2)
    terms = point_terms(at[None])[0]
    return np.asarray(np.sqrt(np.diag(terms @ view.covariance @ terms.T)) * SCALE_MM)

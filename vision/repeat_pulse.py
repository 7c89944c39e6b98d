"""A pulse of the same beam on an old mark, between two hand-held photos.

Most of what differs there is not the pulse: tones, light and sharpness changed, and the rim of the burnt tape
is lit from another side. A burn of any size and height can imitate all of that; a pulse of the same tube
cannot. It repeats the old mark's profile, about as large and as strong, and shows only where the old mark has
left colour. So both pictures are fitted with the pulse and without it. Beside the other causes, each with its
standard deviation, the pulse adds its place, which is free, and its size, its height and how far tape can go,
which are roughly known. The drop in cost, and the share that the pulse explains of what the other causes
leave, decide whether it is there. Its place is useful even where that stays open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.bare_tape import INSIDE_MM, Stack
from vision.card import Floats
from vision.compare import Comparison, in_depth
from vision.descent import Search, least_cost
from vision.fit import Ground, Spot
from vision.groups import Group, by_card, groups_of
from vision.joint import edges_together, share_explained
from vision.measure import TrackedMark, card_sigma, pair_of
from vision.on_top import ONE_PLACE_MM
from vision.parallax import HEIGHT_MM, sight_slope
from vision.reading import Mark
from vision.window import Grid

# What two photos may differ by at an old mark, one standard deviation each (our estimates): a shift (mm),
# blur (mm²), gain of how far the mark has gone, how much that slopes over a radius, powers of the tone curve,
# and shares of the mark's height by which light on the relief changes each ring on one side.
_SHIFT_MM, _BLUR_MM2, _GAIN, _SLOPE, _TONE, _RELIEF = 0.03, 0.02, 0.08, 0.03, 0.1, 0.03
_LEVEL, _TILT, _BOW = 100.0, 20.0, 3.0  # of the tape: levels, levels a mm, levels a radius squared
_RINGS = [float(ring) for ring in np.arange(0.3, 1.75, 0.2)]  # in radii
_RING = 0.2
# How another pulse of the same tube may differ (one standard deviation): its height, the log of its size.
_LIKE_HEIGHT, _LIKE_SIZE = 0.25, 0.1
_ROOMS = (1.02, 1.15, 1.4, 2.0)  # tries of how far tape can go, in shares of how far it has gone
_STARTS = ((0.0, 1), (0.35, 6), (0.8, 8))  # mm from the old mark, and in how many directions
_TOGETHER = 100.0  # points of a crop that err together: what is left hangs together along edges
_ROUNDS, _BEST = 3, 4
_SEARCH = Search(steps=12, longest_step=0.3, least_gain=3e-3)
_DARKEST = 4.0
_NEAR_MM = 0.4  # old pulses so near each other are tried as one place
# Pulses of one beam are alike. A mark on old ones whose size (logarithm) differs by more is a piece of one; a
# mark beside them that changes the tape by a smaller share of what they do is a smudge or a lamp's image.
_AS_LARGE, _AS_STRONG = 0.4, 0.25
_HALF, _BESIDE_MM, _ACROSS, _FINEST_MM = 1.9, 1.3, 28, 0.12  # of a crop: radii and mm beside, points, pitch
# A pulse is reported above this gain in cost and this explained share, if its height as a share of the old
# mark's lies between these two. Tones and lamps change an old mark about its own centre, so a pulse that is
# clearly beside it needs less: from so many standard deviations on, up to one radius. Set on pairs with
# nothing new, see docs/reading.md.
_GAINED, _SHARE, _HEIGHTS = 75.0, 0.7, (0.5, 2.0)
_GAINED_BESIDE, _SHARE_BESIDE, _BESIDE = 45.0, 0.55, 2.0
# Factor on the fit's sigma, and share of the radius added for a ragged edge that shows in part (measured).
_OVER, _RAGGED = 1.3, 0.03
# Least gain and height with which the place of an uncertain pulse is offered.
_PLACED, _FAINTEST = 10.0, 0.3


@dataclass(frozen=True, eq=False)
class Crop:
    """Both pictures around old pulses of one beam, in their own mix of colours: the change, how far older
    marks have gone, the weights, all (side, side), and the variance (mm²) of the pictures' blur along u and
    v. `rows` (k, n) are what else the pictures may differ by, `likely` (k,) one standard deviation of each.
    """

    grid: Grid
    olds: list[Spot]
    change: Floats
    gone: Floats
    weight: Floats
    blur_mm2: tuple[float, float]
    rows: Floats
    likely: Floats

    @property
    def old(self) -> Spot:
        """The pulse in the middle; all are alike."""
        return self.olds[0]

    def noise(self) -> float:
        """Robust standard deviation of the change between neighbouring points."""
        apart = np.abs(np.diff(self.change, axis=1))
        return 1.4826 * float(np.median(apart)) / float(np.sqrt(2)) + 0.3


@dataclass(frozen=True, eq=False)
class RepeatFit:
    """A pulse on an old mark as it fits best: the mark, what it gains in cost, the share of what other causes
    leave that it explains, its height as a share of the old mark's, and its distance from the nearest old
    pulse in standard deviations and in radii.
    """

    spot: Spot
    visible: Floats
    covariance: Floats
    gained: float
    share: float
    height: float
    away: tuple[float, float] = (0.0, 0.0)

    @property
    def certain(self) -> bool:
        """Whether the pulse is certain enough to be reported."""
        beside = self.away[0] > _BESIDE and self.away[1] < 1
        gained, share = (_GAINED_BESIDE, _SHARE_BESIDE) if beside else (_GAINED, _SHARE)
        like = _HEIGHTS[0] < self.height < _HEIGHTS[1]
        return bool(self.gained > gained and self.share > share and like)

    @property
    def placed(self) -> bool:
        """Whether the fit gives a usable place, if the pulse is there."""
        return bool(self.gained > _PLACED and self.height > _FAINTEST)


def repeated_pulse(
    pair: Comparison, found: list[TrackedMark], older: list[TrackedMark]
) -> tuple[list[TrackedMark], Mark | None, bool]:
    """Return the new marks, the probable place of a pulse on the only old mark, or None, and whether pulses
    that touch each other lie in several places, so that nothing else shows which one was hit.

    If a pulse on one old mark is certain, it replaces the marks that were found; the second value is then
    None. If it is not certain, the second value is its best place, or None if the pictures do not show one.
    Old marks are not examined if a new mark was found elsewhere (that is the pulse), or if the camera was on
    a stand. Marks that touch each other count as one place. What seems to lie in several places at once is a
    change of light or tone.
    """
    if not pair.mismatch.by_hand:
        return found, None, False
    groups = groups_of(pair, older)
    several = any(group.reach_mm() > ONE_PLACE_MM for group in groups)
    found = [one for one in found if _like(one, groups, older)]
    olds = [*(old.spot for old in older), *(pulse for group in groups for pulse in group.pulses)]
    if not all(_on_any(one.spot, olds) for one in found):
        return found, None, several
    tried = []
    for group in groups:
        fits = [(group, crop, fit_repeat(crop)) for crop in crops_of(pair, group)]
        known = [(group, crop, fitted) for group, crop, fitted in fits if fitted is not None]
        tried += [max(known, key=lambda one: one[2].gained)] if known else []
    certain = [one for one in tried if one[2].certain]
    if len(certain) == 1:
        again = _tracked(pair, *certain[0])
        both = len(found) == 1 and len(certain[0][0].pulses) == 1
        return [_agreed(again, found[0]) if both else again], None, several
    alone = len(tried) == 1 and all(old in tried[0][0].marks for old in older)
    return found, _tracked(pair, *tried[0]).mark if alone and tried[0][2].placed else None, several


def _like(found: TrackedMark, groups: list[Group], older: list[TrackedMark]) -> bool:
    """Whether a new mark may be of the old ones' beam: by its size on them, by its strength beside them."""
    for group in groups:
        if _on_any(found.spot, group.pulses):
            return abs(float(np.log(found.spot.radius() / group.beam.radius()))) < _AS_LARGE
    if not older or _on_any(found.spot, [old.spot for old in older]):
        return True
    return abs(found.brighter) > _AS_STRONG * min(abs(old.brighter) for old in older)


def _on_any(spot: Spot, olds: list[Spot]) -> bool:
    u, v = spot.centre
    return any(float(old.relative_radius(u, v)) < 1 for old in olds)


def _agreed(again: TrackedMark, found: TrackedMark) -> TrackedMark:
    """One mark from two fits: halfway between them, half their difference added to sigma in squares."""
    places = np.array([again.mark.offset_mm, found.mark.offset_mm])
    sigma = np.hypot(again.mark.sigma_mm, (places[0] - places[1]) / 2)
    return replace(
        again, mark=replace(again.mark, offset_mm=pair_of(places.mean(axis=0)), sigma_mm=pair_of(sigma))
    )


def _tracked(pair: Comparison, group: Group, crop: Crop, again: RepeatFit) -> TrackedMark:
    spot, unit = again.spot, pair.view.unit_mm
    variance = _OVER**2 * np.diag(again.covariance) + (_RAGGED * crop.old.radius()) ** 2
    sigma = np.sqrt(variance + card_sigma(pair.view, spot.centre) ** 2)
    long_mm, short_mm, _ = spot.widths()
    mark = Mark(
        pair_of(spot.centre * unit),
        pair_of(sigma * unit),
        (long_mm * unit, short_mm * unit),
        "round",
        None,
        True,
    )
    mark = in_depth(by_card(pair), mark, spot.centre)
    tape, weight = pair.expected(crop.grid), crop.weight.ravel()
    brighter = group.marks[0].brighter if group.marks else 0.0
    return TrackedMark(mark, spot, crop.grid, tape, group.colour, weight, Ground(again.visible), brighter)


def shift_likely(pair: Comparison, at: Floats) -> Floats:
    """Return the covariance (2, 2), mm², of the tape's shift between two pictures registered by the card.

    The tape's height shifts it along the difference of the lines of sight; the uncertainty of the card's
    place shifts it in all directions.
    """
    between = sight_slope(pair.view, pair.shown.picture.shape, at) - sight_slope(
        pair.earlier.view, pair.earlier.picture.shape, at
    )
    card = sum(card_sigma(one.view, at) ** 2 for one in (pair.shown, pair.earlier))
    return np.asarray(HEIGHT_MM**2 * np.outer(between, between) + np.diag(card) + _SHIFT_MM**2 * np.eye(2))


def crops_of(pair: Comparison, group: Group) -> list[Crop]:
    """Return both pictures around each old pulse of a group, but only once where they lie on each other."""
    apart: list[Spot] = []
    for pulse in group.pulses:
        if all(np.hypot(*(pulse.centre - other.centre)) > _NEAR_MM for other in apart):
            apart.append(pulse)
    return [_crop(pair, pulse, group) for pulse in apart]


def _crop(pair: Comparison, old: Spot, group: Group) -> Crop:
    """Both pictures around one old pulse, without the tone curve of the whole window: here tone is one of the
    other causes, with its own standard deviation.
    """
    plain = by_card(pair)
    half = _HALF * old.radius() + _BESIDE_MM
    others = [one for one in group.pulses if one is not old]
    olds = [old, *(one for one in others if np.hypot(*(one.centre - old.centre)) < half + one.radius())]
    pitch = max(half / _ACROSS, _FINEST_MM)
    grid = Grid(pair_of(old.centre), pitch, int(2 * half / pitch) | 1)
    colour = group.colour.astype(np.float32)
    expected, unburnt = np.maximum(plain.expected(grid), 1), np.maximum(plain.unburnt(grid), 1)
    gone = ((expected - unburnt) @ colour).astype(float)
    change = ((pair.seen(grid) - expected) @ colour).astype(float)
    lamp = (plain.otherwise(grid)[-1] @ colour).astype(float)
    shift = shift_likely(pair, old.centre)
    rows, likely = _causes(grid, olds, gone, lamp, _tones(expected, unburnt, colour), shift)
    weight = (grid.radius_mm() < INSIDE_MM).astype(float)
    return Crop(grid, olds, change, _smooth(gone), weight, pair.shown.blurred_mm2(), rows, likely)


def _tones(expected: Stack, unburnt: Stack, colour: Floats) -> list[Floats]:
    """The two terms of another tone curve: a power of the levels relative to their tape, and one that grows
    with them.
    """
    log = np.log(np.maximum(expected, _DARKEST) / np.maximum(unburnt, _DARKEST))
    return [(expected * part @ colour).astype(float) for part in (log, log * np.abs(log))]


def _smooth(values: Floats) -> Floats:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), 1.0))


def _causes(
    grid: Grid, olds: list[Spot], gone: Floats, lamp: Floats, tones: list[Floats], shift: Floats
) -> tuple[Floats, Floats]:
    """What two photos of old pulses may differ by, (k, side * side), and one standard deviation of each;
    `shift` (2, 2) is the covariance of their shift.

    Where the light changed, the mark may have changed by as much more: a lamp's image is no gain.
    """
    u, v = np.meshgrid(*grid.axes_mm())
    du, dv = u - grid.centre_mm[0], v - grid.centre_mm[1]
    radius = olds[0].radius()
    by_v, by_u = np.gradient(_smooth(gone), grid.pitch_mm)
    uv, uu = np.gradient(by_u, grid.pitch_mm)
    near = np.any([old.relative_radius(u, v) < 1.3 for old in olds], axis=0)
    lit = float(np.sqrt(np.square(lamp[near]).sum() / max(float(np.square(gone[near]).sum()), 1e-9)))
    gain, slope, relief = (float(np.hypot(least, lit)) for least in (_GAIN, _SLOPE, _RELIEF))
    x, y = du / radius, dv / radius
    rows = [np.ones_like(gone), du, dv, x * x, x * y, y * y]
    likely = [_LEVEL, _TILT, _TILT, _BOW, _BOW, _BOW]
    along, ways = np.linalg.eigh(shift)
    rows += [ways[0, i] * by_u - ways[1, i] * by_v for i in range(2)]
    likely += [float(np.sqrt(along[i])) for i in range(2)]
    rows += [uu, uv, np.gradient(by_v, grid.pitch_mm, axis=0)]
    likely += [_BLUR_MM2, _BLUR_MM2, _BLUR_MM2]
    rows += [gone, gone * x, gone * y, *tones, lamp]
    likely += [gain, slope, slope, _TONE, _TONE, 1.0]
    for old in olds:
        rows += _sides(u, v, old)
    likely += [relief * olds[0].height] * (2 * len(_RINGS) * len(olds))
    return np.stack([row.ravel() for row in rows]), np.array(likely)


def _sides(u: Floats, v: Floats, old: Spot) -> list[Floats]:
    """How light on a mark's relief changes it, brighter on one side and darker on the other, by rings."""
    angle = np.arctan2(v - old.centre[1], u - old.centre[0])
    rings = [np.clip(1 - np.abs(old.relative_radius(u, v) - ring) / _RING, 0, None) for ring in _RINGS]
    return [band * side for band in rings for side in (np.cos(angle), np.sin(angle))]


class _Causes:
    """The other causes alone, fitted to a crop, and the effect of one more row. Costs are squared errors over
    `variance`, that of one point.
    """

    def __init__(self, crop: Crop, variance: float) -> None:
        self.rows, self.weight, self.variance = crop.rows, crop.weight.ravel(), variance
        self.weighted = crop.rows * (self.weight / variance)
        self.inverse = np.linalg.inv(self.weighted @ crop.rows.T + np.diag(crop.likely**-2.0))
        values = crop.change.ravel()
        self.rest: Floats = values - (self.inverse @ (self.weighted @ values)) @ crop.rows
        self.cost = float((self.weight * values) @ self.rest) / variance

    def with_row(self, row: Floats, mean: float, likely: float) -> tuple[float, float, Floats]:
        """The row's coefficient, the cost with it, and what is left, (n,)."""
        left = row - (self.inverse @ (self.weighted @ row)) @ self.rows
        known = float((self.weight * row) @ left) / self.variance + likely**-2.0
        pull = float((self.weight * row) @ self.rest) / self.variance + mean * likely**-2.0
        height = pull / known
        return height, self.cost - pull * height + (mean / likely) ** 2, self.rest - height * left


Params = Floats  # centre u, v (mm), log of the size as a share of the old mark's


class _Problem:
    """A pulse like the old mark's on a crop, beside the other causes; one point has this error variance."""

    def __init__(self, crop: Crop, variance: float) -> None:
        self.crop, self.causes = crop, _Causes(crop, variance)
        self.u, self.v = np.meshgrid(*crop.grid.axes_mm())
        self.most = max(float(np.percentile(crop.gone, 99.5)), 0.9 * crop.old.height)
        self.root = np.sqrt(crop.weight.ravel() / variance)

    def visible(self, room: float) -> Floats:
        """How much of a new mark shows, (side, side)."""
        return np.asarray(np.clip(1 - np.clip(self.crop.gone, 0, None) / (room * self.most), 0, 1))

    def spot(self, params: Params) -> Spot:
        """The old mark in another place and size."""
        old = self.crop.old
        return replace(old, centre=params[:2].copy(), form=old.form * np.exp(-2 * params[2]))

    def row(self, params: Params, visible: Floats) -> Floats:
        """What a pulse of height one changes, (n,), and what blur adds where two edges are near."""
        profile = self.spot(params).profile(self.u, self.v)
        edges = edges_together(profile, visible, self.crop.grid.pitch_mm, self.crop.blur_mm2)
        return np.asarray((profile * visible + edges).ravel())

    def cost(self, params: Params, visible: Floats) -> tuple[float, float, Floats]:
        """Cost, height and what is left, (n,)."""
        mean, likely = self.crop.old.height, _LIKE_HEIGHT * self.crop.old.height
        height, cost, rest = self.causes.with_row(self.row(params, visible), mean, likely)
        return cost + float(params[2] / _LIKE_SIZE) ** 2, height, rest

    def slopes(self, params: Params, visible: Floats, rest: Floats) -> tuple[Floats, Floats]:
        """Half the second derivatives (3, 3) of the cost, nearly, and half the first ones."""
        parts = []
        for i, step in enumerate((0.02, 0.02, 0.01)):
            moved = params + step * np.eye(3)[i]
            parts.append(self.root * (self.cost(moved, visible)[2] - rest) / step)
        held = np.array([0.0, 0.0, _LIKE_SIZE**-2.0])
        part = np.array(parts)
        return part @ part.T + np.diag(held + 1e-6), part @ (self.root * rest) + held * params

    def least(self, start: Params, visible: Floats) -> tuple[float, Params]:
        """The least cost from a start, and where."""

        def cost_of(params: Params) -> tuple[float, Floats]:
            cost, _, rest = self.cost(params, visible)
            return cost, rest

        def slopes(params: Params, rest: Floats) -> tuple[Floats, Floats]:
            return self.slopes(params, visible, rest)

        return least_cost(_SEARCH, start, cost_of, slopes)


def fit_repeat(crop: Crop) -> RepeatFit | None:
    """Return the pulse on an old mark that fits a crop best, None where nothing can be fitted.

    The error of one point is estimated from the residuals, so the fit is repeated with it.
    """
    points = max(float(crop.weight.sum()), 1.0)
    least, starts = crop.noise() ** 2, _starts(crop.old)
    variance = _TOGETHER * least
    try:
        for _ in range(_ROUNDS):
            problem = _Problem(crop, variance)
            cost, params, visible = _best(problem, starts)
            _, height, rest = problem.cost(params, visible)
            left = float((crop.weight.ravel() * rest) @ rest) / points
            starts, variance = [params], _TOGETHER * max(left, least)
        matrix, _ = problem.slopes(params, visible, rest)
        covariance = np.linalg.inv(matrix)[:2, :2]
    except np.linalg.LinAlgError:
        return None
    spot = replace(problem.spot(params), height=height, covariance=covariance, rest=rest)
    share = share_explained(crop.grid, crop.weight, crop.old.radius(), rest, problem.causes.rest)
    gained = problem.causes.cost - cost
    away = _away(spot, crop.olds)
    return RepeatFit(spot, visible.ravel(), covariance, gained, share, height / crop.old.height, away)


def _away(spot: Spot, olds: list[Spot]) -> tuple[float, float]:
    """How far a pulse is from the nearest old one, in standard deviations and in radii."""
    apart = min((spot.centre - old.centre for old in olds), key=lambda step: float(step @ step))
    deviations = float(np.sqrt(apart @ np.linalg.solve(spot.covariance, apart)))
    return deviations, float(np.hypot(*apart)) / olds[0].radius()


def _starts(old: Spot) -> list[Params]:
    """The old mark's place and others around it."""
    turns = [(away, 2 * np.pi * i / count) for away, count in _STARTS for i in range(count)]
    u, v = old.centre
    return [np.array([u + away * np.cos(turn), v + away * np.sin(turn), 0.0]) for away, turn in turns]


def _best(problem: _Problem, starts: list[Params]) -> tuple[float, Params, Floats]:
    """The least cost from some starts, where, and how much of the mark shows there."""
    tries = [(problem.visible(room), start) for room in _ROOMS for start in starts]
    rough = sorted(range(len(tries)), key=lambda i: problem.cost(tries[i][1], tries[i][0])[0])[:_BEST]
    ends = [(*problem.least(tries[i][1], tries[i][0]), tries[i][0]) for i in rough]
    return min(ends, key=lambda end: end[0])

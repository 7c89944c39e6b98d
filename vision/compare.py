"""New marks between two pictures of one card: each candidate is tested as a burn against other causes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.bare_tape import INSIDE_MM, Stack, Tape, fit_tape, shared_detail
from vision.brightness import burnt_share, same_direction
from vision.candidates import Candidate, Mask, dilated, find_candidates
from vision.card import Floats
from vision.fit import Ground, Spot, fit_spot
from vision.joint import Mismatch, Patch, explained, fit_joint, rival_rest, was_there
from vision.light import darker, lamps, light_change, on_grid, stands_out, with_edge
from vision.measure import (
    MOST_SIGMA_MM,
    OFF_CARD,
    WIDEST_MM,
    TrackedMark,
    at_rim,
    crop_grid,
    crop_weights,
    figure_of,
    hidden_share,
    mark_of,
    on_crop,
    pair_of,
    plausible,
    trust,
)
from vision.parallax import sight_slope, stand_off
from vision.picture import Pixels
from vision.reading import CardView, Mark
from vision.register import Shown, register, slopes
from vision.relief import evened
from vision.shape import Figure
from vision.smoke import Points, beside_smoke, clear
from vision.tone_curve import SAME, Tone, tone_between
from vision.window import Grid, window_grid

Part = Callable[[Stack], Stack]

SEARCH_PITCH_MM = 0.2
MOST_CANDIDATES = 12  # a window torn to shreds still answers in time
_ALIKE = 4.0  # times the window's typical difference
_SLACK_MM = 0.03  # how well two pictures are registered: an old edge may differ by its slope times this
# For a mark on an older one: the factor on the fit's sigma for its short ragged edge, and the error from what
# else differs there (relief, soot that moved). Measured on rendered pictures, see docs/reading.md.
_UNDER_SIGMA, _RELIEF_MM = 1.35, 0.05
_OLD_SHOWS = 0.12  # of a candidate's change: older marks that have gone so far count as lying under it
# A new mark is taken for an older one if its outline explains more than this share of the older marks' burn:
# first if no older mark was found there (a lamp's image hides it), then if one was (a new one may lie on it).
_SAME_OUTLINE, _SAME_AS_LISTED = 0.7, 0.85
_LIKE_SIZE = 0.4  # of the logarithm: a rim around an old mark may be taken for a wider one
_IN_LIGHT = 0.5  # of a candidate's radius: a smaller mark lies in a lamp's image or a smudge
_LEAST_HALF_MM, _MOST_HALF_MM, _ROUND_OLD = 1.8, 10.0, 1.6  # of a crop; radii of an old mark around it
_PLAIN = 0.25  # of the tape's brightness: what a mark beside a lamp's image must change
_BLURRED = 0.7  # of its change that is left of a small one
_INSIDE_FIT = 0.6  # of a weaker candidate that lies in the disc of a stronger one: a piece of it


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two pictures made comparable: as sharp, in the same place, in the same light and tones."""

    view: CardView
    shown: Shown
    earlier: Shown
    tape: Tape
    bare: Tape
    light: NDArray[np.float32]
    window: Grid
    mismatch: Mismatch
    tone: Tone = SAME

    def seen(self, grid: Grid) -> Stack:
        """The picture after, on a grid."""
        return self.shown.on(grid)

    def expected(self, grid: Grid) -> Stack:
        """The picture after as it would look without anything new."""
        lit = self.tape.expected(grid, self.earlier.on(grid)) * self._lit(grid)
        return lit if self.tone is SAME else self.tone.of(lit, self.unburnt(grid))

    def unburnt(self, grid: Grid) -> Stack:
        """The tape as it would look now without any mark, new or old."""
        return self.tape.expected(grid, self.bare.expected(grid, None)) * self._lit(grid)

    def otherwise(self, grid: Grid) -> list[Stack]:
        """What light or tones that the window cannot show would add to `expected`, (side, side, 3) each.

        A lamp's image on one old mark bends the tone curve for all others, so one addition undoes the curve.
        Light that changed smoothly is taken for a gain, but a lamp's image on glossy tape adds as much to a
        burn as to the tape beside it; that is the other. On bare tape both are zero. Two pictures of a camera
        on a stand have neither.
        """
        if not self.mismatch.by_hand:
            return []
        plain = self.tape.expected(grid, self.earlier.on(grid))
        bare = self.tape.expected(grid, self.bare.expected(grid, None))
        lit = plain * self._lit(grid)
        untoned = [] if self.tone is SAME else [lit - self.tone.of(lit, self.unburnt(grid))]
        return [*untoned, (self._lit(grid) - 1) * (bare - plain)]

    def _lit(self, grid: Grid) -> Stack:
        return np.asarray(1 + on_grid(self.light, self.window, grid))


def compare(after: Pixels, view: CardView, before: Pixels, before_view: CardView) -> Comparison:
    """Return two pictures of one card made comparable."""
    shown, earlier = register(after, view, before, before_view)
    grid = window_grid(SEARCH_PITCH_MM)
    seen, known = shown.on(grid), earlier.on(grid)
    tape, bare = fit_tape(seen, known, grid), fit_tape(known, None, grid)
    light = light_change(seen, tape.expected(grid, known), grid)
    mismatch = _mismatch(shown, earlier, tape, light, grid)
    pair = Comparison(view, shown, earlier, tape, bare, light, grid, mismatch)
    if not mismatch.by_hand:
        return pair
    pair = replace(pair, light=with_edge(light, seen, pair.expected(grid), grid))
    inside = grid.radius_mm() < INSIDE_MM
    expected, unburnt = pair.expected(grid)[inside], pair.unburnt(grid)[inside]
    return replace(pair, tone=tone_between(seen[inside], expected, unburnt))


def _mismatch(shown: Shown, earlier: Shown, tape: Tape, light: NDArray[np.float32], grid: Grid) -> Mismatch:
    """The errors to expect of a comparison, by how much the pictures differ in view, sharpness and light."""
    middle = np.zeros(2)
    views = [sight_slope(one.view, one.picture.shape, middle) for one in (shown, earlier)]
    turned = float(np.hypot(*(views[0] - views[1])))
    blur = max(*shown.blur_mm2, *earlier.blur_mm2)
    brighter = float(np.abs(np.log(np.clip(tape.coefficients[6], 0.2, 5.0))).max())
    uneven = float(np.sqrt(np.mean(np.square(light[grid.radius_mm() < INSIDE_MM]))))
    return Mismatch(0.015 + 0.12 * turned, 0.008 + 0.3 * blur, 0.03 + 0.3 * brighter + uneven + turned)


def changes(pair: Comparison, older: list[TrackedMark]) -> list[TrackedMark]:
    """Return the new marks, strongest first, and how to follow each.

    A mark and the image of a lamp that it lies in or touches look like one change. So if nothing new is
    found, the pictures are searched again without changes that are smooth over several mm. This makes lamps'
    images steeper too, so only plain marks count then.
    """
    found = _new_marks(pair, older)
    if found:
        return found
    grid = pair.window
    lamp = lamps(pair.seen(grid), pair.expected(grid), grid)
    unlit = replace(pair, light=np.asarray((1 + pair.light) * (1 + lamp) - 1, dtype=np.float32))
    inside = grid.radius_mm() < INSIDE_MM
    if not stands_out(pair.seen(grid), unlit.expected(grid), inside, _PLAIN * _BLURRED):
        return []
    for only in (None, darker):
        found = [one for one in _new_marks(unlit, older, only) if _is_plain(one)]
        if found:
            break
    return found


def _is_plain(mark: TrackedMark) -> bool:
    """Whether a mark on bare tape changes its brightness by more than smudges and lamps do."""
    return abs(mark.brighter) > _PLAIN and mark.ground is None


def _new_marks(pair: Comparison, older: list[TrackedMark], only: Part | None = None) -> list[TrackedMark]:
    """The new marks in the light of a comparison, strongest first; `only` chooses a part of the change."""
    places = candidates(pair, only)
    found: list[TrackedMark] = []
    for candidate in places:
        if any(_piece_of(candidate, other, pair.window) for other in found):
            continue
        others = [o for o in places if o is not candidate]
        one = _measure(pair, candidate, others, older)
        if one is None or (pair.mismatch.by_hand and any(covers(o.mark, one.mark) for o in older)):
            continue
        found.append(one)
    kept = same_direction([one.brighter for one in found], [old.brighter for old in older])
    return [one for one, same in zip(found, kept, strict=True) if same]


def _is_older(patch: Patch, spot: Spot, older: list[TrackedMark]) -> bool:
    """Whether what seems new between two photos by hand is the outline of a mark that was there before."""
    if not patch.mismatch.by_hand:
        return False
    listed = any(float(old.spot.relative_radius(*spot.centre)) < 1 for old in older)
    return was_there(patch, spot) > (_SAME_AS_LISTED if listed else _SAME_OUTLINE)


def covers(old: Mark, new: Mark) -> bool:
    """Whether a new mark has the outline of an old one. It is then not certain: between two photos by hand, a
    rim that is sharper in one of them looks like that.
    """
    away = float(np.hypot(*np.subtract(new.offset_mm, old.offset_mm)))
    doubt = float(np.hypot(max(new.sigma_mm), max(old.sigma_mm)))
    sizes = [float(np.sqrt(np.prod(mark.width_mm))) for mark in (new, old)]
    return away < 2 * doubt and abs(np.log(sizes[0] / sizes[1])) < _LIKE_SIZE


def candidates(pair: Comparison, only: Part | None = None) -> list[Candidate]:
    """Return where the pictures differ by more than noise and than registration errors at old edges."""
    grid = pair.window
    seen, expected = pair.seen(grid), pair.expected(grid)
    inside = grid.radius_mm() < INSIDE_MM
    alike = np.abs(seen - expected).max(axis=2)
    expected = shared_detail(seen, expected, inside, inside & (alike < _ALIKE * np.median(alike[inside])))
    rest = seen - expected
    by_u, by_v = slopes(expected, grid)
    noise = 1.4826 * np.median(np.abs(rest[inside]), axis=0) + 0.3
    allowed = np.sqrt(1 + _SLACK_MM**2 * (by_u**2 + by_v**2) / noise**2)
    rest = rest / allowed
    return find_candidates(only(rest) if only else rest, inside, grid).listed[:MOST_CANDIDATES]


def _piece_of(candidate: Candidate, other: TrackedMark, window: Grid) -> bool:
    u, v = window.axes_mm()
    rows, cols = np.nonzero(candidate.region)
    return float(np.mean(other.spot.relative_radius(u[cols], v[rows]) < 1.15)) > _INSIDE_FIT


def _measure(
    pair: Comparison, candidate: Candidate, others: list[Candidate], older: list[TrackedMark]
) -> TrackedMark | None:
    """The new mark of a candidate; None if something else explains it as well."""
    grid = crop_grid(pair.view, pair.window, candidate, _half_mm(candidate, older))
    patch, tape = _patch(pair, candidate, others, grid, older)
    under = _old_under(patch, candidate, pair.window)
    whole = not under and not at_rim(candidate)
    ground = patch.rows()
    fitted = fit_joint(patch, _starts(candidate, older, under=under), oval=whole, ground=ground)
    if fitted is None:
        return None
    spot, on = fitted
    if spot.radius() < _IN_LIGHT * candidate.radius_mm and spot.height > 0:
        narrow = _narrowed(candidate, spot, pair.window)
        return None if narrow is None else _measure(pair, narrow, others, older)
    u, v = np.meshgrid(*grid.axes_mm())
    x, y, z, w = u.ravel(), v.ravel(), patch.change.ravel(), patch.weight.ravel()
    rival = rival_rest(patch, *patch.rows(freely=pair.mismatch.by_hand, otherwise=True))
    share = explained(patch, spot, rival, candidate.radius_mm)
    if share < pair.mismatch.least_share() or not plausible(
        spot, candidate, whole=whole, blur_mm=max(pair.shown.own.sd_mm, pair.earlier.own.sd_mm)
    ):
        return None
    if not under:
        w = w * trust(spot, x, y, w)
        centre = (float(spot.centre[0]), float(spot.centre[1]))
        spot = fit_spot(x, y, z, centre=centre, radius=1.0, weight=w, oval=whole, start=spot, ground=on)
    if _is_older(patch, spot, older):
        return None
    figure, smoky = Figure("round"), clear(spot)
    if hidden_share(spot, x, y) > OFF_CARD:
        figure = Figure("off-card")
        spot = fit_spot(x, y, z, centre=candidate.centre_mm, radius=candidate.radius_mm, weight=w, ground=on)
    elif not under:
        smoky = beside_smoke(Points(x, y, z, w), spot, oval=whole, ground=on)
        spot, z = smoky.spot, z - smoky.smoke
        figure = figure_of(pair.window, candidate, spot, grid, z.reshape(u.shape))
    mark = in_depth(pair, mark_of(pair.view, spot, figure, x, y, True, smoky.variance), spot.centre)
    if under:
        mark = replace(mark, sigma_mm=_doubted(mark, _hidden(spot, on, x, y), pair.view.unit_mm))
    if mark.width_mm[0] > WIDEST_MM * pair.view.unit_mm or max(mark.sigma_mm) > MOST_SIGMA_MM:
        return None
    stacks = pair.seen(grid), tape, pair.tape.expected(grid, pair.bare.expected(grid, None))
    away = spot.relative_radius(u, v)
    brighter = burnt_share(stacks, away, patch.weight > 0, pair.shown.picture, pair.view, spot.centre)
    if brighter is None:
        return None
    tape = tape + smoky.on(candidate.colour, tape.shape)
    return TrackedMark(mark, spot, grid, tape, candidate.colour, w, on if under else None, brighter)


def _half_mm(candidate: Candidate, older: list[TrackedMark]) -> float:
    """Half of the least side of a candidate's crop: a crescent is seen with the whole old mark beside it."""
    least = _LEAST_HALF_MM
    for old in older:
        away = float(np.hypot(*(old.spot.centre - candidate.centre_mm)))
        if away < old.spot.radius() + candidate.radius_mm:
            least = max(least, min(away + _ROUND_OLD * old.spot.radius(), _MOST_HALF_MM))
    return least


def _narrowed(candidate: Candidate, spot: Spot, window: Grid) -> Candidate | None:
    """The candidate without the patch of light, or the smudge, in which its mark lies; None for no mark."""
    u, v = np.meshgrid(*window.axes_mm())
    region = candidate.region & (spot.relative_radius(u, v) < 1)
    if not region.any():
        return None
    at = (float(spot.centre[0]), float(spot.centre[1]))
    return replace(candidate, centre_mm=at, radius_mm=spot.radius(), region=region)


def _hidden(spot: Spot, on: Ground, x: Floats, y: Floats) -> float:
    """Twice the share of the mark that older ones hide, at most 1."""
    disc = spot.relative_radius(x, y) < 1.1
    if on.visible is None or not disc.any():
        return 0.0
    return min(2 * float(1 - on.visible[disc].mean()), 1.0)


def _doubted(mark: Mark, hidden: float, unit_mm: float) -> tuple[float, float]:
    """Sigma (2,) of a mark that older ones hide; `hidden` is what `_hidden` returns."""
    factor = 1 + (_UNDER_SIGMA - 1) * hidden
    return pair_of(np.hypot(factor * np.array(mark.sigma_mm), hidden * _RELIEF_MM * unit_mm))


def in_depth(pair: Comparison, mark: Mark, at: Floats) -> Mark:
    """The mark, corrected for tape before or behind the card's plane by the parallax of the two views."""
    now = sight_slope(pair.view, pair.shown.picture.shape, at)
    then = sight_slope(pair.earlier.view, pair.earlier.picture.shape, at)
    moved, doubt = stand_off(*pair.earlier.apart(at), now, then)
    unit = pair.view.unit_mm
    offset = mark.offset_mm + moved * unit
    sigma = np.sqrt(np.square(mark.sigma_mm) + np.diag(doubt) * unit**2)
    return replace(mark, offset_mm=pair_of(offset), sigma_mm=pair_of(sigma))


def _patch(
    pair: Comparison,
    candidate: Candidate,
    others: list[Candidate],
    grid: Grid,
    older: list[TrackedMark],
) -> tuple[Patch, Stack]:
    """Both pictures on a candidate's crop in its colour, and the tape as expected there."""
    after, expected = pair.seen(grid), pair.expected(grid)
    inside = grid.radius_mm() < INSIDE_MM
    expected = shared_detail(after, expected, inside, inside & _away_from(candidate, grid))
    colour = candidate.colour.astype(np.float32)
    gone = ((expected - pair.unburnt(grid)) @ colour).astype(float)
    weight = crop_weights(pair.window, grid, [o for o in others if not _on_one_mark(candidate, o, pair)])
    gone = evened(gone, weight, grid, [old.spot for old in older])
    change = ((after - expected) @ colour).astype(float)
    known = (expected @ colour).astype(float)
    otherwise = tuple((other @ colour).astype(float) for other in pair.otherwise(grid))
    blur_mm2 = pair.shown.blurred_mm2()
    return Patch(grid, change, known, gone, weight, pair.mismatch, blur_mm2, otherwise), expected


def _on_one_mark(candidate: Candidate, other: Candidate, pair: Comparison) -> bool:
    """Whether two candidates lie so near each other that one new mark on an old one may have made both."""
    away = float(np.hypot(*np.subtract(candidate.centre_mm, other.centre_mm)))
    return away < 4.0 and other.strength < candidate.strength


def _away_from(candidate: Candidate, grid: Grid) -> Mask:
    """Where a crop shows tape beside the candidate."""
    u, v = grid.axes_mm()
    away = np.hypot(u[None, :] - candidate.centre_mm[0], v[:, None] - candidate.centre_mm[1])
    return np.asarray(away > 1.5 * candidate.radius_mm + 0.2)


def _old_under(patch: Patch, candidate: Candidate, window: Grid) -> bool:
    """Whether an older mark lies under the candidate or touches it."""
    region = dilated(on_crop(candidate.region, window, patch.grid), 2)
    if not region.any():
        return False
    top = float(np.percentile(patch.change[region], 90))
    return bool(np.mean(patch.gone[region] > _OLD_SHOWS * top + 3 * patch.noise()) > 0.06)


def _starts(
    candidate: Candidate, older: list[TrackedMark], *, under: bool
) -> list[tuple[tuple[float, float], float]]:
    """Rough centres and radii to try: the candidate's own, and those of older marks that it touches, moved
    towards it.
    """
    starts = [(candidate.centre_mm, candidate.radius_mm)]
    if not under:
        return starts
    candidate_at = np.array(candidate.centre_mm)
    for old in older:
        at, radius = old.spot.centre, old.spot.radius()
        away = candidate_at - at
        far = float(np.hypot(*away))
        if far < 2 * (radius + candidate.radius_mm):
            for share in (0.15, 0.5):
                moved = at + share * away
                starts.append(((float(moved[0]), float(moved[1])), radius))
    return starts[:5]

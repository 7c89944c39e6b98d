"""`read`: a picture, or two, to marks in millimetres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vision.bare_tape import INSIDE_MM, Stack, fit_tape
from vision.brightness import same_direction
from vision.calibrate import CameraModel
from vision.candidates import Candidate, core_of, find_candidates, without_lines
from vision.card import CardName
from vision.compare import MOST_CANDIDATES, SEARCH_PITCH_MM, changes, compare
from vision.find import find_card
from vision.light import darker, lamps, stands_out
from vision.lobes import join_lobes, join_pattern
from vision.measure import WIDEST_MM, Scene, TrackedMark, measure
from vision.on_top import BETWEEN_PICTURES, on_top
from vision.picture import Pixels
from vision.reading import CardView, NoReading, Reading
from vision.register import sharpness
from vision.repeat_pulse import repeated_pulse
from vision.window import flatten_view, window_grid

_NOTHING_NEW = "no new mark since the picture before: the pulse missed the card, or was too weak to mark"
_MAYBE_ON_TOP = (
    "no new mark since the picture before: it lies on the old mark, or the pulse missed the card or was too "
    "weak to mark; fresh tape shows which"
)
_BLANK = "no mark on the card: pulse once at the lowest power that marks, or use fresh tape"
_VAGUE = 0.1  # a larger sigma, as a share of the mark's width, means that its place is not known well
_WEAK = 0.25  # of the strongest mark's contrast: fainter is not taken for a mark
_MAYBE_PLAIN = 0.18  # of the light: a plain mark changes a quarter, but a small one is blurred
_HIGH_TILT_DEG = 65.0
_LOW_SCALE = 1.5
_TIGHTEST_MM = 90.0  # radius; on a card bent more, the uncertainty is larger than its edges show
_OFF_PX, _OFF_MM, _LEFT_OUT = 0.6, 0.08, 0.2  # of the markers' edges: rms, and the share that fits nothing


def read(
    after: Pixels,
    before: Pixels | None = None,
    *,
    camera: CameraModel | None = None,
    bar_mm: float | tuple[float, float] | None = None,
) -> Reading | NoReading:
    """Return the marks on the card in a BGR picture, shape (rows, cols, 3) uint8.

    With `before`, a picture of the same card before the pulse, only what changed counts as new (`new`
    true); marks that were there already follow with `new` false. Without it every mark is listed and `new`
    is None. A good picture without a card or without a (new) mark gives a `NoReading` that says why. With
    `camera`, from `calibrate`, the lens is straightened first. `bar_mm` is the measured length of the card's
    check bar (or of the bars across and up, mm) and corrects what the printer did to the scale.

    Raises
    ------
    BarRefused
        If the bar of a card of the size that is seen cannot have that length.
    """
    if camera is not None:
        after = camera.straighten(after)
        before = None if before is None else camera.straighten(before)
    found = find_card(after, bar_mm=bar_mm)
    if isinstance(found, NoReading):
        return found
    station, view = found
    if before is None:
        strong, weak = _strong(marks_on(after, view, new=None))
        if not strong:
            return NoReading(_BLANK, "no-mark", view, station)
        marks = join_pattern([seen.mark for seen in strong])
        return Reading(station, tuple(marks), view, (*_warnings(view), *weak))
    return _read_change(station, view, after, before, bar_mm)


def _read_change(
    station: str,
    view: CardView,
    after: Pixels,
    before: Pixels,
    bar_mm: float | tuple[float, float] | None,
) -> Reading | NoReading:
    earlier = find_card(before, bar_mm=bar_mm)
    if isinstance(earlier, NoReading):
        reason = f"the picture before the pulse cannot be used: {earlier.reason}"
        return NoReading(reason, "no-card", view, station)
    then, now = CardName(earlier[0], earlier[1].size), CardName(station, view.size)
    if then != now:
        reason = f"the picture before shows the card of {then}, the one after that of {now}"
        return NoReading(f"{reason}: use two pictures of one card", "no-card", view, station)
    return read_between(station, after, view, before, earlier[1])[0]


def read_between(
    station: str, after: Pixels, view: CardView, before: Pixels, before_view: CardView
) -> tuple[Reading | NoReading, TrackedMark | None]:
    """Return what is new between two pictures of one card, and how to follow the strongest new mark."""
    earlier = marks_on(before, before_view, new=False)
    pair = compare(after, view, before, before_view)
    found, again, several = repeated_pulse(pair, changes(pair, earlier), earlier)
    seen, weak = _strong(_sure(found))
    marks = join_lobes([found.mark for found in seen])
    old = [found.mark for found in earlier]
    if not marks:
        contrast = min((found.spot.height for found in earlier), default=0.0)
        hidden = None if several else on_top(tuple(old), contrast, BETWEEN_PICTURES)
        hidden = again if hidden is not None and again is not None else hidden
        reason = _NOTHING_NEW if hidden is None else _MAYBE_ON_TOP
        return NoReading(reason, "no-mark", view, station, hidden), None
    reading = Reading(station, (*marks, *old), view, (*_warnings(view), *weak))
    return reading, replace(seen[0], mark=marks[0])


def _sure(seen: list[TrackedMark]) -> list[TrackedMark]:
    """The marks of one pulse. If the place of one mark is known well, marks whose place is known badly are
    dropped. So are marks partly hidden by the window's edge and farther off than a beam is wide (a lamp's
    image there looks like a mark).
    """
    vague = [max(found.mark.sigma_mm) > _VAGUE * min(found.mark.width_mm) for found in seen]
    known = zip(seen, vague, strict=True)
    whole = [one.spot.centre for one, unsure in known if not unsure and one.mark.shape != "off-card"]
    for i, one in enumerate(seen):
        away = [float(np.hypot(*(one.spot.centre - at))) for at in whole]
        vague[i] |= one.mark.shape == "off-card" and min(away, default=0.0) > WIDEST_MM
    return (
        seen if all(vague) else [found for found, is_vague in zip(seen, vague, strict=True) if not is_vague]
    )


def _strong(seen: list[TrackedMark]) -> tuple[list[TrackedMark], list[str]]:
    """The marks that count, and a sentence about each that is much fainter than the strongest."""
    most = max((found.spot.height for found in seen), default=0.0)
    weak = [found.mark.offset_mm for found in seen if found.spot.height < _WEAK * most]
    sentences = [f"something much fainter at {u:+.1f}, {v:+.1f} mm was not taken for a mark" for u, v in weak]
    return [found for found in seen if found.spot.height >= _WEAK * most], sentences


def marks_on(picture: Pixels, view: CardView, *, new: bool | None) -> list[TrackedMark]:
    """Return all marks that stand out from the tape, and how to follow each.

    A mark that lies in or touches a lamp's image forms one candidate with it. So where no mark is found, the
    window is searched again: without what is smooth over several mm, then for darker changes only, then for
    what stands out of the lamp's image. This also makes smudges steeper, so only plain marks count there.
    """
    grid = window_grid(SEARCH_PITCH_MM)
    flat = flatten_view(picture, view, grid)
    tape = fit_tape(flat, None, grid)
    plain = Scene(picture, view, tape, grid, sharpness(picture, view).sd_mm)
    found = _marks_of(plain, flat, new=new)
    if found:
        return found
    unlit = replace(plain, light=lamps(flat, tape.expected(grid, None), grid))
    inside = grid.radius_mm() < INSIDE_MM
    if not stands_out(flat, unlit.unmarked(grid), inside, _MAYBE_PLAIN):
        return []
    return (
        _marks_of(unlit, flat, new=new)
        or _marks_of(unlit, flat, new=new, only=darker)
        or _marks_of(unlit, flat, new=new, cores=True)
    )


def _marks_of(
    scene: Scene,
    flat: Stack,
    *,
    new: bool | None,
    only: Callable[[Stack], Stack] | None = None,
    cores: bool = False,
) -> list[TrackedMark]:
    """The marks that stand out from the tape in the light of a scene; `only` chooses a part of the change,
    `cores` what stands out of the candidates.
    """
    inside = scene.grid.radius_mm() < INSIDE_MM
    rest = flat - scene.unmarked(scene.grid)
    places = find_candidates(only(rest) if only else rest, inside, scene.grid).listed[:MOST_CANDIDATES]
    if cores:
        places = [core for one in places if (core := core_of(one, rest, scene.grid)) is not None]
    found = [_mark_at(scene, one, [o for o in places if o is not one], new=new, lamp=cores) for one in places]
    seen = [one for one in found if one is not None]
    kept = same_direction([one.brighter for one in seen], [])
    return [one for one, same in zip(seen, kept, strict=True) if same]


def _mark_at(
    scene: Scene, candidate: Candidate, others: list[Candidate], *, new: bool | None, lamp: bool
) -> TrackedMark | None:
    """The mark of a candidate, or of what is left of it without the lines (a pen's) that run into it."""
    found = measure(scene, candidate, others, new=new, lamp=lamp)
    parts = None if found is not None else without_lines(candidate, scene.grid)
    return found if parts is None else measure(scene, parts[0], [*others, parts[1]], new=new, lamp=lamp)


def _uneven(view: CardView) -> bool:
    """Whether the markers' edges fit neither a flat nor an evenly bent sheet."""
    worst_px = min(_OFF_PX, _OFF_MM * view.px_per_mm)
    return not view.rms_px <= worst_px or view.left_out > _LEFT_OUT


def _warnings(view: CardView) -> list[str]:
    """What makes the reading less certain, in plain words."""
    warnings = []
    if view.markers_seen < 4:
        warnings.append(f"only {view.markers_seen} of the card's four black squares are visible")
    if view.tilt_deg > _HIGH_TILT_DEG:
        warnings.append(f"the card is seen at {view.tilt_deg:.0f}°: look at it more squarely")
    if view.px_per_mm < _LOW_SCALE:
        warnings.append(f"the card is small in the picture ({view.px_per_mm:.1f} px per mm): go nearer")
    if view.bend is not None and view.bend.radius_mm * view.unit_mm < _TIGHTEST_MM:
        warnings.append(
            f"the card is bent to a radius of {view.bend.radius_mm * view.unit_mm:.0f} mm: flatten it"
        )
    elif _uneven(view):
        warnings.append("the card is bent or blurred: flatten it, hold the camera still")
    warnings += [
        f"a marker of another card ({name}) is in the picture: show one card only" for name in view.others
    ]
    return warnings

"""`read`: a picture, or two, to marks in millimetres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.calibrate import CameraModel
from vision.card import CardName
from vision.change import INSIDE_MM, Stack, believed, fit_tape
from vision.find import find_card
from vision.lobes import join_lobes
from vision.measure import Follower, Scene, measure
from vision.picture import Pixels
from vision.reading import CardView, Mark, NoReading, Reading
from vision.seek import Mask, seek
from vision.window import flatten, window_grid

_SEARCH_PITCH_MM = 0.2
_MOST_SEEDS = 12  # a window torn to shreds still answers in time
_ALIKE = 4.0  # times the window's typical difference
_HIGH_TILT_DEG = 65.0
_LOW_SCALE = 1.5


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
        marks = [seen.mark for seen in _marks(after, view, None, None, new=None)[0]]
        nothing = "no mark on the card: pulse once at the lowest power that marks, or use fresh tape"
        return _answer(station, view, marks, nothing, [])
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
) -> tuple[Reading | NoReading, Follower | None]:
    """Return what is new between two pictures of one card, and how to follow the strongest new mark."""
    earlier, stale = _marks(before, before_view, None, None, new=False)
    seen, _ = _marks(after, view, before, before_view, new=True, stale=stale)
    marks = join_lobes([found.mark for found in seen])
    old = [found.mark for found in earlier]
    nothing = "no new mark since the picture before: the pulse missed the card, or was too weak to mark"
    answer = _answer(station, view, marks, nothing, old)
    if not seen or not marks:
        return answer, None
    return answer, replace(seen[0], mark=marks[0])


def _answer(
    station: str, view: CardView, marks: list[Mark], nothing: str, old: list[Mark]
) -> Reading | NoReading:
    if not marks:
        return NoReading(nothing, "no-mark", view, station)
    return Reading(station, (*marks, *old), view, tuple(_warnings(view)))


def _marks(
    picture: Pixels,
    view: CardView,
    before: Pixels | None,
    before_view: CardView | None,
    *,
    new: bool | None,
    stale: Mask | None = None,
) -> tuple[list[Follower], Mask]:
    """All marks that stand out from the tape, or from the picture before, and where anything stands out.

    `stale` is where the picture before already differed from its tape: an older mark under the new one.
    """
    grid = window_grid(_SEARCH_PITCH_MM)
    flat = flatten(picture, view.units_to_px, grid)
    earlier = None
    if before is not None and before_view is not None:
        earlier = flatten(before, before_view.units_to_px, grid)
    tape = fit_tape(flat, earlier, grid)
    inside, unmarked = grid.radius_mm() < INSIDE_MM, tape.expected(grid, earlier)
    if earlier is not None:
        unmarked = believed(flat, unmarked, inside, inside & _alike(flat, unmarked, inside))
    sighting = seek(flat - unmarked, inside, grid)
    seeds = sighting.seeds[:_MOST_SEEDS]
    scene = Scene(picture, view, before, before_view, tape, grid, stale)
    found = [measure(scene, s, [o for o in seeds if o is not s], new=new) for s in seeds]
    return [seen for seen in found if seen is not None], sighting.differs


def _alike(flat: Stack, unmarked: Stack, inside: Mask) -> Mask:
    """Where a window is much as expected."""
    away = np.abs(flat - unmarked).max(axis=2)
    return np.asarray(away < _ALIKE * np.median(away[inside]))


def _warnings(view: CardView) -> list[str]:
    """What makes the reading less sure, in plain words."""
    told = []
    if view.markers_seen < 4:
        told.append(f"only {view.markers_seen} of the card's four black squares are visible")
    if view.tilt_deg > _HIGH_TILT_DEG:
        told.append(f"the card is seen at {view.tilt_deg:.0f}°: look at it more squarely")
    if view.px_per_mm < _LOW_SCALE:
        told.append(f"the card is small in the picture ({view.px_per_mm:.1f} px per mm): go nearer")
    if not np.isfinite(view.rms_px) or view.rms_px > 0.6:
        told.append("the card is bent or blurred: flatten it, hold the camera still")
    told += [
        f"a marker of another card ({name}) is in the picture: show one card only" for name in view.others
    ]
    return told

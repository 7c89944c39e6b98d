"""Find the card in a picture and say which station it belongs to."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bend import bend_of_corners
from vision.card import MARKERS_PER_CARD, SIZES, CardName, Floats, card_sheet, print_ratio
from vision.edges import EdgeFit, first_bend, fit_edges
from vision.homography import fit_homography, project, scale_and_tilt
from vision.markers import Marker, find_markers, shows_code
from vision.picture import Pixels
from vision.reading import CardView, NoReading

_FEWEST_MARKERS = 2
_SURE_MARKERS = 3  # their rough corners already tell where the fourth must be
_STRANGER = 0.5  # of the card's own markers' side: smaller ones are found in texture by chance
_CORNERS_OFF_PX, _CORNERS_OFF = 1.2, 0.012  # rms of the detector's corners: more is no flat card
# A cylinder must leave less than this share of what a plane leaves, and its curvature must be clear of zero.
# Sixteen edges that each err as a whole, as streaks in the print make them, leave a plane half as well as a
# cylinder by chance.
_BENT, _BENT_SD = 0.75, 3.0
_FEWEST_EDGES, _WORST_RMS_PX = 6, 1.0
# Corners farther from the fit than the first share of a marker's side do not belong to the card; on a bent
# card they may lie off the plane by the second.
_MISFIT_SHARE, _BENT_SHARE = 0.12, 0.6


def find_card(
    picture: Pixels, *, bar_mm: float | tuple[float, float] | None = None
) -> tuple[str, CardView] | NoReading:
    """Return the station and the view of the one card in a BGR picture, or why there is none.

    `bar_mm`: the measured length of the card's check bar, or of the bars across and up; None: not measured.

    Raises
    ------
    BarRefused
        If the bar of a card of the size that is seen cannot have that length.
    """
    grey = to_grey(picture)
    chosen = _choose(find_markers(grey), grey.shape)
    if isinstance(chosen, NoReading):
        return chosen
    card, markers, others = chosen
    return card.station, replace(locate(grey, card, markers, bar_mm), others=others)


def to_grey(picture: Pixels) -> NDArray[np.uint8]:
    """Return brightness of a BGR picture, shape (rows, cols)."""
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def locate(
    grey: NDArray[np.uint8],
    card: CardName,
    markers: list[Marker],
    bar_mm: float | tuple[float, float] | None = None,
) -> CardView:
    """Return the refined view of a card from its rough markers; raises BarRefused."""
    corners, unit_mm = _in_units(card, bar_mm)
    rough = fit_homography(
        np.vstack([corners[m.id] for m in markers]), np.vstack([m.corners_px for m in markers])
    )
    seen = [m.id for m in markers]
    if len(seen) < len(corners):
        if len(seen) < _SURE_MARKERS:
            rough = fit_edges(grey, [corners[i] for i in seen], rough, rounds=1).homography
        seen += [i for i in corners if i not in seen and shows_code(grey, i, corners[i], rough)]
    fit = _flat_or_bent(grey, [corners[i] for i in seen], rough, corners, markers)
    return view_of(fit, len(seen), card.size, unit_mm)


def _flat_or_bent(
    grey: NDArray[np.uint8],
    edges: list[Floats],
    rough: Floats,
    corners: dict[int, Floats],
    markers: list[Marker],
) -> EdgeFit:
    """The fit of the edges on a plane, or on a cylinder if that fits clearly better and is clearly curved."""
    flat = fit_edges(grey, edges, rough)
    if len(markers) < _SURE_MARKERS:
        return flat
    sheet, seen = np.vstack([corners[m.id] for m in markers]), np.vstack([m.corners_px for m in markers])
    off = np.sqrt(np.mean(np.square(project(rough, sheet) - seen)))
    side = min(m.side_px for m in markers)
    if off > max(_CORNERS_OFF_PX, _CORNERS_OFF * side):
        homography, bend = bend_of_corners(sheet, seen, grey.shape)
    else:
        slight = first_bend(grey, edges, flat)
        if slight is None:
            return flat
        homography, bend = flat.homography, slight
    bent = fit_edges(grey, edges, homography, bend=bend)
    is_bent = bent.misfit_px < _BENT * flat.misfit_px and bent.bend_over_sd > _BENT_SD
    return bent if is_bent else flat


def track(
    grey: NDArray[np.uint8],
    station: str,
    last: CardView,
    bar_mm: float | tuple[float, float] | None = None,
) -> CardView | None:
    """Return the view of a card that moved little since the last frame, None if it must be searched for."""
    corners, unit_mm = _in_units(CardName(station, last.size), bar_mm)
    seen = [i for i in corners if shows_code(grey, i, corners[i], last.units_to_px, last.bend)]
    if len(seen) < _FEWEST_MARKERS:
        return None
    fit = fit_edges(grey, [corners[i] for i in seen], last.units_to_px, bend=last.bend)
    if fit.edges_used < _FEWEST_EDGES or not fit.rms_px < _WORST_RMS_PX:
        return None
    return view_of(fit, len(seen), last.size, unit_mm)


def _in_units(card: CardName, bar_mm: float | tuple[float, float] | None) -> tuple[dict[int, Floats], float]:
    """The markers' corners by id in units of the card, and how many mm the unit is.

    In that unit every card has the size of the standard one, so all later steps are the same for all sizes. A
    stretch by the printer in one direction only stays in the corners.
    """
    across, up = print_ratio(card.size, bar_mm)
    mean = float(np.sqrt(across * up))
    sheet = card_sheet(card.station, card.size)
    scale = SIZES[card.size]
    stretch = np.array([across, up]) / (mean * scale)
    return {i: corners * stretch for i, corners in sheet.markers.items()}, scale * mean


def view_of(fit: EdgeFit, markers_seen: int, size: str = "standard", unit_mm: float = 1.0) -> CardView:
    """Return the public view of an edge fit on a card whose unit is `unit_mm`."""
    homography = np.asarray(fit.homography / (unit_mm, unit_mm, 1.0))
    px_per_mm, tilt_deg = scale_and_tilt(homography)
    return CardView(
        markers_seen,
        fit.rms_px,
        px_per_mm,
        tilt_deg,
        homography,
        fit.covariance,
        size,
        unit_mm,
        bend=fit.bend,
        left_out=fit.left_out,
    )


def _choose(
    found: list[Marker], shape: tuple[int, ...]
) -> tuple[CardName, list[Marker], tuple[str, ...]] | NoReading:
    """The one card whose markers agree with one sheet, and the cards of which only a single marker shows."""
    known = [m for m in found if m.card is not None]
    if not known:
        return NoReading(_no_card_reason(found), "no-card")
    cards = {m.card for m in known if m.card is not None}
    fitting = {c: _agreeing(c, [m for m in known if m.card == c], shape) for c in cards}
    full = sorted(c for c, markers in fitting.items() if len(markers) >= _FEWEST_MARKERS)
    if len(full) > 1:
        what = "two stations" if len({c.station for c in full}) > 1 else "two sizes"
        names = " and ".join(map(str, full))
        return NoReading(f"cards of {what} in one picture ({names}): show one card only", "no-card")
    if not full:
        return NoReading(
            "only one marker of the card is visible: show at least two of its four black squares",
            "no-card",
            station=next(iter(cards)).station if len(cards) == 1 else None,
        )
    (card,) = full
    if _two_of_one(card, known, fitting[card]):
        return NoReading(f"two cards of {card} in one picture: show one card only", "no-card")
    side = min(m.side_px for m in fitting[card])
    others = {str(m.card) for m in known if m.card != card and m.side_px > _STRANGER * side}
    return card, fitting[card], tuple(sorted(others))


def _no_card_reason(found: list[Marker]) -> str:
    if found:
        ids = ", ".join(str(m.id) for m in found[:4])
        return f"a marker that is on none of our cards (id {ids}): hang one of the printed cards"
    return "no card found: the whole card with its four black squares must be in the picture, sharp and lit"


def _agreeing(card: CardName, markers: list[Marker], shape: tuple[int, ...]) -> list[Marker]:
    """The largest set of markers, one per id, that one homography explains, or all where a cylinder does."""
    best = _one_per_id(markers)
    while len(best) > _FEWEST_MARKERS:
        misfit = _misfits(card, best)
        if misfit.max() < _MISFIT_SHARE:
            return best
        if len(best) == MARKERS_PER_CARD and misfit.max() < _BENT_SHARE and _on_cylinder(card, best, shape):
            return best
        best = _drop_worst(card, best)
    return best if len(best) == _FEWEST_MARKERS and _misfits(card, best).max() < _MISFIT_SHARE else []


def _on_cylinder(card: CardName, markers: list[Marker], shape: tuple[int, ...]) -> bool:
    """Whether markers that no plane explains lie on a bent sheet."""
    sheet, seen = _corners_of(card, markers)
    homography, bend = bend_of_corners(sheet / SIZES[card.size], seen, shape)
    error = project(homography, bend.apparent(sheet / SIZES[card.size])) - seen
    worst = np.linalg.norm(error, axis=1).reshape(-1, 4).max(axis=1)
    return bool((worst / [m.side_px for m in markers]).max() < _MISFIT_SHARE)


def _drop_worst(card: CardName, markers: list[Marker]) -> list[Marker]:
    """The markers without the one whose removal makes the others agree best."""
    rest = [[m for m in markers if m is not out] for out in markers]
    return min(rest, key=lambda kept: float(_misfits(card, kept).max()))


def _one_per_id(markers: list[Marker]) -> list[Marker]:
    largest = sorted(markers, key=lambda m: -m.side_px)
    return list({m.id: m for m in reversed(largest)}.values())


def _misfits(card: CardName, markers: list[Marker]) -> Floats:
    """Largest corner error of each marker as a share of its side."""
    source, target = _corners_of(card, markers)
    error = np.linalg.norm(project(fit_homography(source, target), source) - target, axis=1).reshape(-1, 4)
    return np.asarray(error.max(axis=1) / [m.side_px for m in markers])


def _corners_of(card: CardName, markers: list[Marker]) -> tuple[Floats, Floats]:
    """Corners of markers on the sheet, in mm, and in the picture."""
    sheet = card_sheet(*card)
    return np.vstack([sheet.markers[m.id] for m in markers]), np.vstack([m.corners_px for m in markers])


def _two_of_one(card: CardName, known: list[Marker], used: list[Marker]) -> bool:
    """Whether two or more ids of the card occur twice: a second card, not one falsely detected marker."""
    counts = Counter(m.id for m in known if m.card == card)
    return sum(n > 1 for n in counts.values()) >= _FEWEST_MARKERS and bool(used)

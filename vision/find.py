"""Find the card in a picture and say whose it is."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import Floats, card_sheet
from vision.edges import EdgeFit, fit_edges
from vision.markers import Marker, find_markers, shows_code
from vision.picture import Pixels
from vision.plane import fit_homography, project, scale_and_tilt
from vision.reading import CardView, NoReading

_FEWEST_MARKERS = 2
_LARGE_PX = 40.0  # markers from which OpenCV's corners need one refinement less
_FEWEST_EDGES, _WORST_RMS_PX = 6, 1.0
_MISFIT_SHARE = (
    0.12  # corners farther from the fit than this share of a marker's side do not belong to the card
)


def find_card(picture: Pixels) -> tuple[str, CardView] | NoReading:
    """Return the station and the view of the one card in a BGR picture, or why there is none."""
    grey = to_grey(picture)
    chosen = _choose(find_markers(grey))
    if isinstance(chosen, NoReading):
        return chosen
    station, markers = chosen
    return station, locate(grey, station, markers)


def to_grey(picture: Pixels) -> NDArray[np.uint8]:
    """Return brightness of a BGR picture, shape (rows, cols)."""
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def locate(grey: NDArray[np.uint8], station: str, markers: list[Marker]) -> CardView:
    """Return the refined view of a station's card from its rough markers."""
    corners = card_sheet(station).markers
    rough = fit_homography(
        np.vstack([corners[m.id] for m in markers]), np.vstack([m.corners_px for m in markers])
    )
    seen = [m.id for m in markers]
    if len(seen) < len(corners):
        fit = fit_edges(grey, [corners[i] for i in seen], rough, rounds=1)
        rough = fit.homography
        seen += [i for i in corners if i not in seen and shows_code(grey, i, corners[i], rough)]
    rounds = 2 if min(m.side_px for m in markers) > _LARGE_PX else 3
    return view_of(fit_edges(grey, [corners[i] for i in seen], rough, rounds=rounds), len(seen))


def track(grey: NDArray[np.uint8], station: str, last: CardView) -> CardView | None:
    """Return the view of a card that moved little since the last frame, None if it must be searched for."""
    corners = card_sheet(station).markers
    seen = [i for i in corners if shows_code(grey, i, corners[i], last.homography)]
    if len(seen) < _FEWEST_MARKERS:
        return None
    fit = fit_edges(grey, [corners[i] for i in seen], last.homography, rounds=2)
    if fit.edges_used < _FEWEST_EDGES or not fit.rms_px < _WORST_RMS_PX:
        return None
    return view_of(fit, len(seen))


def view_of(fit: EdgeFit, markers_seen: int) -> CardView:
    """Return the public view of an edge fit."""
    px_per_mm, tilt_deg = scale_and_tilt(fit.homography)
    return CardView(markers_seen, fit.rms_px, px_per_mm, tilt_deg, fit.homography, fit.covariance)


def _choose(found: list[Marker]) -> tuple[str, list[Marker]] | NoReading:
    """The one station whose markers agree with a flat card."""
    known = [m for m in found if m.station is not None]
    if not known:
        return NoReading(_no_card_reason(found), "no-card")
    fitting = {s: _agreeing(s, [m for m in known if m.station == s]) for s in {m.station for m in known} if s}
    full = [s for s, markers in fitting.items() if len(markers) >= _FEWEST_MARKERS]
    if len(full) > 1:
        names = " and ".join(sorted(full))
        return NoReading(f"cards of two stations in one picture ({names}): show one card only", "no-card")
    if not full:
        return NoReading(
            "only one marker of the card is visible: show at least two of its four black squares",
            "no-card",
            station=known[0].station if len(fitting) == 1 else None,
        )
    station = full[0]
    if _two_of_one(station, known, fitting[station]):
        return NoReading(f"two cards of {station} in one picture: show one card only", "no-card")
    return station, fitting[station]


def _no_card_reason(found: list[Marker]) -> str:
    if found:
        ids = ", ".join(str(m.id) for m in found[:4])
        return f"a marker that is on none of our cards (id {ids}): hang one of the printed cards"
    return "no card found: the whole card with its four black squares must be in the picture, sharp and lit"


def _agreeing(station: str, markers: list[Marker]) -> list[Marker]:
    """The largest set of markers, one per id, that one homography explains."""
    best = _one_per_id(markers)
    while len(best) > _FEWEST_MARKERS:
        misfit = _misfits(station, best)
        if misfit.max() < _MISFIT_SHARE:
            return best
        best = _drop_worst(station, best)
    return best if len(best) == _FEWEST_MARKERS and _misfits(station, best).max() < _MISFIT_SHARE else []


def _drop_worst(station: str, markers: list[Marker]) -> list[Marker]:
    """Leave out the one marker without which the others agree best."""
    rest = [[m for m in markers if m is not out] for out in markers]
    return min(rest, key=lambda kept: float(_misfits(station, kept).max()))


def _one_per_id(markers: list[Marker]) -> list[Marker]:
    largest = sorted(markers, key=lambda m: -m.side_px)
    return list({m.id: m for m in reversed(largest)}.values())


def _misfits(station: str, markers: list[Marker]) -> Floats:
    """Largest corner error of each marker as a share of its side."""
    sheet = card_sheet(station)
    source = np.vstack([sheet.markers[m.id] for m in markers])
    target = np.vstack([m.corners_px for m in markers])
    error = np.linalg.norm(project(fit_homography(source, target), source) - target, axis=1).reshape(-1, 4)
    return np.asarray(error.max(axis=1) / [m.side_px for m in markers])


def _two_of_one(station: str, known: list[Marker], used: list[Marker]) -> bool:
    """Whether two or more ids of the station occur twice: a second card, not a stray false marker."""
    counts = Counter(m.id for m in known if m.station == station)
    return sum(n > 1 for n in counts.values()) >= _FEWEST_MARKERS and bool(used)

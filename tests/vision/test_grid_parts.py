"""From pictures of the grid to a camera, with each part given."""

from __future__ import annotations

from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest

from vision.calibrate import CalibrationFailed

calibrate = import_module("vision.calibrate")  # the package has a function of this name
SQUARE = np.array([(10.0, 30.0), (22.0, 30.0), (22.0, 18.0), (10.0, 18.0)])


@pytest.mark.parametrize(("edges_used", "seen"), [(3, False), (4, True)])
def test_a_marker_s_corners_are_where_all_four_edges_meet(monkeypatch, edges_used, seen):
    """Told about the marker's own middle."""
    shifted = np.array([(2.0, 0, 50.0), (0, 2.0, 70.0), (0, 0, 1.0)])

    def fit_edges(grey, markers, rough):
        (local,) = markers
        assert local == pytest.approx(SQUARE - (16.0, 24.0))
        return SimpleNamespace(homography=shifted, edges_used=edges_used)

    monkeypatch.setattr(calibrate, "fit_edges", fit_edges)
    found = calibrate._refined(np.zeros((9, 9), np.uint8), SQUARE, 2 * SQUARE)
    assert (found is not None) == seen
    if seen:
        assert found == pytest.approx(2 * (SQUARE - (16.0, 24.0)) + (50.0, 70.0))


@pytest.mark.parametrize(
    ("found", "hidden", "enough"), [(4, 0, True), (3, 0, False), (5, 1, True), (4, 1, False)]
)
def test_a_picture_counts_with_as_many_markers_as_are_needed(monkeypatch, found, hidden, enough):
    """Those that are detected, less those of which an edge is hidden; others than the grid's do not count."""
    known = {i: SQUARE + 10.0 * i for i in range(20)}
    least = calibrate._FEWEST_MARKERS
    count = least + found - 4
    markers = [SimpleNamespace(id=i, corners_px=SQUARE) for i in (*range(count), 77, 78)]
    hides = set(range(hidden))

    def refined(grey, corners_mm, rough_px):
        number = round((corners_mm - SQUARE)[0, 0] / 10)
        return None if number in hides else corners_mm * 3

    monkeypatch.setattr(calibrate, "grid_markers", lambda: known)
    monkeypatch.setattr(calibrate, "find_markers", lambda grey: markers)
    monkeypatch.setattr(calibrate, "to_grey", lambda picture: picture)
    monkeypatch.setattr(calibrate, "_refined", refined)
    view = calibrate._grid_corners(np.zeros((9, 9), np.uint8))
    assert (view is not None) == enough
    if enough:
        mm, px = view
        assert len(mm) == len(px) == 4 * (count - hidden)
        assert px == pytest.approx(3 * mm)


def test_pictures_of_one_size_in_which_the_grid_is_found_are_needed(monkeypatch):
    calls, solved = [], []
    monkeypatch.setattr(calibrate, "_grid_corners", lambda picture: None if picture[0, 0] else "view")
    monkeypatch.setattr(calibrate, "_solve", lambda views, size: solved.append((views, size)) or "camera")
    good, bad = np.zeros((30, 40), np.uint8), np.ones((30, 40), np.uint8)
    few = calibrate.FEWEST_PICTURES
    pictures = [bad, *[good] * few]
    assert calibrate.calibrate(pictures, told=lambda: calls.append(1)) == "camera"
    assert solved == [(["view"] * few, (40, 30))]
    assert len(calls) == few + 1
    with pytest.raises(CalibrationFailed, match=f"in {few - 1} of {few} pictures"):
        calibrate.calibrate([bad, *[good] * (few - 1)])
    with pytest.raises(CalibrationFailed, match="in 0 of 0 pictures"):
        calibrate.calibrate([])
    with pytest.raises(CalibrationFailed, match="differ in size"):
        calibrate.calibrate([*pictures, np.zeros((40, 30), np.uint8)])

"""The card's stated sigma on photographs of real printed boards (data/README.md).

All markers of a board stand on a regular grid. Four at the corners of a rectangle are a card; where they put
the other markers is compared with where those are seen, in standard uncertainties of both. Nothing here was
rendered: phone cameras with their sharpening and files, an office printer, a sheet on a desk.
"""

import itertools
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.card import marker_square
from vision.edges import fit_edges
from vision.homography import fit_homography, project

DATA = Path(__file__).parent / "data"
SIDE = 24.0  # of a marker, in our units: 8 modules of 3
ROWS, COLS = 7, 5


def squares(pitch):
    """Corners of every place of the grid, by row and column."""
    return {
        (row, col): marker_square(((col - 2) * SIDE * pitch, (3 - row) * SIDE * pitch), SIDE)
        for row in range(ROWS)
        for col in range(COLS)
    }


def board(name):
    """The picture, where each marker stands on the sheet, and its rough corners in the picture."""
    grey = cv2.imread(str(DATA / f"board-{name}.jpg"), cv2.IMREAD_GRAYSCALE)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250))
    if name == "checks":  # markers in the white squares, half as large as these
        sheet = {at: square for at, square in squares(2.0).items() if sum(at) % 2}
        corners, ids, _ = detector.detectMarkers(grey)
        found = {int(i): c.reshape(4, 2).astype(float) for i, c in zip(ids.ravel(), corners, strict=True)}
        return grey, sheet, {at: found[i] for i, at in enumerate(sorted(sheet))}
    sheet = squares(1.25)  # codes of another dictionary: the outlines are enough
    quads = detector.detectMarkers(cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC))[2]
    quads = [(q.reshape(4, 2) + 0.5) / 2 - 0.5 for q in quads]
    outer = np.array([sheet[0, 0][0], sheet[0, 4][1], sheet[6, 4][2], sheet[6, 0][3]])
    rough = fit_homography(outer, np.array([(247, 73), (467, 111), (391, 378), (103, 305)], float))
    turns = [np.roll(quad, by, axis=0) for quad in quads for by in range(4)]
    seen = {
        at: min(turns, key=lambda t: np.abs(t - project(rough, square)).max()) for at, square in sheet.items()
    }
    return grey, sheet, seen


def ratios(name):
    """Errors of the foretold places over their standard uncertainty, (n, 2)."""
    grey, sheet, seen = board(name)
    single = {}
    for at, rough in seen.items():
        local = sheet[at] - sheet[at].mean(axis=0)
        single[at] = fit_edges(grey, [local], fit_homography(local, rough))
    each = []
    for (top, bottom), (left, right) in itertools.product(
        itertools.combinations(range(ROWS), 2), itertools.combinations(range(COLS), 2)
    ):
        four = [(top, left), (top, right), (bottom, left), (bottom, right)]
        if bottom - top < 4 or right - left < 2 or any(at not in seen for at in four):
            continue
        rough = fit_homography(np.vstack([sheet[at] for at in four]), np.vstack([seen[at] for at in four]))
        card = fit_edges(grey, [sheet[at] for at in four], rough)
        back = np.linalg.inv(card.homography)
        for row, col in seen:
            if (row, col) in four or not (top <= row <= bottom and left <= col <= right):
                continue
            place = sheet[row, col].mean(axis=0)
            own = single[row, col]
            there = project(back, project(own.homography, np.zeros((1, 2))))[0]
            variance = np.diag(card.sigma_mm(place)) + np.diag(own.sigma_mm(np.zeros(2)))
            each.append((there - place) / np.sqrt(variance))
    return np.array(each)


@pytest.mark.parametrize("name", ["checks", "grid"])
def test_outside_four_markers_foretell_the_others_within_their_sigma(name):
    found = ratios(name)
    assert len(found) >= 20
    assert 0.6 < np.sqrt(np.mean(found**2)) < 1.3
    assert np.mean(np.abs(found) < 2) > 0.85

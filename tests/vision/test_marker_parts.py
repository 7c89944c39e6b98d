"""How markers are searched and confused with one another, and where the camera is that sees them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision import bend, markers
from vision.card import card_sheet
from vision.markers import Marker

SQUARE = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])


@pytest.mark.parametrize("at", [(0.0, 0.0), (500.0, 300.0)])
@pytest.mark.parametrize(
    ("away", "other_id", "same"),
    [((9.9, 0.0), 7, True), ((0.0, -9.9), 7, True), ((10.1, 0.0), 7, False), ((0.0, 0.0), 8, False)],
)
def test_a_marker_less_than_half_its_side_away_is_the_same_wherever_it_is(at, away, other_id, same):
    one = Marker(7, 10 * SQUARE + at)
    assert markers._same(one, Marker(other_id, 10 * SQUARE + np.add(at, away))) == same
    assert len(markers._merge([one], [Marker(other_id, 10 * SQUARE + np.add(at, away))])) == 2 - same


@pytest.mark.parametrize(("scale", "side"), [(1, 60), (0.5, 30), (2.0, 120)])
def test_a_picture_is_searched_in_the_scale_that_is_told(monkeypatch, scale, side):
    searched = []

    class Detector:
        def __init__(self, dictionary, settings):
            self.windows = (
                settings.adaptiveThreshWinSizeMin,
                settings.adaptiveThreshWinSizeMax,
                settings.adaptiveThreshWinSizeStep,
            )

        def detectMarkers(self, picture):
            searched.append((picture.shape, self.windows))
            return (), None, ()

    monkeypatch.setattr(markers.cv2.aruco, "ArucoDetector", Detector)
    assert markers._search(np.zeros((60, 60), np.uint8), scale, windows=(3, 23, 10)) == []
    assert searched == [((side, side), (3, 23, 10))]


# where the camera stands


def camera(tilt, place, shape, ratio):
    """A camera's projection of the card's space, (3, 4): the axis in the picture's middle, square pixels."""
    focal = ratio * bend._FOCAL * max(shape)
    inner = np.array([(focal, 0, (shape[1] - 1) / 2), (0, focal, (shape[0] - 1) / 2), (0, 0, 1.0)])
    turn = cv2.Rodrigues(np.array(tilt))[0] @ np.diag([1.0, -1.0, -1.0])
    return inner @ np.column_stack([turn, place]), -turn.T @ np.array(place)


@pytest.mark.parametrize("shape", [(480, 640), (1200, 700)])
@pytest.mark.parametrize("ratio", [0.8, 1.0, 1.3])
def test_outside_the_camera_s_place_is_that_of_a_pinhole(shape, ratio):
    full, eye = camera((0.3, -0.2, 0.1), (4.0, -3.0, 250.0), shape, ratio)
    homography = full[:, [0, 1, 3]]
    for scale in (1.0, -1 / homography[2, 2]):
        assert bend.eye_of(scale * homography, shape, ratio) == pytest.approx(eye, rel=1e-9)


@pytest.mark.parametrize("shape", [(480, 640), (1200, 700)])
@pytest.mark.parametrize("curved", [(0.0, 0.0), (1 / 150, 0.4)])
def test_corners_on_their_own_cylinder_are_off_by_nothing(shape, curved):
    """An arc of the sheet, its height as a circle's; the focal length is off in shares of its own spread."""
    curvature, way = curved
    sheet = np.vstack(list(card_sheet("mirror-1").markers.values()))
    across = np.array([np.cos(way), np.sin(way)])
    arc = sheet @ across
    solid = np.column_stack([sheet, np.zeros(len(sheet))])
    if curvature:
        along = np.sin(arc * curvature) / curvature
        solid[:, :2] += (along - arc)[:, None] * across
        solid[:, 2] = -(1 - np.cos(arc * curvature)) / curvature
    full, eye = camera((0.25, -0.15, 0.05), (2.0, -1.0, 260.0), shape, 1.2)
    px = np.column_stack([solid, np.ones(len(solid))]) @ full.T
    seen = px[:, :2] / px[:, 2:]
    left, homography, there = bend._corners_off(sheet, seen, shape, np.array([curvature, way, np.log(1.2)]))
    assert np.abs(left[:-1]).max() < 1e-3
    assert left[-1] == pytest.approx(np.log(1.2) / 0.25)
    assert there == pytest.approx(eye, abs=0.01)
    flat = full[:, [0, 1, 3]]
    assert homography == pytest.approx(flat / flat[2, 2], rel=1e-3, abs=1e-6)


def test_cylinders_of_every_way_are_tried_and_the_two_best_followed(monkeypatch):
    """Four curvatures, six directions half a turn around; the best of those followed is returned."""
    tried, followed = [], []

    def off(sheet, seen, shape, params):
        tried.append(tuple(params))
        return np.array([abs(params[0] - 1 / 240) * 1e3, params[1] - 1.0]), "homography", (1.0, 2.0, 300.0)

    def descend(sheet, seen, shape, params):
        followed.append(tuple(params))
        return (5.0, 1.0)[len(followed) - 1], np.add(params, (0.001, 0.1, 0.0))

    monkeypatch.setattr(bend, "_corners_off", off)
    monkeypatch.setattr(bend, "_descend", descend)
    homography, found = bend.bend_of_corners(None, None, (9, 9))
    ways = np.arange(6) * np.pi / 6
    wanted = {(c, w, 0.0) for c in (-1 / 110, -1 / 250, 1 / 250, 1 / 110) for w in ways}
    assert set(tried[:24]) == wanted
    assert followed == [(1 / 250, ways[2], 0.0), (1 / 250, ways[1], 0.0)]
    assert (homography, found.eye) == ("homography", (1.0, 2.0, 300.0))
    assert (found.curvature, found.direction) == pytest.approx((1 / 250 + 0.001, ways[1] + 0.1))

"""Cards that are not flat: a cylinder is fitted and reported; any other bend gives a warning."""

from dataclasses import replace

import cv2
import handheld
import numpy as np
import pytest
import scenes

import vision
from vision.bend import Bend, bend_of_corners
from vision.card import card_sheet
from vision.find import to_grey, track
from vision.homography import project
from vision.measure import card_sigma

VIEW = scenes.View(size=(640, 480), focal_px=640.0, distance_mm=165.0, tilt_deg=14.0, tilt_axis_deg=40.0)
SHOT = handheld.Shot(view=VIEW, jpeg=None, noise=1.0)
BURN = handheld.Burn((7.0, -5.0), diameter=4.0, ragged=0.005, relief_mm=0.0)


def taken(radius_mm, bend_deg=25.0, **changes):
    sheet = handheld.Sheet(burns=(BURN,), bend_radius_mm=radius_mm, bend_deg=bend_deg, seed=3)
    return handheld.take(sheet, replace(SHOT, **changes), np.random.default_rng(5))


def off_centre(view):
    """Place on the card (mm) that is read where the window's middle truly is."""
    truth = project(scenes.camera(VIEW), np.zeros((1, 2)))
    return project(np.linalg.inv(view.homography), truth)[0]


def test_outside_a_bent_sheet_is_seen_where_opencv_projects_its_cylinder():
    """Against OpenCV's `projectPoints` of the points in space; the fit to corners finds it all again."""
    corners = np.vstack(list(card_sheet("mirror-1").markers.values()))
    radius, way = 120.0, 0.6
    across = np.array([np.cos(way), np.sin(way)])
    arc = corners @ across
    on_plane = corners + (radius * np.sin(arc / radius) - arc)[:, None] * across
    solid = np.column_stack([on_plane, -radius * (1 - np.cos(arc / radius))])
    inner = np.array([(900.0, 0, 639.5), (0, 900.0, 479.5), (0, 0, 1.0)])
    turn = cv2.Rodrigues(cv2.Rodrigues(np.array([0.2, -0.3, 0.1]))[0] @ np.diag([1.0, -1.0, -1.0]))[0]
    place = np.array([3.0, -2.0, 240.0])
    seen = cv2.projectPoints(solid, turn, place, inner, np.zeros(5))[0].reshape(-1, 2)
    rotation = cv2.Rodrigues(turn)[0]
    plane = inner @ np.column_stack([rotation[:, :2], place])
    eye = -rotation.T @ place
    bend = Bend(1 / radius, way, tuple(eye))
    assert np.abs(project(plane, bend.apparent(corners)) - seen).max() < 1e-6
    homography, found = bend_of_corners(corners, seen, (960, 1280))
    assert found.radius_mm == pytest.approx(radius, rel=0.05)
    assert found.curvature > 0
    assert np.abs(project(homography, found.apparent(corners)) - seen).max() < 0.3


def test_streaks_in_the_print_are_no_bend():
    """Clogged nozzles shift whole edges; a cylinder has three more unknowns and may fit these better."""
    sheet = handheld.Sheet(burns=(BURN,), streaks=0.9, seed=12)
    answer = vision.read(handheld.take(sheet, SHOT, np.random.default_rng(5)))
    assert isinstance(answer, vision.Reading)
    assert answer.card.bend is None


@pytest.mark.parametrize(("radius_mm", "way"), [(100.0, 25.0), (2000.0, 60.0)])
def test_a_bent_card_is_read_as_if_it_were_flat(radius_mm, way):
    answer = vision.read(taken(radius_mm, way))
    assert isinstance(answer, vision.Reading)
    (mark,) = answer.marks
    assert mark.offset_mm == pytest.approx(BURN.centre, abs=0.05)
    assert answer.card.bend is not None
    assert answer.card.bend.radius_mm == pytest.approx(radius_mm, rel=0.08)
    assert np.abs(off_centre(answer.card)).max() < max(0.012, 3 * card_sigma(answer.card, np.zeros(2)).max())
    assert answer.warnings == ()


def test_a_flat_card_stays_flat():
    found = vision.find_card(taken(0.0))
    assert not isinstance(found, vision.NoReading)
    assert found[1].bend is None


def test_a_bent_card_is_followed_in_the_next_frame():
    station, view = vision.find_card(taken(300.0))
    moved = replace(VIEW, shift_mm=(0.4, -0.3))
    followed = track(to_grey(taken(300.0, view=moved)), station, view)
    assert followed is not None
    assert followed.bend.radius_mm == pytest.approx(300.0, rel=0.02)
    truth = project(scenes.camera(moved), np.zeros((1, 2)))
    assert np.abs(project(np.linalg.inv(followed.homography), truth)).max() < 0.015


def test_a_card_that_is_no_cylinder_or_bent_too_much_is_warned_about():
    flat = taken(0.0)
    y, x = np.indices(flat.shape[:2], dtype=np.float32)
    wavy = cv2.remap(flat, x, y + 3 * np.sin(x / 30).astype(np.float32), cv2.INTER_LINEAR)
    answer = vision.read(wavy)
    assert any("bent" in warning for warning in answer.warnings)
    answer = vision.read(taken(82.0))
    assert any("radius of 8" in warning for warning in answer.warnings)

"""What is printed on the standard card, which hangs in workshops: nothing of it may move unnoticed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision import raster
from vision.card import (
    CUT,
    SIDE,
    STATIONS,
    TAPE,
    Boxes,
    Polygon,
    Ring,
    Words,
    _line,
    card_sheet,
    dictionary,
    marker_boxes,
    standard_shapes,
)

SHAPES = standard_shapes("mirror-1")
BOXES = [one.sides_mm for one in SHAPES if isinstance(one, Boxes)]
WORDS = [one for one in SHAPES if isinstance(one, Words)]


def spans(boxes):
    return boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]


def test_the_window_has_a_line_around_it_and_four_arms_towards_it():
    (ring,) = [one for one in SHAPES if isinstance(one, Ring)]
    assert ring.radius_mm - ring.line_mm == pytest.approx(23.0)  # all of the line outside the window
    arms = np.vstack(BOXES[4:8])
    wanted = [
        (23.6, -0.25, 28.4, 0.25),
        (-28.4, -0.25, -23.6, 0.25),
        (-0.25, 23.6, 0.25, 28.4),
        (-0.25, -28.4, 0.25, -23.6),
    ]
    assert arms == pytest.approx(np.array(wanted))


def test_the_line_to_cut_along_is_closed_and_nowhere_twice():
    rim = BOXES[8]
    assert (rim[:, :2].min(0), rim[:, 2:].max(0)) == (pytest.approx((-45, -55)), pytest.approx((45, 55)))
    wide, high = spans(rim)
    assert (wide * high).sum() == pytest.approx(90 * 110 - 89.6 * 109.6)
    assert np.minimum(wide, high) == pytest.approx(0.2)
    (ink,) = {one.ink for one in SHAPES if isinstance(one, Boxes) and one.sides_mm is rim}
    assert 0.3 < ink < 0.6  # grey: it is cut away


def test_a_tick_stands_at_every_millimetre_and_is_longer_at_five_and_longest_at_ten():
    ticks = np.vstack(BOXES[9:-3])
    wide, high = spans(ticks)
    assert np.minimum(wide, high) == pytest.approx(0.15)
    found = set()
    for (left, bottom, right, top), upright in zip(ticks, high > wide, strict=True):
        at, near, far = ((left + right) / 2, bottom, top) if upright else ((bottom + top) / 2, left, right)
        side = np.sign(near + far)
        near, far = min(abs(near), abs(far)), max(abs(near), abs(far))
        assert near == pytest.approx(24.2)
        mm = round(at)
        assert at == pytest.approx(mm)
        assert far - near == pytest.approx(2.2 if mm % 10 == 0 else 1.6 if mm % 5 == 0 else 1.0)
        found.add((bool(upright), int(side), mm))
    assert found == {(u, s, mm) for u in (True, False) for s in (1, -1) for mm in range(-20, 21) if mm}
    assert len(ticks) == len(found) == 160


def test_two_bars_of_fifty_millimetres_one_each_way():
    below, left, shaft = BOXES[-3:]
    assert below == pytest.approx(np.array([(-25.0, -30.4, 25.0, -29.6)]))
    assert left == pytest.approx(np.array([(-35.4, -25.0, -34.6, 25.0)]))
    assert shaft == pytest.approx(np.array([(-0.6, 31.4, 0.6, 35.5)]))
    (head,) = [one.corners_mm for one in SHAPES if isinstance(one, Polygon)]
    assert head == pytest.approx(np.array([(0, 39.6), (-2.4, 35.4), (2.4, 35.4)]))  # and the arrow's shaft


@pytest.mark.parametrize("station", STATIONS)
def test_the_words_and_how_large_they_are(station):
    name = station.replace("-", " ").capitalize()
    up = "to the back" if station == "nozzle" else "up"
    words = [one for one in standard_shapes(station) if isinstance(one, Words)]
    plain = {
        (one.text, *one.at_mm, one.size_mm, one.bold, one.turned) for one in words if not one.text.isdigit()
    }
    assert plain == {
        (name, 0.0, 48.0, 7.0, True, False),
        (f"card {station}", 0.0, 42.8, 2.6, False, False),
        (up, 11.8, 35.4, 2.6, False, False),
        ("print at 100 %", 0.0, -36.0, 4.2, True, False),
        ("both bars must measure 50 mm", 0.0, -39.8, 2.4, False, False),
        ("50 mm", 0.0, -31.9, 2.2, False, False),
        ("50 mm", -37.2, 0.0, 2.2, False, True),
        (SIDE, 33.6, 0.0, 2.8, True, True),
        (TAPE, 37.6, 0.0, 2.0, False, True),
        (CUT, 42.6, 0.0, 1.9, False, True),
        (CUT, -42.6, 0.0, 1.9, False, True),
        (CUT, -19.3, 20.6, 1.7, False, False),
        (CUT, 19.3, -20.6, 1.7, False, False),
        *((text, 0.0, at, 1.9, False, False) for text, at in zip(_caution(words), CAUTION_AT, strict=True)),
    }
    assert {one.ink for one in words} == {1.0}


CAUTION_AT = tuple(-43.4 - 2.7 * i for i in range(4))


def _caution(words):
    """The lines of the warning, from the upper one down."""
    lines = [one for one in words if one.at_mm[1] < -43]
    return [one.text for one in sorted(lines, key=lambda one: -one.at_mm[1])]


def test_numbers_stand_at_every_ten_on_all_four_sides():
    numbers = {(one.text, *one.at_mm, one.size_mm) for one in WORDS if one.text.isdigit()}
    assert numbers == {
        (f"{abs(ten)}", *at, 2.2)
        for ten in (-20, -10, 10, 20)
        for side in (1, -1)
        for at in ((ten, side * 27.6), (side * 28.2, ten))
    }


def test_nothing_runs_over_anything_else():
    """Words, markers and both bars stay clear of each other and of the sheet's edge."""
    boxes = [np.vstack(raster.text_outlines(one)) for one in WORDS]
    parts = [np.r_[one.min(0), one.max(0)] for one in boxes]
    parts += [np.r_[one.min(0), one.max(0)] for one in card_sheet("mirror-1").markers.values()]
    parts += [BOXES[-3][0], BOXES[-2][0]]
    for i, one in enumerate(parts):
        assert np.abs(one[[0, 2]]).max() < 45 and np.abs(one[[1, 3]]).max() < 55
        for other in parts[:i]:
            assert np.maximum(one[:2] - other[2:], other[:2] - one[2:]).max() > 0, (one, other)


def test_a_line_is_widened_across_and_not_along():
    assert _line((1.0, 2.0), (1.0, 5.0), 0.4).sides_mm == pytest.approx(np.array([(0.8, 2.0, 1.2, 5.0)]))
    assert _line((4.0, 2.0), (1.0, 2.0), 0.4).sides_mm == pytest.approx(np.array([(1.0, 1.8, 4.0, 2.2)]))


@pytest.mark.parametrize("marker_id", [0, 13, 77])
def test_a_marker_s_ink_is_the_dictionary_s_code(marker_id):
    """Drawn by OpenCV at one pixel a module: black where a box lies, and no module twice."""
    corners = np.array([(10.0, 30.0), (22.0, 30.0), (22.0, 18.0), (10.0, 18.0)])  # modules of 2 mm
    boxes = marker_boxes(marker_id, corners).sides_mm
    code = cv2.aruco.generateImageMarker(dictionary(), marker_id, 6)
    inked = np.zeros((6, 6), int)
    for row, col in np.ndindex(6, 6):
        u, v = 11.0 + 2 * col, 29.0 - 2 * row
        left, bottom, right, top = boxes.T
        inked[row, col] = ((left < u) & (u < right) & (bottom < v) & (v < top)).sum()
    assert np.array_equal(inked, (code == 0).astype(int))
    wide, high = spans(boxes)
    assert (wide * high).sum() == pytest.approx(4.0 * (code == 0).sum())

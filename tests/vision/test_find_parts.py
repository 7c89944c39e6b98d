"""Which card is chosen among markers, and what light changed, by closed cases."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from vision import find, light
from vision.bare_tape import INSIDE_MM
from vision.card import SIZES, STATIONS, CardName, card_sheet
from vision.markers import Marker
from vision.parallax import sight_slope, stand_off
from vision.reading import NoReading
from vision.window import window_grid

CARD = CardName("mirror-1")
FLIP = np.array([1.0, -1.0])
SHAPE = (900, 1200)


def seen(station="mirror-1", size="standard", places=(0, 1, 2, 3), scale=4.0, at=(500.0, 450.0)):
    """A card's markers seen straight on."""
    sheet = list(card_sheet(station, size).markers.items())
    return [Marker(i, corners * FLIP * scale + at) for i, corners in (sheet[place] for place in places)]


def off(marker, px):
    """One corner of a marker moved sideways."""
    corners = marker.corners_px.copy()
    corners[0, 0] -= px
    return Marker(marker.id, corners)


# the card among markers


def chosen(markers):
    answer = find._choose(markers, SHAPE)
    if isinstance(answer, NoReading):
        return answer.reason
    card, used, others = answer
    return card, sorted(m.id for m in used), others


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("size", SIZES)
def test_a_card_is_chosen_by_two_of_its_markers(station, size):
    ids = list(card_sheet(station, size).markers)
    assert chosen(seen(station, size)) == (CardName(station, size), ids, ())
    assert chosen(seen(station, size, (0, 3))) == (CardName(station, size), [ids[0], ids[3]], ())
    assert "only one marker" in chosen(seen(station, size, (2,)))


def test_what_is_no_card_says_why():
    assert "no card found" in chosen([])
    strange = [Marker(i, seen()[0].corners_px) for i in (16, 45, 90, 20, 21)]
    assert "(id 16, 45, 90, 20)" in chosen(strange)
    assert "cards of two stations in one picture (mirror-1 and nozzle)" in chosen(
        seen() + seen("nozzle", at=(800.0, 450.0))
    )
    assert "cards of two sizes in one picture (mirror-1, small and mirror-1)" in chosen(
        seen() + seen(size="small", at=(800.0, 450.0))
    )
    assert "two cards of mirror-1" in chosen(seen() + seen(places=(0, 1), at=(520.0, 450.0), scale=3.9))
    lone = find._choose(seen(places=(1,)), SHAPE)
    assert lone.station == "mirror-1"
    two = find._choose(seen(places=(1,)) + seen("nozzle", places=(1,)), SHAPE)
    assert two.station is None and "only one marker" in two.reason


@pytest.mark.parametrize(("scale", "strangers"), [(2.1, ("nozzle",)), (1.9, ())])
def test_a_stranger_is_told_if_it_is_half_as_large(scale, strangers):
    assert chosen(seen() + seen("nozzle", places=(0,), scale=scale))[2] == strangers


def test_a_marker_detected_twice_is_taken_once_and_the_larger_one():
    twice = [*seen(), *seen(places=(2,), scale=1.0)]
    assert chosen(twice)[1] == [0, 1, 2, 3]
    (kept,) = [m for m in find._one_per_id(twice) if m.id == 2]
    assert kept.side_px == pytest.approx(72.0)
    assert len(find._one_per_id(twice)) == 4


def test_a_marker_that_does_not_fit_the_others_is_left_out():
    for wrong in range(4):
        markers = seen()
        markers[wrong] = Marker(wrong, np.add(markers[wrong].corners_px, (40.0, -30.0)))
        assert chosen(markers)[1] == [i for i in range(4) if i != wrong]
        assert [m.id for m in find._drop_worst(CARD, markers)] == [i for i in range(4) if i != wrong]


def test_misfits_are_shares_of_a_marker_s_side():
    """Four markers straight on, one corner moved: the fit takes up little of it."""
    markers = seen()
    assert find._misfits(CARD, markers) == pytest.approx(0.0, abs=1e-9)
    markers[1] = off(markers[1], 20.0)
    misfits = find._misfits(CARD, markers)
    assert int(np.argmax(misfits)) == 1
    assert 0.5 * 20 / 72 < misfits[1] < 20 / 72
    double = [Marker(m.id, 2 * m.corners_px) for m in markers]
    assert find._misfits(CARD, double) == pytest.approx(misfits)


@pytest.mark.parametrize(("worst", "kept"), [(0.119, 2), (0.121, 0)])
def test_two_markers_must_agree(monkeypatch, worst, kept):
    monkeypatch.setattr(find, "_misfits", lambda card, markers: np.array([0.0, worst]))
    assert len(find._agreeing(CARD, seen(places=(0, 1)), SHAPE)) == kept


@pytest.mark.parametrize(
    ("count", "worst", "bent", "kept"),
    [(4, 0.11, False, 4), (4, 0.13, False, 0), (4, 0.59, True, 4), (4, 0.61, True, 0), (3, 0.3, True, 0)],
)
def test_all_four_markers_may_lie_on_a_cylinder(monkeypatch, count, worst, bent, kept):
    monkeypatch.setattr(find, "_misfits", lambda card, markers: np.full(len(markers), worst))
    monkeypatch.setattr(find, "_on_cylinder", lambda *_: bent)
    assert len(find._agreeing(CARD, seen(places=range(count)), SHAPE)) == kept


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("px", "fits"), [(8.3, True), (8.5, False)])
def test_markers_lie_on_a_cylinder_if_no_corner_is_far(monkeypatch, size, px, fits):
    scale = 4.0
    plane = np.array([(scale, 0, 500.0), (0, -scale, 450.0), (0, 0, 1.0)])
    markers = seen(scale=4.0 / SIZES[size], size=size)
    markers[2] = Marker(markers[2].id, markers[2].corners_px + np.array([(px, 0), (0, 0), (0, 0), (0, 0)]))
    side = [m.side_px for m in markers][2]
    flat = SimpleNamespace(apparent=lambda points: points)
    monkeypatch.setattr(find, "bend_of_corners", lambda *_: (plane, flat))
    assert find._on_cylinder(CardName("mirror-1", size), markers, SHAPE) == (px / side < 0.12) == fits


@pytest.mark.parametrize("size", SIZES)
def test_a_card_s_unit_makes_it_as_large_as_the_standard_one(size):
    bar = {"small": 20.0, "standard": 50.0, "large": 70.0}[size]
    standard = np.vstack(list(card_sheet("mirror-2").markers.values()))
    corners, unit = find._in_units(CardName("mirror-2", size), None)
    assert list(corners) == list(card_sheet("mirror-2", size).markers)
    assert np.vstack(list(corners.values())) == pytest.approx(standard)
    assert unit == pytest.approx(SIZES[size])
    corners, unit = find._in_units(CardName("mirror-2", size), (1.08 * bar, 0.96 * bar))
    true = np.vstack(list(corners.values())) * unit
    assert true == pytest.approx(standard * SIZES[size] * (1.08, 0.96))
    assert unit == pytest.approx(SIZES[size] * np.sqrt(1.08 * 0.96))


@pytest.mark.parametrize(
    ("shown", "edges", "rms", "kept"),
    [(2, 6, 0.99, True), (1, 6, 0.5, False), (2, 5, 0.5, False), (4, 9, 1.0, False), (4, 9, np.nan, False)],
)
def test_a_card_is_followed_by_two_markers_and_six_edges(monkeypatch, shown, edges, rms, kept):
    fit = SimpleNamespace(
        homography=np.diag([4.0, -4.0, 1.0]),
        edges_used=edges,
        rms_px=rms,
        covariance=None,
        bend=None,
        left_out=0.1,
    )
    used = []
    monkeypatch.setattr(find, "shows_code", lambda grey, i, *_: i < shown)
    monkeypatch.setattr(find, "fit_edges", lambda grey, corners, *_, bend: used.append(corners) or fit)
    last = find.view_of(fit, 4)
    view = find.track(np.zeros((9, 9), np.uint8), "mirror-1", last)
    assert (view is not None) == kept
    if view:
        assert (view.markers_seen, len(used[0]), view.px_per_mm) == (shown, shown, pytest.approx(4.0))
        assert view.left_out == 0.1


@pytest.mark.parametrize(
    ("places", "others", "rounds"), [((0, 1), (2,), 1), ((0, 1, 2), (3,), 0), ((0, 1, 2, 3), (), 0)]
)
def test_markers_that_the_search_missed_are_looked_for(monkeypatch, places, others, rounds):
    fit = SimpleNamespace(
        homography=np.diag([4.0, -4.0, 1.0]),
        edges_used=9,
        rms_px=0.1,
        covariance=None,
        bend=None,
        left_out=0.0,
    )
    first, used, asked = [], [], []

    def fit_edges(grey, corners, rough, rounds):
        first.append((len(corners), rounds))
        return SimpleNamespace(homography="better")

    def shows(grey, i, corners, rough):
        asked.append(isinstance(rough, str))
        return i in others

    monkeypatch.setattr(find, "fit_edges", fit_edges)
    monkeypatch.setattr(find, "shows_code", shows)
    monkeypatch.setattr(find, "_flat_or_bent", lambda grey, edges, *_: used.append(edges) or fit)
    view = find.locate(np.zeros((9, 9), np.uint8), CARD, seen(places=places))
    assert first == [(len(places), 1)] * rounds
    assert asked == [rounds > 0] * (4 - len(places))
    assert view.markers_seen == len(used[0]) == len(places) + len(others)


def test_a_view_is_told_in_millimetres():
    fit = SimpleNamespace(
        homography=np.diag([6.0, -6.0, 1.0]), edges_used=9, rms_px=0.1, covariance=7, bend=8, left_out=0.3
    )
    view = find.view_of(fit, 3, "large", 1.5)
    assert view.homography == pytest.approx(np.diag([4.0, -4.0, 1.0]))
    assert (view.px_per_mm, view.tilt_deg) == pytest.approx((4.0, 0.0), abs=1e-5)
    assert (view.markers_seen, view.rms_px, view.size, view.unit_mm) == (3, 0.1, "large", 1.5)
    assert (view.covariance, view.bend, view.left_out) == (7, 8, 0.3)
    assert replace(view, markers_seen=4).markers_seen == 4


# lines of sight


@pytest.mark.parametrize("at", [(0.0, 0.0), (10.0, -20.0)])
def test_a_line_of_sight_runs_from_the_point_to_the_eye(monkeypatch, at):
    monkeypatch.setattr("vision.parallax.likeliest_focal", lambda *_: 1.0)
    monkeypatch.setattr("vision.parallax.eye_of", lambda *_: np.array([30.0, -60.0, 200.0]))
    view = SimpleNamespace(units_to_px=None)
    assert sight_slope(view, SHAPE, np.array(at)) == pytest.approx(((30 - at[0]) / 200, (-60 - at[1]) / 200))


@pytest.mark.parametrize("sure", [True, False])
def test_tape_that_stands_off_is_where_both_lines_meet(sure):
    """Of height h, d = h (t1 - t2); a doubt as large as the usual height of 0.15 mm halves it."""
    now, then, height = np.array([0.3, -0.1]), np.array([-0.1, 0.2]), 0.2
    between = now - then
    doubt = np.eye(2) * (1e-12 if sure else 0.15**2 * (between @ between))
    shift, more = stand_off(height * between, doubt, now, then)
    part = 1.0 if sure else 0.5
    assert shift == pytest.approx(part * height * now)
    assert more == pytest.approx(part * (0.0 if sure else 0.15**2) * np.outer(now, now), abs=1e-9)
    across = np.array([-between[1], between[0]])
    assert stand_off(across, doubt, now, then)[0] == pytest.approx((0.0, 0.0))


def test_what_seems_to_stand_off_too_much_is_light_that_moved():
    """Beyond two standard deviations the doubt grows as the height does: known is (0.3 / h)²."""
    now, then = np.array([0.3, 0.0]), np.array([-0.1, 0.0])
    for height in (0.29, 0.6, -0.9):
        shift, _ = stand_off(height * (now - then), 1e-12 * np.eye(2), now, then)
        assert shift[0] == pytest.approx(height * 0.3 * min(1.0, (0.3 / height) ** 2), rel=1e-6)


@pytest.mark.parametrize(("apart", "none"), [(0.039, True), (0.041, False)])
def test_two_views_from_one_place_tell_no_height(apart, none):
    now = np.array([0.2 + apart, 0.0])
    shift, more = stand_off(np.array([0.004, 0.0]), 1e-9 * np.eye(2), now, np.array([0.2, 0.0]))
    assert (not shift.any() and not more.any()) == none


# light


WINDOW = window_grid(0.4)
U, V = np.meshgrid(*WINDOW.axes_mm())
INSIDE = WINDOW.radius_mm() < INSIDE_MM - 2
TAPE = np.full((*U.shape, 3), 160.0, np.float32)


def test_a_slow_change_of_the_light_is_told_as_a_share():
    change = 1 + 0.1 * np.tanh(U / 15)[..., None] * np.array([1.0, 0.5, 0.0])
    field = light.light_change((TAPE * change).astype(np.float32), TAPE, WINDOW)
    assert field[INSIDE] == pytest.approx((change - 1)[INSIDE], abs=0.02)
    same = light.light_change(TAPE, TAPE, WINDOW)
    assert np.abs(same).max() == 0.0


def test_a_mark_is_no_change_of_the_light():
    mark = (np.hypot(U - 3, V + 4) < 2)[..., None]
    field = light.light_change(np.where(mark, 40.0, 1.08 * TAPE).astype(np.float32), TAPE, WINDOW)
    assert field[INSIDE] == pytest.approx(0.08, abs=0.006)


@pytest.mark.parametrize("brighter", [0.0, 0.5])
def test_a_lamp_s_share_is_the_median_over_a_square(brighter):
    mark = (np.hypot(U - 3, V + 4) < 2.5)[..., None]
    share = light.lamps(np.where(mark, 40.0, (1 + brighter) * TAPE).astype(np.float32), TAPE, WINDOW)
    assert share[WINDOW.radius_mm() < 14] == pytest.approx(brighter, abs=1 / 64 + 1e-4)


@pytest.mark.parametrize(
    ("level", "out"), [(160.0 * 1.24, False), (160.0 * 1.26, True), (160.0 * 0.74, True)]
)
@pytest.mark.parametrize("channel", range(3))
def test_any_colour_may_stand_out_anywhere_inside(level, out, channel):
    seen_now = TAPE.copy()
    seen_now[40:60, 40:60, channel] = level
    inside = np.zeros(U.shape, bool)
    inside[50, 50] = True
    assert light.stands_out(seen_now, TAPE, inside, 0.25) == out
    assert not light.stands_out(seen_now, TAPE, np.roll(inside, 30, axis=0), 0.25)


def test_darker_is_what_all_colours_together_say():
    rest = np.array([[(1.0, 1.0, -3.0), (1.0, 1.0, -2.0), (-1.0, 4.0, 0.0)]])
    assert light.darker(rest) == pytest.approx(np.array([[(1.0, 1.0, -3.0), (0, 0, 0), (0, 0, 0)]]))


def test_a_field_is_the_same_at_the_same_place_on_another_grid():
    field = np.stack([U, V, U - V], axis=-1).astype(np.float32)
    part = light.Grid((5.0, -3.0), 0.1, 41)
    u, v = np.meshgrid(*part.axes_mm())
    assert light.on_grid(field, WINDOW, part) == pytest.approx(np.stack([u, v, u - v], axis=-1), abs=0.02)

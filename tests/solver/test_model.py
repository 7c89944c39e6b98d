"""The vector of unknowns: the place of each in it, and its effect compared with plain geometry."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import parse_profile
from server.solver.machine import model as m
from server.solver.machine.power import spot_diameter
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points
from tests.machines import profile

Array = NDArray[Any]
LASER = parse_profile(profile("1600"))
BOTH = [parse_profile(profile("600", corner)) for corner in ("back-left", "back-right")]
CORNERS = pytest.mark.parametrize("laser", BOTH, ids=lambda laser: laser.path.corner)


def test_the_parts_of_the_vector_stand_side_by_side() -> None:
    parts = [m.TUBE, *(m.contact_at(i) for i in (1, 2, 3)), *(m.shift_at(i) for i in (1, 2, 3))]
    parts += [m.RACK, m.BOW, m.LENS_OFF]
    assert [(part.start, part.stop - part.start) for part in parts] == [
        *((0, 4), (4, 3), (7, 3), (10, 3), (13, 3), (16, 3), (19, 3), (22, 2), (24, 4), (28, 2)),
    ]
    assert parts[-1].stop == m.OPTICS == m.RESPONSE.start
    responses = [m.response_at(mount, contact) for mount in (1, 2, 3) for contact in range(3)]
    assert [each.start for each in responses] == list(range(30, 48, 2))
    assert {each.stop - each.start for each in responses} == {2}
    assert (m.RESPONSE.stop, m.HANG.start, m.HANG.stop) == (48, 48, m.SIZE)
    assert (m.CONTACT.start, m.CONTACT.stop, m.SHIFT.start, m.SHIFT.stop) == (4, 13, 13, 22)


@pytest.mark.parametrize(
    ("part", "moves"),
    [
        ("tube", [(0, 1), (1, 2), (2, 1), (3, 2)]),
        ("tube-exit", [(0, 1), (1, 2)]),
        ("tube-far", [(2, 1), (3, 2)]),
        ("mirror-1", [(13, 0), (14, 1), (15, 2)]),
        ("mirror-3", [(19, 0), (20, 1), (21, 2)]),
    ],
)
def test_a_part_that_is_moved_moves_its_own_unknowns(part: str, moves: list[tuple[int, int]]) -> None:
    expected = np.zeros((m.SIZE, 3))
    expected[tuple(zip(*moves, strict=True))] = 1.0
    np.testing.assert_array_equal(m.shift_matrix(part), expected)
    hands = m.hand_matrices(part)
    assert len(hands) == (2 if part == "tube" else 1)
    np.testing.assert_array_equal(sum(hands), expected)
    assert all(hand.any() for hand in hands)


@pytest.mark.parametrize(
    ("index", "name"),
    [*enumerate(("mirror-1", "mirror-2", "mirror-3", "nozzle")), (5, "below")],
)
def test_a_station_has_a_name_and_a_number(index: int, name: str) -> None:
    assert (m.station_name(index), m.station_index(name)) == (name, index)


@pytest.mark.parametrize("station", range(6))
def test_a_beam_is_stopped_by_the_openings_before_its_card(station: int) -> None:
    a = LASER.aperture
    mirrors = [(0, a.mirror_1_mm / 2), (1, a.mirror_2_mm / 2), (2, a.mirror_3_mm / 2)]
    behind = [(m.LENS, a.lens_mm / 2), (3, a.nozzle_mm / 2)] if station in (3, 4) else []
    assert m.stops(LASER, station) == mirrors[:station] + behind


@CORNERS
@pytest.mark.parametrize("mount", [1, 2, 3])
@pytest.mark.parametrize("contact", range(3))
def test_cross_talk_is_the_same_tilt_a_quarter_turn_round(laser: Profile, mount: int, contact: int) -> None:
    own, cross = m.screw_vectors(laser, mount, contact)
    np.testing.assert_array_equal(own, np.eye(3)[contact])
    plane = np.column_stack([np.ones(3), contact_points(laser, mount)])
    _, along_r, along_t = np.linalg.solve(plane, own)
    np.testing.assert_allclose(np.linalg.solve(plane, cross), [0.0, -along_t, along_r], atol=1e-12)


@CORNERS
@pytest.mark.parametrize("head_x", [0.0, 100.0, 300.0, 450.0, 600.0])
def test_outside_a_head_leans_as_its_bowed_rail_slopes(laser: Profile, head_x: float) -> None:
    """The slope of the rail's parabola: up is along u, and back is along v, whose sign depends on the corner.
    The bow is a hundredth of a millimetre, so that squares of the slope do not matter."""
    bow = np.zeros((2, m.SIZE))
    bow[0, m.BOW.stop - 1] = bow[1, m.BOW.stop - 2] = 0.01
    head = np.array((head_x, 200.0))
    straight = m.rays(laser, np.zeros(m.SIZE), head).slope[3]
    up, back = (m.rays(laser, x, head).slope[3] - straight for x in bow)
    step = np.array([0.5, 0.0])
    heights = [m.state_of(laser, bow, head + way * step).carry_mm for way in (-1, 1)]
    rises = heights[1] - heights[0]  # over a millimetre
    side = -1.0 if laser.path.corner == "back-left" else 1.0
    np.testing.assert_allclose(up, [rises[0, 2], 0.0], atol=1e-8)
    np.testing.assert_allclose(back, [0.0, side * rises[1, 1]], atol=1e-8)
    lies = 0.01 * 4 * (head_x / 600.0) * (1 - head_x / 600.0)
    carried = m.state_of(laser, bow, head).carry_mm
    np.testing.assert_allclose(carried, [[0.0, 0.0, lies], [0.0, lies, 0.0]], atol=1e-12)


@CORNERS
@pytest.mark.parametrize("head_y", [0.0, 100.0, 200.0, 400.0])
def test_the_rail_of_the_gantry_carries_mirror_2_aside_and_up_and_the_head_up(
    laser: Profile, head_y: float
) -> None:
    bow = np.zeros((2, m.SIZE))
    bow[0, m.BOW.start] = bow[1, m.BOW.start + 1] = 1.0
    state = m.state_of(laser, bow, np.array((300.0, head_y)))
    lies = 4 * (head_y / 400.0) * (1 - head_y / 400.0)
    moved = np.zeros((2, 3, 3))
    moved[0, 1, 0] = moved[1, 1, 2] = lies
    np.testing.assert_allclose(state.shift_mm, moved, atol=1e-12)
    np.testing.assert_allclose(state.carry_mm, [[0.0] * 3, [0.0, 0.0, lies]], atol=1e-12)


@CORNERS
@pytest.mark.parametrize("axis", [0, 1])
def test_outside_a_gantry_that_racks_swings_the_beam_with_the_way_from_the_middle(
    laser: Profile, axis: int
) -> None:
    """1 mrad for each metre: nothing at the middle of 400 mm, 0.2 mrad at either end."""
    racked = np.zeros(m.SIZE)
    racked[m.RACK.start + axis] = 1.0
    for head_y, mrad in ((0.0, -0.2), (200.0, 0.0), (400.0, 0.2)):
        head = np.array((300.0, head_y))
        swung = m.rays(laser, racked, head).slope[2] - m.rays(laser, np.zeros(m.SIZE), head).slope[2]
        np.testing.assert_allclose(swung, np.eye(2)[axis] * mrad * 1e-3, atol=1e-7)


def test_a_mark_lies_on_a_card_as_that_hangs() -> None:
    place, x = np.array([[3.0, -1.0], [0.0, 2.0]]), np.zeros((2, m.SIZE))
    x[:, m.HANG] = (0.5, -0.25, 0.1)
    moved = np.array([[0.5 + 0.1, -0.25 + 0.3], [0.5 - 0.2, -0.25]])
    np.testing.assert_allclose(m.on_card(place, x) - place, moved)
    for k in range(3):
        nudged = x.copy()
        nudged[:, m.HANG.start + k] += 0.5
        slope = (m.on_card(place, nudged) - m.on_card(place, x)) / 0.5
        np.testing.assert_allclose(m.hang_jacobian(place)[..., k], slope, atol=1e-12)


@pytest.mark.parametrize("before_mm", [0.0, 4.0])
def test_outside_the_card_below_is_met_by_a_straight_line(before_mm: float) -> None:
    """With the lens out, the beam goes straight on: its place at the lens, plus its slope times the distance
    from the lens to the card."""
    laser = replace(LASER, card=replace(LASER.card, before_mount_mm=(0.0, 0.0, 0.0, before_mm)))
    x = np.random.default_rng(4).normal(0.0, 0.3, m.SIZE)
    found = m.rays(laser, x, np.array((400.0, 300.0)))
    on_axis = found.lens_mm + x[m.LENS_OFF]
    way = laser.path.lens_to_nozzle_tip_mm + 90.0
    expected = on_axis + way * found.slope[3]
    np.testing.assert_allclose(m.spot(laser, found, m.BELOW_AT, 90.0), expected, atol=1e-9)
    np.testing.assert_array_equal(m.spot(laser, found, m.LENS), found.lens_mm)
    np.testing.assert_array_equal(m.spot(laser, found, 2), found.offset_mm[2])


@pytest.mark.parametrize("name", ["1600", "600"])
def test_outside_a_beam_that_spreads_more_than_it_must_has_a_wider_focus(name: str) -> None:
    """A beam of full divergence θ has a focus f·θ wide if it is as wide at the lens as at its waist, and half
    as wide if it is twice as wide at the lens (Siegman, Lasers, 1986, ch. 17)."""
    laser = parse_profile(profile(name))
    wide, spread = laser.beam.diameter_mm, 1e-3 * laser.beam.divergence_mrad
    spots = spot_diameter(laser, [wide, 2 * wide])
    np.testing.assert_allclose(spots, laser.path.lens_focal_mm * spread / np.array([1.0, 2.0]), rtol=1e-9)


@CORNERS
def test_outside_a_beam_slopes_as_the_tube_lies_and_not_at_all_where_all_is_nominal(laser: Profile) -> None:
    """The slope of a tube that is a millimetre higher at its exit than at its far mount is 1 mm over the gap
    between the mounts. Mirrors at 45° about upright axes do not change it."""
    head = np.array((100.0, 300.0))
    np.testing.assert_allclose(m.rays(laser, np.zeros(m.SIZE), head).slope, 0.0, atol=1e-12)
    np.testing.assert_allclose(m.rays(laser, np.zeros(m.SIZE), head).offset_mm, 0.0, atol=1e-9)
    gap = laser.tube.far_mount_mm - laser.tube.exit_mount_mm
    raised = np.zeros(m.SIZE)
    raised[m.TUBE.start + 1] = 0.5
    raised[m.TUBE.start + 3] = -0.5
    slope = m.rays(laser, raised, head).slope
    np.testing.assert_allclose(slope[:3], [[0.0, 1 / gap]] * 3, rtol=1e-5, atol=1e-9)
    aside = np.zeros(m.SIZE)
    aside[m.TUBE.start] = 1.0
    towards = m.rays(laser, aside, head).slope[0]
    np.testing.assert_allclose(np.abs(towards), [1 / gap, 0.0], rtol=1e-5, atol=1e-9)

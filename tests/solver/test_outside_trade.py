"""What everybody who has aligned a laser of this kind has seen: common practice, no source for any of it.

The model must give each of these by itself, with numbers; nothing in it was fitted to them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import Profile, State, parse_profile, screw_step, trace
from server.solver.machine.power import beam_diameter, passed_fraction
from tests.machines import profile

Array = NDArray[np.float64]
CORNERS = ("back-left", "back-right")


def machine(corner: str) -> tuple[dict[str, Any], Profile]:
    """The large machine. Mirror 1 has its pivot below the top screw; the mount of mirror 2 is turned round,
    with its pivot beside the top screw and above the bottom one."""
    given = profile("1600", corner)
    del given["mount"][1]["contact"][2]["screw_pitch_mm"], given["mount"][1]["contact"][2]["clockwise"]
    return given, parse_profile(given)


def far_from(given: dict[str, Any], mirror: int) -> Array:
    far_x = given["bed"]["width_mm"] if given["path"]["corner"] == "back-left" else 0.0
    near_x = given["bed"]["width_mm"] - far_x
    return np.array([near_x, 0.0]) if mirror == 1 else np.array([far_x, given["bed"]["depth_mm"]])


def after(parsed: Profile, head: Array, **moved: Array) -> dict[str, Array]:
    state = {"tube_mm": np.zeros((2, 2)), "contact_mm": np.zeros((3, 3)), "shift_mm": np.zeros((3, 3))}
    return trace(parsed, State(**(state | moved)), head)


def turned(corner: str, mirror: int, screw: str, turns: float) -> Array:
    """Where the far mark of the leg behind the mirror goes, (u, v) mm."""
    given, parsed = machine(corner)
    names = [c["name"] for c in given["mount"][mirror - 1]["contact"]]
    contact_mm = np.zeros((3, 3))
    contact_mm[mirror - 1, names.index(screw)] = screw_step(parsed, mirror, screw, turns)
    return after(parsed, far_from(given, mirror), contact_mm=contact_mm)[f"mirror-{mirror + 1}"]


@pytest.mark.parametrize("corner", CORNERS)
def test_mirror_1_with_its_pivot_below_the_top_screw(corner: str) -> None:
    """Top: up and down. Side: left and right. An eighth of a turn moves the far mark several millimetres."""
    top, side = turned(corner, 1, "top", 1 / 8), turned(corner, 1, "side", 1 / 8)
    assert abs(top[1]) == pytest.approx(np.sqrt(2) * 0.7 / 8 / 36 * 1120, rel=0.01)
    assert abs(top[0]) < 0.05 * abs(top[1])
    assert abs(side[0]) == pytest.approx(2 * 0.7 / 8 / 36 * 1120, rel=0.02)
    assert abs(side[1]) < 0.01 * abs(side[0])
    assert 3 < abs(top[1]) < 7 and 3 < abs(side[0]) < 7
    assert abs(turned(corner, 1, "side", 1 / 4)[0]) < 12


@pytest.mark.parametrize("corner", CORNERS)
def test_a_mount_turned_round_swaps_what_its_screws_do(corner: str) -> None:
    """Pivot beside the top screw and above the bottom one: the top screw moves the mark left and right, the
    bottom one up and down."""
    top, bottom = turned(corner, 2, "top", 1 / 8), turned(corner, 2, "bottom", 1 / 8)
    assert abs(top[0]) > 20 * abs(top[1]) and abs(top[0]) > 3
    assert abs(bottom[1]) > 20 * abs(bottom[0]) and abs(bottom[1]) > 3


@pytest.mark.parametrize("corner", CORNERS)
def test_the_corner_screw_moves_the_mark_diagonally(corner: str) -> None:
    given = profile("1600", corner)
    parsed = parse_profile(given)
    contact_mm = np.zeros((3, 3))
    contact_mm[1, 2] = 0.0875
    moved = after(parsed, far_from(given, 2), contact_mm=contact_mm)["mirror-3"]
    assert 30 < np.degrees(np.arctan2(abs(moved[1]), abs(moved[0]))) < 60


@pytest.mark.parametrize("corner", CORNERS)
def test_a_small_error_near_the_tube_is_large_at_the_far_corner(corner: str) -> None:
    """2 mrad at mirror 1: the near corner still cuts with nearly all the power, while the far one has lost a
    good part of it."""
    given, parsed = machine(corner)
    at = np.array([c["at_mm"] for c in given["mount"][0]["contact"]])
    contact_mm = np.zeros((3, 3))
    contact_mm[0] = at @ [2e-3, 0.0]
    far_x = far_from(given, 2)[0]
    near = after(parsed, far_from(given, 1) * [1, 0] + [0, 1000.0], contact_mm=contact_mm)["mirror-3"]
    far = after(parsed, np.array([far_x, 0.0]), contact_mm=contact_mm)["mirror-3"]
    assert np.hypot(*near) < 1.5 and np.hypot(*far) > 10
    passed = [
        passed_fraction(np.hypot(*off), 18.0, float(beam_diameter(parsed, path)))
        for off, path in ((near, 210.0), (far, 2810.0))
    ]
    assert passed[0] > 0.99 and passed[1] < 0.5


@pytest.mark.parametrize("corner", CORNERS)
def test_a_half_moon_at_the_nozzle_is_the_beam_on_the_cone(corner: str) -> None:
    """At the tip the converging beam is about 1 mm wide. 2 mm off centre the rim of a 4 mm hole halves it;
    1 mm off, all of it still passes. Mirror 3 must be some 15 mrad off for that: a quarter turn."""
    given, parsed = machine(corner)
    at_tip_mm = 7.0 * (1 - 55 / 63.5)
    at = np.array([c["at_mm"] for c in given["mount"][2]["contact"]])
    passed = []
    for slope in (7.5e-3, 15.75e-3):
        contact_mm = np.zeros((3, 3))
        contact_mm[2] = at @ [0.0, slope]
        off = after(parsed, np.array([800.0, 500.0]), contact_mm=contact_mm)["nozzle"]
        passed.append(float(passed_fraction(np.hypot(*off), 4.0, at_tip_mm)))
    assert passed[0] > 0.97
    assert 0.35 < passed[1] < 0.65


@pytest.mark.parametrize("corner", CORNERS)
def test_one_end_of_the_tube_moved_alone_tilts_the_beam(corner: str) -> None:
    """1 mm at the far mount over 1 m between mounts: 1 mrad, down if the far end goes up. Both: no tilt."""
    given, parsed = machine(corner)
    near, far = far_from(given, 1) * [1, 0] + [0, 1000.0], far_from(given, 1)
    tilted, lifted = np.array([[0, 0], [0, 1.0]]), np.array([[0, 1.0], [0, 1.0]])
    by_tilt = [after(parsed, head, tube_mm=tilted)["mirror-2"] for head in (near, far)]
    by_lift = [after(parsed, head, tube_mm=lifted)["mirror-2"] for head in (near, far)]
    assert (by_tilt[1] - by_tilt[0])[1] == pytest.approx(-1.0, rel=1e-3)
    np.testing.assert_allclose(by_lift[0], by_lift[1], atol=1e-9)
    np.testing.assert_allclose(by_lift[0], [0, 1.0], atol=1e-9)


@pytest.mark.parametrize("corner", CORNERS)
def test_all_three_screws_evenly_move_the_beam_and_do_not_turn_it(corner: str) -> None:
    given, parsed = machine(corner)
    contact_mm = np.zeros((3, 3))
    contact_mm[0] = 1.0
    near, far = far_from(given, 1) * [1, 0] + [0, 1000.0], far_from(given, 1)
    marks = [after(parsed, head, contact_mm=contact_mm)["mirror-2"] for head in (near, far)]
    np.testing.assert_allclose(marks[0], marks[1], atol=1e-9)
    assert abs(marks[0][0]) == pytest.approx(np.sqrt(2), rel=1e-6)

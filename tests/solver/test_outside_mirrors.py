"""What a mirror at 45° does to the beam, by handbook.

- Turned by δ about the normal of the plane of incidence: the beam turns by 2δ. Hecht, *Optics*, chapter 5
  (plane mirrors; the rotating-mirror rule), value from memory.
- Turned by δ about the axis that lies in the mirror and in the plane of incidence: the beam leaves that
  plane by 2δ·cos(45°) = √2·δ. Yoder, *Opto-Mechanical Systems Design*, on tilted fold mirrors, value from
  memory.
- Moved by p along its normal: the beam is displaced by 2p·sin(45°) = √2·p. Same source, value from memory.

All three hold to first order; what is left is checked to shrink with the square.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import State, parse_profile, trace
from tests.machines import Misalignment, offsets, profile
from tests.machines.optics import Layout

Array = NDArray[np.float64]
CORNERS = ("back-left", "back-right")
LONG = {1: 1000.0, 2: 1500.0}  # how much longer the leg gets between the two head positions


def two_heads(given: dict[str, Any], mirror: int) -> tuple[Array, Array]:
    """Head positions near the mirror that is turned, and LONG mm farther from it."""
    left, width = given["path"]["corner"] == "back-left", given["bed"]["width_mm"]
    near_x = 0.0 if left else width
    if mirror == 1:
        return np.array([near_x, 1000.0]), np.array([near_x, 0.0])
    return np.array([near_x, 500.0]), np.array([1500.0 if left else width - 1500.0, 500.0])


def slopes(corner: str, contact_mm: Array, mirror: int, by: str) -> tuple[Array, Array]:
    """Two (u, v): the beam's angle at the next card, rad; its offset extrapolated back to the mirror, mm."""
    given = profile("1600", corner)
    state = Misalignment(np.zeros((2, 2)), contact_mm, np.zeros((3, 3)))
    marks = []
    for head in two_heads(given, mirror):
        if by == "solver":
            found = trace(parse_profile(given), State(state.tube_mm, contact_mm, state.shift_mm), head)
        else:
            found = offsets(Layout(given), state, head)
        marks.append(np.asarray(found[f"mirror-{mirror + 1}"]))
    angle = (marks[1] - marks[0]) / LONG[mirror]
    path = given["path"][f"mirror_{mirror}_to_{mirror + 1}_mm"]
    return angle, marks[0] - angle * path[0]


def contacts(mirror: int, *, slope_r: float = 0.0, slope_t: float = 0.0, even_mm: float = 0.0) -> Array:
    at = Layout(profile("1600")).at_mm[mirror - 1]
    moved = np.zeros((3, 3))
    moved[mirror - 1] = even_mm + at @ [slope_r, slope_t]
    return moved


@pytest.mark.parametrize("by", ["solver", "tests' own laser"])
@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("mirror", [1, 2])
@pytest.mark.parametrize("delta", [1e-4, -2e-3])
def test_turn_about_the_normal_of_the_plane_of_incidence(
    by: str, corner: str, mirror: int, delta: float
) -> None:
    angle, _ = slopes(corner, contacts(mirror, slope_r=delta), mirror, by)
    assert abs(angle[0]) == pytest.approx(2 * abs(delta), rel=6 * delta**2 + 1e-9)
    assert abs(angle[1]) < 1e-12


@pytest.mark.parametrize("by", ["solver", "tests' own laser"])
@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("mirror", [1, 2])
@pytest.mark.parametrize("delta", [1e-4, -2e-3])
def test_turn_about_the_axis_in_the_plane_of_incidence(
    by: str, corner: str, mirror: int, delta: float
) -> None:
    angle, _ = slopes(corner, contacts(mirror, slope_t=delta), mirror, by)
    assert angle[1] == pytest.approx(-np.sqrt(2) * delta, rel=6 * delta**2 + 1e-9)
    assert abs(angle[0]) < 3 * delta**2, "the sideways angle is of second order"


@pytest.mark.parametrize("by", ["solver", "tests' own laser"])
@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("mirror", [1, 2])
def test_even_travel_displaces_the_beam(by: str, corner: str, mirror: int) -> None:
    angle, at_mirror = slopes(corner, contacts(mirror, even_mm=0.8), mirror, by)
    np.testing.assert_allclose(angle, 0, atol=1e-12)
    assert abs(at_mirror[0]) == pytest.approx(np.sqrt(2) * 0.8, rel=1e-9)
    assert abs(at_mirror[1]) < 1e-9


@pytest.mark.parametrize("corner", CORNERS)
def test_which_way_the_beam_goes(corner: str) -> None:
    """A mirror whose points stand out by slope·(r, t) has the normal n - slope_r·r - slope_t·t; the law of
    reflection d - 2(d·n)n then gives the angle with its sign."""
    given = profile("1600", corner)
    layout = Layout(given)
    for mirror in (1, 2):
        d_in, d_out = layout.incoming[mirror - 1], layout.incoming[mirror]
        for slope in ((1e-4, 0.0), (0.0, 1e-4)):
            plane = np.array([layout.normal[mirror - 1], layout.r[mirror - 1], layout.t[mirror - 1]])
            normal = np.array([1.0, -slope[0], -slope[1]]) @ plane
            normal = normal / np.linalg.norm(normal)
            expected = d_in - 2 * (d_in @ normal) * normal - d_out
            angle, _ = slopes(corner, contacts(mirror, slope_r=slope[0], slope_t=slope[1]), mirror, "solver")
            seen = [expected @ layout.right[mirror], expected @ layout.up[mirror]]
            np.testing.assert_allclose(angle, seen, atol=1e-10)


@pytest.mark.parametrize("corner", CORNERS)
def test_nozzle_tells_angle_by_f_and_offset_by_one_minus_t_over_f(corner: str) -> None:
    """Ray-transfer matrices of a thin lens (Hecht, *Optics*, chapter 6): x' = (1 - t/f)·x + f·angle, with x
    taken one focal length before the lens."""
    given = profile("1600", corner)
    f, t, below = 63.5, 55.0, 60.0
    parsed, head = parse_profile(given), np.array([800.0, 500.0])
    moved = np.zeros((3, 3))
    moved[2, 1] = -0.5  # mirror 3 is off in Y, along its own plane: the beam does not move with it
    still = trace(parsed, State(np.zeros((2, 2)), np.zeros((3, 3)), moved), head)["nozzle"]
    np.testing.assert_allclose(still, 0, atol=1e-9)
    moved = np.zeros((3, 3))
    moved[2, 0] = 0.5  # in X it does: the reflected beam comes down 0.5 mm to the right
    off = trace(parsed, State(np.zeros((2, 2)), np.zeros((3, 3)), moved), head)["nozzle"]
    np.testing.assert_allclose(off, [0.5 * (1 - t / f), 0], atol=1e-9)
    delta = 1e-4
    tilted = contacts(3, slope_t=delta)
    seen = trace(parsed, State(np.zeros((2, 2)), tilted, np.zeros((3, 3))), head)["nozzle"]
    angle = 2 * delta
    assert abs(seen[0]) == pytest.approx(f * angle + (1 - t / f) * angle * (below - f), rel=1e-6)

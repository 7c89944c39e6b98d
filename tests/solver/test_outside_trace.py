"""The trace compared with two others: the tests' own laser (an independent reading of the frames), and the
general ray tracer optiland.

optiland is given planes in space and nothing of our code: their normals are written here by hand for both
corners.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import State, parse_profile, trace
from tests.machines import STATIONS, Misalignment, offsets, profile
from tests.machines.optics import Layout

Array = NDArray[np.float64]
CORNERS = ("back-left", "back-right")
AGREE_MM = 1e-6
HALF = np.sqrt(0.5)

# n, r, t of mirrors 1 to 3 and u at the four cards, from the frames' definitions, by hand.
BY_HAND: dict[str, dict[str, Any]] = {
    "back-left": {
        "n": ([HALF, -HALF, 0], [HALF, HALF, 0], [-HALF, 0, -HALF]),
        "r": ([-HALF, -HALF, 0], [HALF, -HALF, 0], [0, 1, 0]),
        "t": ([0, 0, 1], [0, 0, 1], [-HALF, 0, HALF]),
        "u": ([0, 1, 0], [-1, 0, 0], [0, -1, 0], [1, 0, 0]),
        "from_tube": -1,
    },
    "back-right": {
        "n": ([-HALF, -HALF, 0], [-HALF, HALF, 0], [HALF, 0, -HALF]),
        "r": ([-HALF, HALF, 0], [HALF, HALF, 0], [0, -1, 0]),
        "t": ([0, 0, 1], [0, 0, 1], [HALF, 0, HALF]),
        "u": ([0, -1, 0], [-1, 0, 0], [0, 1, 0], [1, 0, 0]),
        "from_tube": 1,
    },
}


def random_state(seed: int, size_mm: float) -> Misalignment:
    rng = np.random.default_rng(seed)
    return Misalignment(
        rng.normal(0, size_mm, (2, 2)),
        rng.normal(0, size_mm / 5, (3, 3)),
        rng.normal(0, size_mm, (3, 3)),
    )


def random_head(seed: int, given: dict[str, Any]) -> Array:
    return np.random.default_rng(seed).uniform(0, [given["bed"]["width_mm"], given["bed"]["depth_mm"]])


def by_the_solver(given: dict[str, Any], state: Misalignment, head_mm: Array) -> dict[str, Array]:
    return trace(parse_profile(given), State(state.tube_mm, state.contact_mm, state.shift_mm), head_mm)


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("bed", ["1600", "600"])
@pytest.mark.parametrize("size_mm", [0.1, 1.0, 5.0])
def test_solver_and_the_tests_laser_agree(bed: str, corner: str, size_mm: float) -> None:
    given = profile(bed, corner)
    for seed in range(40):
        state, head = random_state(seed, size_mm), random_head(seed, given)
        ours, theirs = by_the_solver(given, state, head), offsets(Layout(given), state, head)
        for station in STATIONS:
            np.testing.assert_allclose(ours[station], theirs[station], atol=AGREE_MM, rtol=0)


def hand_planes(
    given: dict[str, Any], corner: str, state: Misalignment, head: Array
) -> list[tuple[str, Array, Array]]:
    """(kind, point, normal) in the order of the beam: card, mirror, card, mirror, card, mirror, lens, tip."""
    frames, path = BY_HAND[corner], given["path"]
    x2 = -path["mirror_2_to_3_mm"][0]
    x2 = x2 if corner == "back-left" else given["bed"]["width_mm"] - x2
    y1 = given["bed"]["depth_mm"] + path["mirror_1_to_2_mm"][0]
    centres = np.array([[x2, y1, 0], [x2, head[1], 0], [head[0], head[1], 0]]) + state.shift_mm
    along = [
        np.array([frames["from_tube"], 0, 0]),
        np.array([0, -1, 0]),
        -np.array([frames["from_tube"], 0, 0]),
    ]
    planes = []
    for k, mount in enumerate(given["mount"]):
        at = np.array([c["at_mm"] for c in mount["contact"]])
        even, slope_r, slope_t = np.linalg.solve(np.column_stack([np.ones(3), at]), state.contact_mm[k])
        n, r, t = (np.array(frames[axis][k]) for axis in "nrt")
        planes.append(("card", centres[k], along[k]))
        planes.append(("mirror", centres[k] + even * n, n - slope_r * r - slope_t * t))
    lens = np.array([head[0], head[1], -path["mirror_3_to_lens_mm"]])
    down = np.array([0.0, 0, -1])
    return [*planes, ("lens", lens, down), ("card", lens + path["lens_to_nozzle_tip_mm"] * down, down)]


def by_optiland(given: dict[str, Any], corner: str, state: Misalignment, head: Array) -> dict[str, Array]:
    optic = pytest.importorskip("optiland.optic").Optic()
    planes = hand_planes(given, corner, state, head)
    optic.surfaces.add(index=0, x=0.0, y=0.0, z=0.0)
    for i, (kind, point, normal) in enumerate(planes, start=1):
        x, y, z = (float(a) for a in point)
        nx, ny, nz = normal / np.linalg.norm(normal)
        turned = {"rx": float(-np.arcsin(ny)), "ry": float(np.arctan2(nx, nz))}
        if kind == "lens":
            lens = {"surface_type": "paraxial", "f": given["path"]["lens_focal_mm"]}
            optic.surfaces.add(index=i, x=x, y=y, z=z, **turned, **lens)
        else:
            material = "mirror" if kind == "mirror" else "air"
            optic.surfaces.add(index=i, x=x, y=y, z=z, material=material, **turned)
    optic.surfaces.trace(tube_ray(given, corner, state), skip=1)
    where = np.column_stack([optic.surfaces.x, optic.surfaces.y, optic.surfaces.z])
    found = {}
    cards = [i for i, plane in enumerate(planes) if plane[0] == "card"]
    for k, (station, i) in enumerate(zip(STATIONS, cards, strict=True)):
        v = np.array([0, 1, 0]) if station == "nozzle" else np.array([0, 0, 1])
        off = where[i] - planes[i][1]
        found[station] = np.array([off @ np.array(BY_HAND[corner]["u"][k]), off @ v])
    return found


def tube_ray(given: dict[str, Any], corner: str, state: Misalignment) -> Any:
    real_rays = pytest.importorskip("optiland.rays").RealRays
    mirror_1 = hand_planes(given, corner, Misalignment.none(), np.zeros(2))[0][1]
    upstream = np.array([-BY_HAND[corner]["from_tube"], 0, 0])
    back = [
        given["path"]["tube_to_mirror_1_mm"] + given["tube"][k] for k in ("exit_mount_mm", "far_mount_mm")
    ]
    ends = [
        mirror_1 + upstream * b + np.array([0.0, *off]) for b, off in zip(back, state.tube_mm, strict=True)
    ]
    ray = (ends[0] - ends[1]) / np.linalg.norm(ends[0] - ends[1])
    return real_rays(*ends[0], *ray, 1.0, 10.6)


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("size_mm", [0.3, 2.0])
@pytest.mark.parametrize("seed", range(5))
def test_both_agree_with_optiland(corner: str, size_mm: float, seed: int) -> None:
    given = profile("1600", corner)
    state, head = random_state(seed, size_mm), random_head(seed, given)
    outside = by_optiland(given, corner, state, head)
    solver, tests_laser = by_the_solver(given, state, head), offsets(Layout(given), state, head)
    assert max(np.abs(outside["mirror-3"])) > 0.5, "a state that moves nothing would prove nothing"
    for station in STATIONS:
        np.testing.assert_allclose(solver[station], outside[station], atol=AGREE_MM, rtol=0)
        np.testing.assert_allclose(tests_laser[station], outside[station], atol=AGREE_MM, rtol=0)

"""The tests' own disturbances: each is as large as it says, and none changes how the machine is drawn."""

from __future__ import annotations

import numpy as np
import pytest

from tests.machines import DISTURBANCES, Machine, Misalignment, disturbance, draw_machine, profile
from tests.machines.optics import STATIONS, Layout

FRONT = [0.0, 0.0]


def laser(**changes: float | str) -> Machine:
    """A machine with nothing wrong and screws that do nothing, read without error."""
    given = profile("1600")
    disturbed = disturbance("none", **changes)
    rng, chance = np.random.default_rng(1), np.random.default_rng(2)
    machine = Machine(
        given, Layout(given), Misalignment.none(), {}, None, 1e-9, rng, disturbed=disturbed, chance=chance
    )
    return machine


def marks(machine: Machine, station: str, count: int, **more: str) -> np.ndarray:
    return np.array([machine.pulse(station, FRONT, **more)["offset_mm"] for _ in range(count)])


def test_what_a_disturbance_does_not_change_is_drawn_alike() -> None:
    plain = draw_machine(5, severity="rebuilt", fault=None)
    for name in ("tape 0.3", "jitter 0.2", "hung 1 all", "lens 1", "dead-screw", "slips 3 %"):
        other = draw_machine(5, severity="rebuilt", fault=None, disturbed=DISTURBANCES[name])
        np.testing.assert_array_equal(other.state.contact_mm, plain.state.contact_mm)
        np.testing.assert_array_equal(other.layout.at_mm, plain.layout.at_mm)


def test_a_hanging_moves_all_its_marks_alike_and_another_elsewhere() -> None:
    machine = laser(hanging_mm=1.0)
    same, anew = marks(machine, "mirror-2", 6), marks(machine, "mirror-2", 400, hang="anew")
    assert same.std(0).max() < 1e-6
    assert np.abs(anew).max() <= 1.0
    # Limits ± a, all values between equally probable: sd a / √3 (JCGM 100:2008, 4.3.7).
    np.testing.assert_allclose(anew.std(0), 1 / np.sqrt(3), rtol=0.1)
    assert len({e["hanging"] for e in machine.events}) == 401


def test_tape_and_jitter_scatter_as_they_say() -> None:
    np.testing.assert_allclose(marks(laser(tape_mm=0.3), "mirror-2", 500).std(0), 0.3, rtol=0.12)
    far = (
        150 + 200 + 1120
    )  # from the tube's exit mount, which the beam is turned about, to mirror 2's far card
    jittered = marks(laser(jitter_mrad=0.2), "mirror-2", 500)
    np.testing.assert_allclose(jittered.std(0), 0.2e-3 * far, rtol=0.12)


def test_the_lens_off_its_axis_moves_the_mark_at_the_nozzle_but_none_below() -> None:
    """Ray matrix of a thin lens: a lens that is off by h bends the beam by h/f, which is t h/f at the tip."""
    machine = laser()
    machine.layout.lens_off_mm = np.array([1.0, 0.0])
    assert machine.pulse("nozzle", FRONT)["offset_mm"][0] == pytest.approx(55 / 63.5, abs=1e-3)
    below = machine.pulse("below", FRONT, below_mm=145.0)
    np.testing.assert_allclose(below["offset_mm"], 0.0, atol=1e-3)
    assert (below["lens"], below["below_mm"]) == ("out", 145.0)
    assert machine.truth().lens_mm == pytest.approx(1.0, abs=1e-6)


def test_below_a_tilt_of_mirror_3_shows_over_the_whole_way_down() -> None:
    """A mirror tilted by a in the plane of incidence turns the beam by 2a: 2a (60 + 55 + 145) mm there."""
    machine = laser()
    machine.state.contact_mm[2] = machine.layout.at_mm[2] @ np.array([0.0, 1e-3])
    moved = np.hypot(*machine.pulse("below", FRONT, below_mm=145.0)["offset_mm"])
    assert moved == pytest.approx(2e-3 * (60 + 55 + 145), rel=0.01)


def test_a_dead_screw_moves_nothing_and_a_quarter_turn_moves_the_mark_sideways() -> None:
    def per_turn(name: str, seed: int, mirror: int, screw: str) -> np.ndarray:
        machine = draw_machine(seed, severity="drifted", fault=None, disturbed=DISTURBANCES[name])
        before = machine.true_offsets(FRONT)["mirror-2"]
        machine.turn(mirror, screw, 0.25)
        machine.turn(mirror, screw, 0.25)
        return np.asarray(machine.true_offsets(FRONT)["mirror-2"] - before)

    dead = [
        draw_machine(s, severity="drifted", fault=None, disturbed=DISTURBANCES["dead-screw"])
        for s in range(20)
    ]
    seed = next(s for s, machine in enumerate(dead) if machine.dead and machine.dead[0] == 1)
    mirror, screw = dead[seed].dead or (0, "")
    assert np.hypot(*per_turn("dead-screw", seed, mirror, screw)) == 0.0
    assert abs(per_turn("none", 3, 1, "top")[1]) > 3 * abs(per_turn("none", 3, 1, "top")[0])
    turned = [
        draw_machine(s, severity="drifted", fault=None, disturbed=DISTURBANCES["turned"]) for s in range(20)
    ]
    plain = [draw_machine(s, severity="drifted", fault=None) for s in range(20)]
    seed = next(s for s in range(20) if not np.allclose(turned[s].layout.at_mm[0], plain[s].layout.at_mm[0]))
    sideways = per_turn("turned", seed, 1, "top")
    assert abs(sideways[0]) > 3 * abs(sideways[1])


def test_by_eye_marks_on_one_tape_come_with_their_difference() -> None:
    machine = laser(eye_differences=0.15, hanging_mm=1.0)
    machine.sigma_mm = 0.4
    for station in ("mirror-2", "mirror-2", "mirror-3"):
        machine.pulse(station, FRONT)
    kinds = [e["kind"] for e in machine.events]
    assert kinds == ["mark", "mark", "difference", "mark"]
    assert np.hypot(*machine.events[2]["offset_mm"]) < 0.15 * 5


@pytest.mark.parametrize("name", DISTURBANCES)
def test_every_disturbance_can_be_played(name: str) -> None:
    machine = draw_machine(8, severity="rebuilt", bed="600", fault=None, disturbed=DISTURBANCES[name])
    for station in STATIONS:
        machine.pulse(station, [0.0, 400.0])
    machine.turn(1, "top", 0.25)
    machine.shift("mirror-2", [0.0, 0.0, 1.0])
    assert len(machine.events) >= 6 and machine.truth().excess > 0

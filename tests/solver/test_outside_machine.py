"""The tests' own laser: its errors and its hands' errors are as large as stated, and it can be aligned."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.oracle import Oracle
from tests.bench.play import play
from tests.machines import CAUSES, SEVERITIES, Machine, Misalignment, Screw, draw_machine, profile
from tests.machines.draw import misses_a_nearest_mirror
from tests.machines.faults import draw_fault
from tests.machines.hands import hand_turns
from tests.machines.optics import STATIONS, Layout


def sound(corner: str = "back-left", bed: str = "1600") -> Machine:
    """A machine with nothing wrong."""
    given = profile(bed, corner)
    rng = np.random.default_rng(1)
    return Machine(given, Layout(given), Misalignment.none(), {}, None, 0.05, rng)


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
@pytest.mark.parametrize("bed", ["1600", "600"])
def test_a_machine_with_nothing_wrong_hits_every_centre(corner: str, bed: str) -> None:
    machine = sound(corner, bed)
    truth = machine.truth()
    assert truth.excess < 1e-9
    for station in STATIONS:
        event = machine.pulse(station, [10.0, 20.0])
        assert event["kind"] == "mark" and np.hypot(*event["offset_mm"]) < 0.3


@pytest.mark.parametrize("bed", ["1600", "600"])
def test_severities_are_what_they_say(bed: str) -> None:
    for seed in range(30):
        drifted, rebuilt, missed = (
            draw_machine(seed, severity=severity, bed=bed, fault=None) for severity in SEVERITIES
        )
        assert not misses_a_nearest_mirror(drifted.layout, drifted.state)
        assert not misses_a_nearest_mirror(rebuilt.layout, rebuilt.state)
        events = [missed.pulse(station, nearest(missed)) for station in STATIONS]
        assert any(event["kind"] == "no-mark" for event in events)
        assert all(machine.truth().excess > 1 for machine in (rebuilt, missed))


def nearest(machine: Machine) -> np.ndarray:
    left = machine.profile["path"]["corner"] == "back-left"
    return np.array([0.0 if left else machine.layout.width_mm, machine.layout.depth_mm])


def test_a_machine_is_the_same_for_the_same_seed() -> None:
    one, two = (draw_machine(5, severity="rebuilt") for _ in range(2))
    assert [m.pulse("mirror-2", [0, 900.0]) for m in (one,)] == [
        m.pulse("mirror-2", [0, 900.0]) for m in (two,)
    ]


def test_a_fault_left_out_leaves_the_rest_as_it_was() -> None:
    faulty = next(m for m in (draw_machine(s, severity="drifted") for s in range(30)) if m.fault)
    seed = next(s for s in range(30) if draw_machine(s, severity="drifted").fault)
    without = draw_machine(seed, severity="drifted", fault=None)
    np.testing.assert_array_equal(faulty.state.contact_mm, without.state.contact_mm)
    assert without.fault is None


def test_play_is_lost_at_each_reversal() -> None:
    screw = Screw(pitch_mm=0.8, clockwise=-1, screw_turns=1 / 32, contact_turns=0.0)
    screw.turn(0.5)
    assert screw.travel_mm == pytest.approx(-0.4)
    screw.turn(-1 / 64)
    assert screw.travel_mm == pytest.approx(-0.4), "less than the play: the contact stays"
    screw.turn(-0.5)
    assert screw.contact_turns == pytest.approx(1 / 64), "half a turn back, less the rest of the play"


def test_the_hand_is_off_by_8_percent_and_at_most_a_64th() -> None:
    """Limits ± a with nothing known in between: a uniform distribution, sd a / √3 (JCGM 100:2008, 4.3.7)."""
    rng = np.random.default_rng(3)
    small, large = (np.array([hand_turns(t, rng) for _ in range(4000)]) for t in (1e-9, 2.0))
    assert abs(small).max() <= 1 / 64
    assert small.std() == pytest.approx(1 / 64 / 3**0.5, rel=0.05)
    assert large.std() == pytest.approx(np.hypot(0.16, 1 / 64 / 3**0.5), rel=0.05)
    assert large.mean() == pytest.approx(2.0, abs=0.01)


def with_fault(cause: str, seed: int, curable: bool = True) -> Machine:
    machine = sound()
    machine.fault = draw_fault(machine.profile, np.random.default_rng(seed), cause=cause, curable=curable)
    return machine


@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize("seed", range(5))
def test_a_fault_alone_breaks_the_tolerance_and_a_repair_mends_it(cause: str, seed: int) -> None:
    machine = with_fault(cause, seed)
    assert machine.truth().excess > 1.4
    for other in CAUSES:
        if other != cause:
            assert machine.inspect(other)["outcome"] == "nothing-found"
    assert machine.inspect(cause)["outcome"] == "fixed"
    assert np.isfinite(machine.truth().excess)
    if cause != "loose-mount":  # a tightened mirror stays where it was
        assert machine.truth().excess < 0.6
    assert machine.inspect(cause)["outcome"] == "nothing-found"


@pytest.mark.parametrize("cause", CAUSES)
def test_what_cannot_be_repaired_stays(cause: str) -> None:
    machine = with_fault(cause, 2, curable=False)
    before = machine.truth().excess
    assert machine.inspect(cause)["outcome"] == "not-fixed"
    assert machine.truth().excess == before


def test_racking_shows_at_the_crossed_corners_and_a_bow_in_the_middle() -> None:
    racked = with_fault("gantry-racking", 0)
    w, d = racked.layout.width_mm, racked.layout.depth_mm
    u = racked.true_offsets(np.array([[0, 0], [w, 0], [0, d], [w, d]]))["mirror-3"][:, 0]
    crossed = (u[3] - u[2]) - (u[1] - u[0])
    assert abs(crossed) == pytest.approx(abs(racked.fault.size) * w, rel=1e-3)  # type: ignore[union-attr]
    for seed in range(6):
        bowed = with_fault("rail-bow", seed)
        along_y = bowed.true_offsets(np.array([[0, 0], [0, d / 2], [0, d]]))["mirror-2"]
        along_x = bowed.true_offsets(np.array([[0, d / 2], [w / 2, d / 2], [w, d / 2]]))["mirror-3"]
        off_line = [np.hypot(*(m[1] - (m[0] + m[2]) / 2)) for m in (along_y, along_x)]
        assert max(off_line) == pytest.approx(abs(bowed.fault.size), rel=0.02)  # type: ignore[union-attr]


def test_a_beam_that_misses_a_mirror_marks_nothing_behind_it() -> None:
    machine = sound()
    machine.state.tube_mm[:, 1] = 13.0  # over the edge of mirror 1 (25 mm), still on its card
    assert machine.pulse("mirror-1", [0, 0])["kind"] == "mark"
    assert machine.pulse("mirror-2", [0, 0])["kind"] == "no-mark"
    machine.state.tube_mm[:, 1] = 20.5
    assert machine.pulse("mirror-1", [0, 0])["kind"] == "no-mark"


def test_orders_nobody_could_follow_are_refused() -> None:
    machine = draw_machine(0, severity="drifted")
    for step in (
        {"do": "mark", "station": "mirror-2", "head_mm": [-1, 0]},
        {"do": "turn", "mount": 1, "screw": "top", "turns": 0.0},
        {"do": "shift", "part": "tube", "move_mm": [1, 0, 0]},
        {"do": "dance"},
    ):
        with pytest.raises(ValueError, match=r"step|tube"):
            machine.obey(step)


@pytest.mark.parametrize(("seed", "corner"), [(0, "back-left"), (1, "back-right"), (2, "back-left")])
def test_an_oracle_can_align_it(seed: int, corner: str) -> None:
    """So the solver's task is possible: a player that knows the levers can do it from marks alone."""
    machine = draw_machine(seed, severity=SEVERITIES[seed], corner=corner, fault=None)
    run = play(machine, Oracle(machine))
    assert run.aligned, run

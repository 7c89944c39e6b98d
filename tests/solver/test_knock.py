"""A knock between two marks, or a week in which everything settles, is noticed, said, and lived with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.solver import answer, parse_alignment, parse_profile
from server.solver.decide import move_choice
from server.solver.estimate import hypotheses as b
from server.solver.estimate.belief import believe
from server.solver.estimate.filter import mark as take_mark
from server.solver.events import Event, MarkSeen, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.trace import contact_points
from tests.machines import Machine, disturbance, draw_machine, profile
from tests.solver.test_situation import at, mark
from tests.solver.test_workshop import laser

LASER = parse_profile(profile("600"))
PRIOR = b.prior(LASER)
THERE, BACK = Shift("tube-far", (0.0, 0.8, 0.4)), Shift("tube", (0.0, -0.5, -0.2))


def obey(machine: Machine, steps: int) -> list[str]:
    """Carry out so many steps, or all until the end; returns all that was noticed on the way."""
    noticed = []
    for _ in range(steps):
        step = answer(machine.document())
        noticed.append(str(step.get("noticed", "")) + str(step))
        if machine.obey(step) is None:
            break
    return noticed


def knock(machine: Machine, seed: int) -> None:
    """Tilt each mirror by up to 1.5 mrad each way, and move each end of the tube by up to 0.7 mm each way."""
    rng = np.random.default_rng(seed)
    for mirror in range(3):
        machine.state.contact_mm[mirror] += machine.layout.at_mm[mirror] @ rng.uniform(-1.5e-3, 1.5e-3, 2)
    machine.state.tube_mm[...] += rng.uniform(-0.7, 0.7, (2, 2))


def knocked_share(mixture: b.Mixture) -> float:
    return float(mixture.weight @ [any(note.kind == "upset" for note in notes) for notes in mixture.notes])


@pytest.mark.parametrize("seed", [1, 5])
def test_a_knock_half_way_is_said_and_the_machine_is_aligned_all_the_same(seed: int) -> None:
    machine = draw_machine(
        seed, severity="drifted", bed="1600", corner="back-left", fault=None, disturbed=disturbance("none")
    )
    obey(machine, 14)
    knock(machine, seed)
    assert not machine.truth().aligned()
    noticed = obey(machine, 60)
    assert machine.truth().excess < 1.1  # the card of the nozzle may hang off by a little
    assert sum("no longer fit" in one for one in noticed) == 1
    assert knocked_share(believe(parse_alignment(machine.document()))) > 0.9


@pytest.mark.parametrize("name", ["tape 0.3", "hung 1 all", "mode 20 %"])
def test_without_a_knock_none_is_said(name: str) -> None:
    machine = laser(4, name)
    noticed = obey(machine, 25)
    assert not any("no longer fit" in one for one in noticed)


def test_a_knock_makes_mirrors_and_tube_less_certain_and_nothing_else() -> None:
    after = b.knocked(LASER, PRIOR)
    likely = np.argsort(-PRIOR.log_weight, kind="stable")[: b.KNOCKED]
    grown = after.cov - PRIOR.cov[likely]
    np.testing.assert_allclose(
        grown[:, m.TUBE, m.TUBE], np.broadcast_to(0.5**2 * np.eye(4), (len(likely), 4, 4))
    )
    for mount in (1, 2, 3):
        points = contact_points(LASER, mount)
        np.testing.assert_allclose(
            grown[0, m.contact_at(mount), m.contact_at(mount)], 1e-6 * points @ points.T, atol=1e-12
        )
    rest = np.ones(m.SIZE, dtype=bool)
    rest[m.TUBE] = rest[m.CONTACT] = False
    assert not grown[:, rest].any()
    np.testing.assert_allclose(after.log_weight, PRIOR.log_weight[likely] + np.log(b.KNOCK))
    assert {notes[-1].kind for notes in after.notes} == {"upset"}


def test_a_mark_is_unlike_as_many_times_as_it_is_more_probably_misread_or_astray_than_most() -> None:
    near, far = (
        take_mark(LASER, PRIOR, MarkSeen("mirror-1", (0.0, 0.0), (u, 0.0), (0.05, 0.05), 1))
        for u in (1.0, 15.0)
    )
    usual = float(PRIOR.weight @ (b.SLIPS + b.ASTRAY)[PRIOR.noise])
    for after in (near, far):
        beside = sum(w for w, notes in zip(after.weight, after.notes, strict=True) if notes)
        assert after.unlike == pytest.approx(beside / usual, rel=0.02)  # a few hypotheses are not kept
    assert near.unlike < 1.0 < far.unlike


@pytest.mark.parametrize(
    ("events", "names"),
    [
        ([THERE, mark("mirror-2"), BACK], {"tube", "tube-exit", "tube-far"}),
        ([BACK, THERE], {"tube", "tube-exit", "tube-far"}),
        ([THERE, BACK, Turn(1, "top", 0.5)], set()),  # something else was moved since
        ([THERE, THERE], set()),
        ([THERE, replace(BACK, move_mm=(0.0, -0.3, 0.0))], set()),  # less than 0.4 of it was taken back
        ([THERE, replace(BACK, part="mirror-1")], set()),
        ([Shift("mirror-1", (1.0, 0.0, 0.0)), Shift("mirror-1", (-0.6, 0.0, 0.0))], {"mirror-1"}),
        ([BACK], set()),
        ([Turn(1, "top", 0.5), Turn(1, "top", -0.5)], set()),
    ],
)
def test_a_part_that_went_to_and_fro_is_left_alone(events: list[Event], names: set[str]) -> None:
    assert move_choice._to_and_fro(at(*events)) == names
    used = {lever.name(LASER) for lever in move_choice.pose(at(*events, mark("mirror-2")), 4).levers}
    assert not used & names

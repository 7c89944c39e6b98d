"""Readings by eye: an offset known to be probably too large is corrected again, not measured endlessly."""

from __future__ import annotations

from dataclasses import replace

import pytest

from server.solver import parse_alignment
from server.solver.decide import next_step as plan
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import View, after_moves, look, probability
from tests.machines import draw_machine

CORNERS = [(0, 0), (1600, 0), (0, 1000), (1600, 1000)]


def well_known(seed: int, sigma_mm: float) -> View:
    """A machine that is a little off and was marked often."""
    machine = draw_machine(seed, severity="drifted", sigma_mm=sigma_mm, fault=None)
    now = machine.state
    machine.state = replace(now, tube_mm=0.2 * now.tube_mm, contact_mm=0.2 * now.contact_mm)
    for station in ("mirror-1", "mirror-2", "mirror-3"):
        for head in CORNERS * 3:
            machine.pulse(station, head)
    return look(parse_alignment(machine.document()))


@pytest.mark.parametrize("seed", range(4))
def test_another_try_is_better_than_staying(seed: int) -> None:
    view = well_known(seed, 0.4)
    assert plan.rough(view)
    [event], chance = plan._another_try(view, 2), probability(view, 2)
    assert chance < POLICY.coarse_try
    [tried, *_] = [some for some in plan._sets(view, 2) if some[0] == event]
    assert probability(after_moves(view, tried), 2) > chance + POLICY.sampling


def test_the_rig_s_readings_are_not_rough() -> None:
    assert not plan.rough(well_known(0, 0.05))

"""Machines drawn from the belief represent it, even if rounding has damaged its covariance."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from server.solver import parse_alignment
from server.solver.decide.situation import closer, look, probability
from server.solver.estimate import samples as o
from server.solver.machine import model as m
from tests.machines import draw_machine, profile


def marked(count: int) -> dict[str, Any]:
    machine = draw_machine(3, severity="drifted", sigma_mm=0.4)
    for i in range(count):
        machine.pulse("mirror-3", [(0, 1600, 800)[i % 3], (0, 1000)[i % 2]])
    return machine.document()


@pytest.mark.parametrize("values", [[4.0, 1.0, 1e-3], [4.0, 1.0, 0.0], [4.0, 1.0, -1e-14]])
def test_a_root_gives_its_covariance_back(values: list[float]) -> None:
    axes = np.linalg.qr(np.random.default_rng(1).standard_normal((m.SIZE, m.SIZE)))[0]
    cov = (axes * np.array([*values, *[1.0] * (m.SIZE - 3)])) @ axes.T
    root = o._root(cov)
    assert root @ root.T == pytest.approx(cov, abs=1e-8)


def test_a_step_draws_other_machines_of_the_same_kind() -> None:
    mixture = look(parse_alignment(marked(6))).mixture
    one, same, other = (o.draw(mixture, 2048, turn=turn).x for turn in (4, 4, 5))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)
    spread = one[:, : m.SHIFT.stop].std(0)
    assert other[:, : m.SHIFT.stop].std(0) == pytest.approx(spread, rel=0.15)


def test_many_machines_agree_with_few_about_a_probability() -> None:
    view = look(parse_alignment(marked(9)))
    near = closer(view)
    assert len(near.samples.x) > 4 * len(view.samples.x)
    for factor in (1.0, 2.0, 4.0):
        assert probability(near, 2, factor) == pytest.approx(probability(view, 2, factor), abs=0.12)


def test_the_many_are_none_that_this_step_or_one_before_has_drawn() -> None:
    view = look(parse_alignment(marked(2)))
    near = closer(view)
    hands = {tuple(hand) for hand in near.samples.noise}
    for turn in range(3):
        before = o.draw(view.mixture, turn=turn)
        assert not hands & {tuple(hand) for hand in before.noise}
    np.testing.assert_array_equal(near.rays.offset_mm, o.everywhere(view.profile, near.samples.x).offset_mm)
    np.testing.assert_array_equal(near.numbers, o.ratios(view.profile, near.rays))


def test_a_change_of_nothing_leaves_the_rays() -> None:
    view = look(parse_alignment({"machine": profile("600"), "events": []}))
    assert o.pushed(view.rays, view.jacobian, np.zeros_like(view.samples.x)) is view.rays

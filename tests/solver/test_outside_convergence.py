"""The solver, driven by events alone, aligns machines that it has never seen: both corners, three
severities.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from server.solver import answer
from tests.bench.play import play
from tests.machines import CAUSES, SEVERITIES, Machine, draw_machine

CORNERS = ("back-left", "back-right")
MACHINES = [(SEVERITIES[i % 3], ("1600", "600")[i // 3], CORNERS[i % 2], i) for i in range(6)]


@pytest.mark.parametrize(("severity", "bed", "corner", "seed"), MACHINES)
def test_it_ends_aligned(severity: str, bed: str, corner: str, seed: int) -> None:
    machine = draw_machine(seed, severity=severity, bed=bed, corner=corner, fault=None)
    run = play(machine, answer, most_pulses=60)
    assert run.end == "done", run
    assert run.excess <= 1.0, run


class Honest:
    """A player that hands on the solver's steps and checks each answer against what is true."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.pulls: list[float] = []
        self.expected: dict[str, Any] | None = None

    def __call__(self, document: dict[str, Any]) -> dict[str, Any]:
        if self.expected is not None:
            true = self.machine.true_offsets(self.expected["head_mm"])[self.expected["station"]]
            sigma = np.broadcast_to(self.expected["sigma_mm"], 2)
            self.pulls += list((np.array(self.expected["offset_mm"]) - true) / sigma)
        step = answer(document)
        assert step["say"]
        assert bool(step["verdict"] and step["verdict"]["aligned"]) == (step["do"] == "done")
        self.expected = step.get("expect") if step["do"] in ("turn", "shift") else None
        assert (self.expected is not None) == (step["do"] in ("turn", "shift"))
        return step


def test_expect_is_as_sure_as_it_says() -> None:
    """Over some machines, where the mark goes is within 3 sigma of where it was foretold in most cases, wrong
    `clockwise` in one mount in four included."""
    pulls: list[float] = []
    for seed in range(4):
        machine = draw_machine(seed, severity="drifted", bed="600", corner=CORNERS[seed % 2], fault=None)
        honest = Honest(machine)
        play(machine, honest, most_pulses=60)
        pulls += honest.pulls
    assert len(pulls) >= 8
    assert np.mean(np.abs(pulls) < 3) > 0.85


@pytest.mark.parametrize("cause", CAUSES)
def test_it_names_the_cause_that_no_screw_cures(cause: str) -> None:
    machine = draw_machine(3, severity="drifted", corner="back-right", fault=cause)
    run = play(machine, answer, most_pulses=80)
    assert cause in run.inspected, run

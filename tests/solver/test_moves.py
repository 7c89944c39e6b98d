"""Fractions that a hand can do, derivatives of the trace, what power and lean cost."""

from __future__ import annotations

import copy
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.solver import kerf_lean, parse_alignment, parse_profile
from server.solver.decide.moves import apply, fractions
from server.solver.estimate.belief import believe
from server.solver.estimate.filter import shift
from server.solver.estimate.hypotheses import Mixture, hand
from server.solver.estimate.samples import draw
from server.solver.events import Shift
from server.solver.machine import model as m
from server.solver.machine.linear import weighted_least_squares
from server.solver.machine.power import passed_fraction, spot_diameter
from server.solver.machine.profile import Profile
from tests.machines import profile
from tests.solver.test_proof import FIVE, straight

MOVE_MM = (0.0, 0.5, 0.4)
PROFILES = [parse_profile(profile(n, c)) for n in ("1600", "600") for c in ("back-left", "back-right")]


@given(st.floats(-4, 4), st.sampled_from([-1.0, 0.0, 1.0]))
def test_fractions_are_sixteenths_thirty_seconds_or_sixty_fourths_on_the_wanted_side(
    turns: float, last: float
) -> None:
    for option in fractions(turns, lambda asked: hand(asked, last, reversed_before=True)[0]):
        assert option * 64 == round(option * 64)
        assert option * turns > 0
        assert abs(option) <= 2.25
        if abs(turns) >= 0.25:
            assert option * 16 == round(option * 16)
        elif abs(turns) >= 1 / 16:
            assert option * 32 == round(option * 32)


def test_a_reversal_makes_up_for_play() -> None:
    on, back = (lambda asked, way=way: hand(asked, way, reversed_before=True)[0] for way in (1.0, -1.0))
    assert fractions(0.25, on)[0] == 0.25
    assert fractions(0.2, back)[0] > fractions(0.2, on)[0]


def test_next_to_nothing_is_no_turn() -> None:
    assert fractions(0.001, lambda asked: asked) == []


@pytest.mark.parametrize("machine", PROFILES, ids=lambda p: f"{p.name} {p.path.corner}")
@pytest.mark.parametrize("station", range(6))
def test_complex_steps_agree_with_central_differences(machine: Profile, station: int) -> None:
    rng = np.random.default_rng(5)
    x = rng.normal(0, 0.5, m.SIZE)
    head = np.array(machine.head_mm(0.3, 0.6))
    exact = m.mark_jacobian(machine, x, head, station)
    for k in range(m.OPTICS):
        step = np.zeros(m.SIZE)
        step[k] = 1e-5
        ahead, behind = (m.spot(machine, m.rays(machine, x + s, head), station) for s in (step, -step))
        assert np.allclose(exact[:, k], (ahead - behind) / 2e-5, rtol=1e-5, atol=1e-6)
    assert not exact[:, m.OPTICS :].any()


@given(st.floats(0, 1e6), st.floats(1e-3, 1e4), st.floats(1e-6, 1e3))
def test_what_passes_is_a_fraction(offset: float, aperture: float, beam: float) -> None:
    assert 0.0 <= float(passed_fraction(offset, aperture, beam)) <= 1.0


def test_less_passes_the_further_off() -> None:
    passed = passed_fraction(np.linspace(0, 20, 50), 12.0, 7.0)
    assert (np.diff(passed) <= 1e-15).all()


def test_the_spot_of_a_perfect_beam() -> None:
    """4λf/(πD): 10.6 µm, f = 63.5 mm, D = 7 mm gives 0.122 mm (Siegman, Lasers, 1986, ch. 17.4)."""
    given_ = profile("1600")
    given_["beam"]["divergence_mrad"] = 0.0
    assert float(spot_diameter(parse_profile(given_), 7.0)) == pytest.approx(0.1224, abs=2e-4)


def test_an_offset_beam_leans_by_its_offset_over_the_focal_length() -> None:
    """1 mm off at a lens of 63.5 mm: 1/63.5 for each mm, 0.094 mm through 6 mm; a tilt is added."""
    machine = PROFILES[0]
    assert kerf_lean(machine, [1.0, 0.0], [0.0, 0.0]) == pytest.approx([-1 / 63.5, 0.0])
    assert 6 * abs(kerf_lean(machine, [1.0, 0.0], [0.0, 0.0])[0]) == pytest.approx(0.0945, abs=1e-4)
    assert kerf_lean(machine, [0.0, 0.0], [2e-3, -1e-3]) == pytest.approx([2e-3, -1e-3])


def test_a_design_that_determines_nothing_is_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        weighted_least_squares([[1.0, 1.0], [1.0, 1.0]], [1.0, 2.0], 0.1)


def _believed() -> tuple[Profile, Mixture, np.ndarray]:
    """A straight machine, the belief about it, and the derivative of its far mark at mirror 3, (2, SIZE)."""
    alignment = parse_alignment(straight().document())
    mixture = believe(alignment)
    far = m.mark_jacobian(alignment.machine, mixture.mean[mixture.best][None], np.array(FIVE[4]), 2)[0]
    return alignment.machine, mixture, far


def _spread(part: str) -> np.ndarray:
    """(2, 2) what the belief adds to a far mark's covariance when a part is moved."""
    _, before, jacobian = _believed()
    after = shift(before, Shift(part, MOVE_MM))
    return np.asarray(jacobian @ (after.cov[after.best] - before.cov[before.best]) @ jacobian.T)


def _true_spread(part: str) -> np.ndarray:
    """(2, 2) the same, from 400 machines moved with hand error."""
    machine, marks = straight(), []
    for seed in range(400):
        other = copy.deepcopy(machine)
        other.rng = np.random.default_rng(seed)
        other.shift(part, list(MOVE_MM))
        marks.append(other.true_offsets(FIVE[4])["mirror-3"])
    return np.asarray(np.cov(np.array(marks).T))


@pytest.mark.parametrize("spread", [_spread, _true_spread])
def test_an_even_move_of_the_tube_tilts_it_by_what_each_hand_errs(
    spread: Callable[[str], np.ndarray],
) -> None:
    """The variances of both ends add up to more than twice that of a mount, whose move tilts nothing."""
    tube, ends = np.trace(spread("tube")), np.trace(spread("tube-exit")) + np.trace(spread("tube-far"))
    assert tube == pytest.approx(ends, rel=0.2)
    assert tube > 2 * np.trace(spread("mirror-2"))


@pytest.mark.parametrize("part", ["tube", "tube-far", "mirror-2"])
def test_drawn_machines_are_moved_as_the_belief_is(part: str) -> None:
    laser, before, jacobian = _believed()
    samples = draw(before, 2048)
    samples.sign[:, 9:] = 1  # no base is stuck
    moved = apply(laser, before, samples, Shift(part, MOVE_MM)).x - samples.x
    spread = _spread(part)
    assert np.cov((moved @ jacobian.T).T) == pytest.approx(spread, abs=0.15 * np.abs(spread).max())

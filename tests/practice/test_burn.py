import numpy as np
import pytest
from scipy.ndimage import center_of_mass

from server.practice.burn import FIELD_MM, FIELD_PX_PER_MM, Burn, Circle, add_heat, empty_field, visible


def _burnt(*burns: Burn) -> np.ndarray:
    field = empty_field()
    for burn in burns:
        add_heat(field, burn)
    return field > 1.0


def _centre_mm(browned: np.ndarray) -> np.ndarray:
    row, col = center_of_mass(browned)
    return np.array([(col + 0.5) / FIELD_PX_PER_MM - FIELD_MM, FIELD_MM - (row + 0.5) / FIELD_PX_PER_MM])


def _diameter_mm(browned: np.ndarray) -> float:
    return float(np.sqrt(4 / np.pi * browned.sum())) / FIELD_PX_PER_MM


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("beam_mm", "peak"), [(7.0, 2.6), (9.3, 2.3), (1.0, 7.0)])
def test_a_burn_stands_where_the_beam_struck(seed: int, beam_mm: float, peak: float) -> None:
    where = np.random.default_rng(seed).uniform(-19, 19, 2)
    browned = _burnt(Burn((where[0], where[1]), beam_mm, peak, (), seed))
    assert _centre_mm(browned) == pytest.approx(where, abs=0.08)  # mm
    # A Gaussian falls to 1/peak at the radius w·√(ln(peak)/2).
    assert _diameter_mm(browned) == pytest.approx(beam_mm * np.sqrt(np.log(peak) / 2), rel=0.12)


def test_two_pulses_at_one_place_make_one_wider_mark() -> None:
    one, other = Burn((1.0, 2.0), 7.0, 2.6, (), 1), Burn((1.0, 2.0), 7.0, 2.6, (), 2)
    assert _diameter_mm(_burnt(one, other)) > 1.1 * _diameter_mm(_burnt(one))


def test_an_aperture_cuts_one_side_off() -> None:
    whole = Burn((0.0, 0.0), 7.0, 2.6, (), 5)
    cut = Burn((0.0, 0.0), 7.0, 2.6, (Circle((-30.0, 0.0), 30.0),), 5)
    left, right = np.hsplit(_burnt(cut), 2)
    assert right.sum() < 0.1 * left.sum()
    assert left.sum() == pytest.approx(np.hsplit(_burnt(whole), 2)[0].sum(), rel=0.1)


def test_behind_a_closed_aperture_nothing_is_seen() -> None:
    assert visible(Burn((0.0, 0.0), 7.0, 2.6, (), 1))
    assert not visible(Burn((0.0, 0.0), 7.0, 2.6, (Circle((15.0, 0.0), 9.0),), 1))


def test_a_burn_at_the_field_s_edge_is_cut_and_not_refused() -> None:
    assert visible(Burn((20.0, -20.0), 9.3, 2.6, (), 3))

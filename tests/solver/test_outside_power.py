"""Power through round apertures and growth of the beam, compared with scipy, an integral and textbooks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import i0e
from scipy.stats import ncx2

from server.solver import parse_profile
from server.solver.machine.power import beam_diameter, passed_fraction
from tests.machines import profile


@pytest.mark.parametrize("offset_mm", [0.0, 0.3, 2.0, 7.5, 12.5])
@pytest.mark.parametrize("aperture_mm", [1.0, 4.0, 18.0, 25.0])
@pytest.mark.parametrize("beam_mm", [0.94, 5.0, 9.0])
def test_noncentral_chi_square(offset_mm: float, aperture_mm: float, beam_mm: float) -> None:
    """Squared distance of a normal point (sd w/2) from an offset centre: noncentral chi-square, 2 degrees."""
    sd = beam_mm / 4
    expected = ncx2.cdf((aperture_mm / 2 / sd) ** 2, 2, (offset_mm / sd) ** 2 + 1e-300)
    assert passed_fraction(offset_mm, aperture_mm, beam_mm) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("offset_mm", "aperture_mm", "beam_mm"), [(1.0, 4.0, 3.0), (6.0, 18.0, 7.0)])
def test_plain_integral_over_the_disc(offset_mm: float, aperture_mm: float, beam_mm: float) -> None:
    """∫ I dA with I = 2/(πw²)·exp(-2|r - c|²/w²); over the angle, a (scaled) modified Bessel function."""
    w = beam_mm / 2

    def ring(r: float) -> float:
        return 4 * r / w**2 * np.exp(-2 * (r - offset_mm) ** 2 / w**2) * i0e(4 * r * offset_mm / w**2)

    expected, _ = quad(ring, 0, aperture_mm / 2)
    assert passed_fraction(offset_mm, aperture_mm, beam_mm) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("ratio", [0.2, 0.5, 1.0, 1.5, 2.0])
def test_centred_beam(ratio: float) -> None:
    """1 - exp(-2a²/w²). Siegman, *Lasers* (1986), 17.1."""
    assert passed_fraction(0.0, 2 * ratio * 3.5, 7.0) == pytest.approx(1 - np.exp(-2 * ratio**2), abs=1e-12)


def test_aperture_of_pi_w_passes_99_percent() -> None:
    """Siegman, *Lasers* (1986), 17.1: a diameter of πw passes just over 99 % of the power, one of 2w 86 %."""
    assert passed_fraction(0.0, np.pi * 3.5, 7.0) == pytest.approx(0.9928, abs=5e-5)
    assert passed_fraction(0.0, 2 * 3.5, 7.0) == pytest.approx(0.865, abs=5e-4)


def test_half_a_beam_passes_a_straight_edge() -> None:
    """A small beam centred on the rim of a large hole: the rim is nearly straight, so nearly half passes."""
    assert passed_fraction(12.5, 25.0, 0.5) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("diameter_mm", [5.0, 7.0, 12.0])
@pytest.mark.parametrize("wavelength_um", [9.3, 10.6])
def test_growth_is_that_of_a_gaussian_beam(diameter_mm: float, wavelength_um: float) -> None:
    """With the smallest divergence 4λ/(πD): D(z) = D·sqrt(1 + (z/zR)²), zR = πD²/(4λ).

    Source: Siegman 17.1; Hecht 13.1.
    """
    given = profile("1600")
    floor_mrad = 4 * wavelength_um / (np.pi * diameter_mm)
    given["beam"] = {
        "wavelength_um": wavelength_um,
        "diameter_mm": diameter_mm,
        "divergence_mrad": floor_mrad * (1 + 1e-9),
    }
    z = np.array([0.0, 120.0, 1500.0, 2870.0, 10_000.0])
    rayleigh_mm = np.pi * diameter_mm**2 / (4 * wavelength_um * 1e-3)
    expected = diameter_mm * np.sqrt(1 + (z / rayleigh_mm) ** 2)
    np.testing.assert_allclose(beam_diameter(parse_profile(given), z), expected, rtol=1e-8)


def test_growth_by_hand() -> None:
    """D(L)² = D₁² + (θL)² (ISO 11146-1): 7 mm and 2.2 mrad over 2870 mm give sqrt(49 + 6.314²) = 9.427 mm."""
    assert beam_diameter(parse_profile(profile("1600")), 2870.0) == pytest.approx(9.427, abs=5e-4)

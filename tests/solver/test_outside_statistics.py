"""Least squares against certified values: NIST StRD 'Norris', and example H.3 of the GUM (JCGM 100:2008).

The data are from memory. They reproduce the certified and published results to all digits given, which shows
that they are right.
"""

from __future__ import annotations

import numpy as np
import pytest

from server.solver.machine.linear import weighted_least_squares

# NIST StRD, linear regression, Norris: (y, x).
NORRIS = np.array(
    [
        (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
        (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
        (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
        (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
        (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
        (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
    ]
)  # fmt: skip
NORRIS_B = (-0.262323073774029, 1.00211681802045)
NORRIS_SD_B = (0.232818234301152, 0.429796848199937e-3)
NORRIS_RESIDUAL_SD = 0.884796396144373

# GUM H.3, table H.6: thermometer reading t (°C) and correction b (°C).
GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x])


def residual_sd(design: np.ndarray, y: np.ndarray, estimate: np.ndarray) -> float:
    return float(np.sqrt(np.sum((y - design @ estimate) ** 2) / (len(y) - design.shape[1])))


def test_norris_certified_values() -> None:
    y, x = NORRIS.T
    estimate, _ = weighted_least_squares(line(x), y, 1.0)
    np.testing.assert_allclose(estimate, NORRIS_B, rtol=1e-11)
    sd = residual_sd(line(x), y, estimate)
    assert sd == pytest.approx(NORRIS_RESIDUAL_SD, rel=1e-11)
    _, covariance = weighted_least_squares(line(x), y, np.full(36, sd))
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), NORRIS_SD_B, rtol=1e-10)


def test_weights_count_as_repeats() -> None:
    """A reading with half the uncertainty counts as four: Norris, half of the points taken four times."""
    y, x = NORRIS.T
    sigma = np.where(np.arange(36) < 18, 0.5, 1.0)
    repeats = np.where(np.arange(36) < 18, 4, 1)
    weighted = weighted_least_squares(line(x), y, sigma)
    repeated = weighted_least_squares(line(np.repeat(x, repeats)), np.repeat(y, repeats), 1.0)
    np.testing.assert_allclose(weighted[0], repeated[0], rtol=1e-11)
    np.testing.assert_allclose(weighted[1], repeated[1], rtol=1e-11)


def test_gum_h3_calibration_line() -> None:
    """H.3.3: y1 = -0.1712 °C (s 0.0029), y2 = 0.00218 (s 0.00067), r = -0.930, s = 0.0035 °C.
    H.3.4: b(30 °C) = -0.1494 °C, u = 0.0041 °C."""
    design = line(GUM_T - 20.0)
    estimate, _ = weighted_least_squares(design, GUM_B, 1.0)
    s = residual_sd(design, GUM_B, estimate)
    _, covariance = weighted_least_squares(design, GUM_B, s)
    sd = np.sqrt(np.diag(covariance))
    assert (round(estimate[0], 4), round(estimate[1], 5)) == (-0.1712, 0.00218)
    assert (round(s, 4), round(sd[0], 4), round(sd[1], 5)) == (0.0035, 0.0029, 0.00067)
    assert round(covariance[0, 1] / (sd[0] * sd[1]), 3) == -0.930
    at_30 = np.array([1.0, 10.0])
    assert round(float(at_30 @ estimate), 4) == -0.1494
    assert round(float(np.sqrt(at_30 @ covariance @ at_30)), 4) == 0.0041


def test_readings_that_determine_nothing_are_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError, match="determine"):
        weighted_least_squares(line(np.ones(5)), np.arange(5.0), 1.0)

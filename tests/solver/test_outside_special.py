"""The special functions against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from server.solver.machine.special import disc_probability, log_ndtr


def test_log_of_the_normal_distribution() -> None:
    x = np.linspace(-60.0, 12.0, 2001)
    assert log_ndtr(x) == pytest.approx(special.log_ndtr(x), rel=1e-12)


@pytest.mark.parametrize("span", [1.0, 5.0, 15.0, 60.0, 290.0])
def test_a_disc_of_a_plane_normal(span: float) -> None:
    rng = np.random.default_rng(1)
    radius, distance = rng.uniform(0, span, (2, 1000))
    expected = stats.ncx2.cdf(radius**2, 2, distance**2)
    assert disc_probability(radius, distance) == pytest.approx(expected, abs=1e-12)


def test_far_out_the_disc_is_a_half_plane() -> None:
    """For a disc that is a million sigmas wide; scipy fails before that."""
    edge = np.linspace(-4.0, 4.0, 9)
    assert disc_probability(1e6, 1e6 + edge) == pytest.approx(special.ndtr(-edge), abs=1e-6)


def test_nothing_and_all() -> None:
    assert disc_probability([0.0, 1e-9, 3.0, 40.0], [3.0, 50.0, 0.0, 1.0]) == pytest.approx(
        [0.0, 0.0, 1 - np.exp(-4.5), 1.0], abs=1e-14
    )

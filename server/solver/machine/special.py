"""The special functions that the solver needs, on arrays.

Importing a library for them would take a quarter of the program's start-up time and a seventh of its memory;
the tests compare these with such a library.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["disc_probability", "log_ndtr"]

Array = NDArray[Any]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_REACH = 12.0  # sigmas on both sides; what lies beyond is below 1e-31
_FAR_TAIL = -12.0
_LARGE = 500.0
_erfc = np.frompyfunc(math.erfc, 1, 1)


def log_ndtr(x: ArrayLike) -> Array:
    """Logarithm of the standard normal distribution function, to a relative 1e-12 in the far tail as well.

    Source: Abramowitz and Stegun 26.2.12, the asymptotic series, for the far tail.
    """
    x = np.asarray(x, dtype=float)
    tail = np.minimum(x, _FAR_TAIL)
    term, series = np.ones_like(tail), np.ones_like(tail)
    for k in range(1, 12):
        term = term * -(2 * k - 1) / tail**2
        series = series + term
    far = -0.5 * tail**2 - np.log(-tail * math.sqrt(2 * math.pi)) + np.log(series)
    half = 0.5 * np.asarray(_erfc(np.abs(x) / math.sqrt(2)), dtype=float)  # beyond |x|
    near = np.where(x < 0, np.log(np.maximum(half, 1e-300)), np.log1p(-half))
    return np.asarray(np.where(x < _FAR_TAIL, far, near))


def disc_probability(radius: ArrayLike, distance: ArrayLike) -> Array:
    """Probability of a plane standard normal in a disc: 1 − Q₁(distance, radius), Marcum's Q function.

    Both in sigmas, ≥ 0; broadcast together. Gauss-Legendre over the rings about the normal's own centre
    shifted by ``distance``: ∫ r exp(−(r − d)²/2) e^(−rd) I₀(rd) dr from 0 to ``radius``, to 1e-12.
    """
    radius, distance = np.broadcast_arrays(np.asarray(radius, dtype=float), np.asarray(distance, dtype=float))
    low = np.clip(distance - _REACH, 0.0, radius)
    high = np.minimum(radius, distance + _REACH)
    half = np.maximum(high - low, 0.0) / 2
    r = low[..., None] + half[..., None] * (1 + _NODES)
    d = distance[..., None]
    density = r * np.exp(-0.5 * (r - d) ** 2) * _scaled_i0(r * d)
    return np.asarray(np.clip((density * _WEIGHTS).sum(-1) * half, 0.0, 1.0))


def _scaled_i0(z: Array) -> Array:
    """e^(−z) I₀(z) for z ≥ 0; Abramowitz and Stegun 9.7.1 where e^z is out of range."""
    small = np.minimum(z, _LARGE)
    near = np.i0(small) * np.exp(-small)
    large = 8 * np.maximum(z, _LARGE)
    series = 1 + 1 / large * (1 + 9 / (2 * large) * (1 + 25 / (3 * large) * (1 + 49 / (4 * large))))
    return np.where(z > _LARGE, series / np.sqrt(2 * math.pi * np.maximum(z, _LARGE)), near)

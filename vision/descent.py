"""The least cost of a few unknowns, found by Levenberg–Marquardt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision.card import Floats

_MOST_DAMPING = 1e4


@dataclass(frozen=True)
class Search:
    """How far a search goes: steps at most, the change of one unknown in a step at most, and the gain below
    which it ends, absolute and as a share of the cost. `floor` is added to the second derivatives that are
    damped, for unknowns that change nothing.
    """

    steps: int
    longest_step: float
    least_gain: float = 0.0
    least_share: float = 0.0
    floor: float = 0.0


def least_cost(
    search: Search,
    start: Floats,
    cost_of: Callable[[Floats], tuple[float, Floats]],
    slopes: Callable[[Floats, Floats], tuple[Floats, Floats]],
    bounded: Callable[[Floats], Floats] = lambda params: params,
) -> tuple[float, Floats]:
    """Return the least cost near a start (k,), and the unknowns there.

    `cost_of` returns the cost of unknowns and their residuals. `slopes` returns, for unknowns and their
    residuals, half the second derivatives (k, k) of the cost, nearly, and half the first ones (k,). `bounded`
    returns unknowns within their limits.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the second derivatives have no inverse.
    """
    params, damp, (cost, rest) = start, 1e-2, cost_of(start)
    for _ in range(search.steps):
        matrix, gradient = slopes(params, rest)
        gain = -1.0
        while gain < 0 and damp < _MOST_DAMPING:
            step = -np.linalg.solve(matrix + damp * np.diag(np.diag(matrix) + search.floor), gradient)
            tried = bounded(params + np.clip(step, -search.longest_step, search.longest_step))
            new_cost, new_rest = cost_of(tried)
            gain = cost - new_cost
            damp *= 6 if gain < 0 else 1 / 6
        if gain >= 0:
            params, cost, rest = tried, new_cost, new_rest
        if gain < search.least_gain + search.least_share * cost:
            break
    return cost, params

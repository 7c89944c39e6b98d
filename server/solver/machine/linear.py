"""Weighted linear least squares."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def weighted_least_squares(
    design: ArrayLike, observed: ArrayLike, sigma: ArrayLike
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Estimate and covariance of x in ``observed ≈ design @ x``, each observation with its own sigma.

    design : (n, p); observed : (n,); sigma : (n,) or a number, standard uncertainties.
    Returns (p,) and (p, p). LinAlgError where the design does not determine x.
    Source: JCGM 100:2008 (GUM) H.3; solved by QR, which does not square the condition number.
    """
    weight = 1.0 / np.broadcast_to(np.asarray(sigma, dtype=float), np.shape(observed))
    q, r = np.linalg.qr(np.asarray(design, dtype=float) * weight[:, None])
    if np.abs(np.diag(r)).min() <= 1e-13 * np.abs(np.diag(r)).max():
        raise np.linalg.LinAlgError("the readings do not determine the estimate")
    estimate = np.linalg.solve(r, q.T @ (np.asarray(observed, dtype=float) * weight))
    root = np.linalg.solve(r, np.eye(r.shape[0]))
    return estimate, root @ root.T

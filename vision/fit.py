"""A small parametric fit of one mark: disc with a soft edge on a sloping background.

The profile is f(q) = (1 + exp(-m)) / (1 + exp(q - m)) with q a positive quadratic form of the distance from
the centre. For large m it is a flat disc with a soft edge, for m → -∞ it is exactly a Gaussian exp(-q): one
family, and the data choose. Least squares in nine or eleven parameters by Levenberg–Marquardt (Marquardt
1963); see docs/reading.md for why a fit and not a moment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.card import Floats

_M_LOW, _M_HIGH = -6.0, 60.0
_ROUND, _OVAL = 4, 6  # nonlinear parameters: cx cy a m, or cx cy a b c m


@dataclass(frozen=True)
class Spot:
    """A fitted mark: centre, shape matrix of q (2, 2), flatness m, height, background plane.

    `covariance` (2, 2) of the centre holds for independent residuals; `rest` are the residuals, one per
    point.
    """

    centre: Floats
    form: Floats
    flatness: float
    height: float
    plane: Floats
    covariance: Floats
    rest: Floats
    noise: float
    influence: Floats

    def widths(self) -> tuple[float, float, float]:
        """Second-moment full widths (long, short) and direction of the long axis in radians (ISO 11146-1)."""
        values, vectors = np.linalg.eigh(self.form)
        second = _moment_ratio(self.flatness) / (2 * np.maximum(values, 1e-9))
        axis = vectors[:, 0]
        return (
            float(4 * np.sqrt(second[0])),
            float(4 * np.sqrt(second[1])),
            float(np.arctan2(axis[1], axis[0])),
        )

    def relative_radius(self, x: Floats, y: Floats) -> Floats:
        """Distance from the centre as a share of the distance at half height, at points."""
        d = np.stack([x - self.centre[0], y - self.centre[1]])
        half = self.flatness + np.log1p(2 * np.exp(-self.flatness))
        return np.asarray(np.sqrt(np.einsum("i...,ij,j...->...", d, self.form, d) / half))

    def profile(self, x: Floats, y: Floats) -> Floats:
        """Fraction of the height, 0 … 1, at points."""
        d = np.stack([x - self.centre[0], y - self.centre[1]])
        return _profile(np.einsum("i...,ij,j...->...", d, self.form, d), self.flatness)[0]


def fit_spot(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    centre: tuple[float, float],
    radius: float,
    weight: Floats | None = None,
    oval: bool = False,
    start: Spot | None = None,
    rounds: int = 25,
) -> Spot:
    """Fit one mark to values z at points x, y (flat arrays) from a rough centre and radius; returns the
    best `Spot`.
    """
    w = np.ones_like(z) if weight is None else weight
    params = _from_spot(start, oval) if start is not None else _first_guess(x, y, z, w, centre, radius, oval)
    params, system = _descend(params, x, y, z, w, oval, rounds)
    return _spot(params, x, y, z, w, oval, system)


def _first_guess(
    x: Floats, y: Floats, z: Floats, w: Floats, centre: tuple[float, float], radius: float, oval: bool
) -> Floats:
    m = 4.0
    a = np.sqrt(m) / radius
    shape = [a, 0.0, a] if oval else [a]
    params = np.array([*centre, *shape, m, 1.0, 0.0, 0.0, 0.0])
    return _with_linear(params, x, y, z, w, oval)


def _with_linear(params: Floats, x: Floats, y: Floats, z: Floats, w: Floats, oval: bool) -> Floats:
    """Solve the four parameters that enter linearly: height and plane."""
    form, _ = _model(params, x, y, oval)
    basis = np.stack([form, np.ones_like(x), x - params[0], y - params[1]])
    weighted = basis * w
    params[-4:] = np.linalg.solve(weighted @ basis.T + 1e-9 * np.eye(4), weighted @ z)
    return params


def _from_spot(spot: Spot, oval: bool) -> Floats:
    if oval:
        factor = np.linalg.cholesky(spot.form).T
        shape = [factor[0, 0], factor[0, 1], factor[1, 1]]
    else:
        shape = [float(np.sqrt(np.sqrt(np.linalg.det(spot.form))))]
    return np.array([*spot.centre, *shape, spot.flatness, spot.height, *spot.plane])


def _profile(q: Floats, m: float) -> tuple[Floats, Floats]:
    """The profile and the Fermi factor 1 / (1 + exp(q - m))."""
    fermi = 1 / (1 + np.exp(np.minimum(q - m, 60.0)))
    return np.asarray((1 + np.exp(-m)) * fermi), fermi


def _model(
    params: Floats, x: Floats, y: Floats, oval: bool, *, derive: bool = False
) -> tuple[Floats, Floats]:
    """The profile and, if asked, its derivatives by the nonlinear parameters: (n,), (k, n)."""
    dx, dy = x - params[0], y - params[1]
    a, b, c, m = (*params[2:5], params[5]) if oval else (params[2], 0.0, params[2], params[3])
    p, r = (a * dx + b * dy, c * dy) if oval else (a * dx, a * dy)
    form, fermi = _profile(p * p + r * r, m)
    if not derive:
        return form, form
    by_q = form * (fermi - 1)
    by_m = fermi * (1 - fermi) * (1 + np.exp(-m)) - np.exp(-m) * fermi
    p2, r2 = 2 * p * by_q, 2 * r * by_q
    if oval:
        return form, np.stack([-a * p2, -b * p2 - c * r2, dx * p2, dy * p2, dy * r2, by_m])
    return form, np.stack([-a * p2, -a * r2, dx * p2 + dy * r2, by_m])


def _residual(params: Floats, form: Floats, x: Floats, y: Floats, z: Floats) -> Floats:
    height, level, slope_x, slope_y = params[-4:]
    return np.asarray(z - height * form - level - slope_x * (x - params[0]) - slope_y * (y - params[1]))


def _descend(
    params: Floats, x: Floats, y: Floats, z: Floats, w: Floats, oval: bool, rounds: int
) -> tuple[Floats, Floats]:
    """Levenberg–Marquardt; returns the parameters and the undamped normal matrix at the end."""
    damp = 1e-3
    form, slopes = _model(params, x, y, oval, derive=True)
    rest = _residual(params, form, x, y, z)
    cost = float(w @ (rest * rest))
    for _ in range(rounds):
        jacobian = _jacobian(params, form, slopes, x, y)
        weighted = jacobian * w
        matrix = weighted @ jacobian.T
        gradient = weighted @ rest
        while True:
            step = np.linalg.solve(matrix + damp * np.diag(np.diag(matrix) + 1e-12), gradient)
            tried = _bounded(params + step, oval)
            new_form, new_slopes = _model(tried, x, y, oval, derive=True)
            new_rest = _residual(tried, new_form, x, y, z)
            new_cost = float(w @ (new_rest * new_rest))
            if new_cost <= cost or damp > 1e6:
                break
            damp *= 8
        done = cost - new_cost <= 1e-7 * cost
        if new_cost <= cost:
            params, form, slopes, rest, cost = tried, new_form, new_slopes, new_rest, new_cost
        damp = max(damp / 8, 1e-7)
        if done or damp > 1e5:
            break
    jacobian = _jacobian(params, form, slopes, x, y)
    return params, (jacobian * w) @ jacobian.T


def _jacobian(params: Floats, form: Floats, slopes: Floats, x: Floats, y: Floats) -> Floats:
    """Derivatives (k + 4, n) of the model by all parameters; the plane's own are taken about the centre."""
    linear = np.stack([form, np.ones_like(x), x - params[0], y - params[1]])
    return np.vstack([params[-4] * slopes, linear])


def _bounded(params: Floats, oval: bool) -> Floats:
    at = _OVAL - 1 if oval else _ROUND - 1
    params[at] = min(max(params[at], _M_LOW), _M_HIGH)
    return params


def _spot(params: Floats, x: Floats, y: Floats, z: Floats, w: Floats, oval: bool, system: Floats) -> Spot:
    form, slopes = _model(params, x, y, oval, derive=True)
    rest = _residual(params, form, x, y, z)
    freedom = max(float(w.sum()) - len(params), 1.0)
    noise = float(np.sqrt(w @ (rest * rest) / freedom))
    inverse = np.linalg.pinv(system)
    influence = inverse[:2] @ (_jacobian(params, form, slopes, x, y) * w)
    a, b, c = params[2:5] if oval else (params[2], 0.0, params[2])
    factor = np.array([(a, b), (0.0, c)])
    return Spot(
        centre=params[:2].copy(),
        form=factor.T @ factor,
        flatness=float(params[5 if oval else 3]),
        height=float(params[-4]),
        plane=params[-3:].copy(),
        covariance=np.asarray(inverse[:2, :2] * noise**2, dtype=float),
        rest=rest,
        noise=noise,
        influence=influence,
    )


def _moment_ratio(m: float) -> float:
    """Fermi integrals F₁(m) / F₀(m): 1 for a Gaussian, m/2 for a flat disc."""
    t = np.linspace(0, max(m, 0) + 40, 2001)
    fermi = 1 / (1 + np.exp(np.minimum(t - m, 60)))
    return float((t * fermi).sum() / (fermi.sum() - fermi[0] / 2))

"""A small parametric fit of one mark: disc with a soft edge on a sloping background.

The profile is f(q) = (1 + exp(-m)) / (1 + exp(q - m)) with q a positive quadratic form of the distance from
the centre. For large m it is a flat disc with a soft edge, for m → -∞ it is exactly a Gaussian exp(-q): one
family, and the data choose m. Least squares in nine or eleven parameters by Levenberg–Marquardt (Marquardt
1963); see docs/reading.md for why a fit and not a moment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.card import Floats

_M_LOW, _M_HIGH = -4.0, 60.0
_DISC_START, _BELL_START = 4.0, -4.0
_ENOUGH = 3e-3  # gain in squared residual noise below which another step changes nothing that matters


@dataclass(frozen=True)
class Spot:
    """A fitted mark: centre, shape matrix of q (2, 2), flatness m, height, background plane.

    `covariance` (2, 2) of the centre holds for independent residuals; `rest` (n,) are the residuals.
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

    def edge_mm(self) -> float:
        """How wide the edge is from 80 to 20 % of the height, on the mean of both axes."""
        at = [self.flatness + np.log((1 + np.exp(-self.flatness)) / share - 1) for share in (0.8, 0.2)]
        inner, outer = np.sqrt(np.maximum(at, 0.0))
        return float((outer - inner) * np.linalg.det(self.form) ** -0.25)

    def radius(self) -> float:
        """Mean radius at half height."""
        half = self.flatness + np.log1p(2 * np.exp(-self.flatness))
        return float(np.sqrt(half) * np.linalg.det(self.form) ** -0.25)

    def relative_radius(self, x: Floats, y: Floats) -> Floats:
        """Distance from the centre as a share of the distance at half height, at points."""
        d = np.stack([x - self.centre[0], y - self.centre[1]])
        half = self.flatness + np.log1p(2 * np.exp(-self.flatness))
        return np.asarray(np.sqrt(np.einsum("i...,ij,j...->...", d, self.form, d) / half))

    def profile(self, x: Floats, y: Floats) -> Floats:
        """Fraction of the height, 0 … 1, at points."""
        d = np.stack([x - self.centre[0], y - self.centre[1]])
        return _profile(np.einsum("i...,ij,j...->...", d, self.form, d), self.flatness)[0]


@dataclass(frozen=True, eq=False)
class Ground:
    """What lies under a mark: how much of its height shows at each point (n,), None for all of it, and rows
    (k, n) that also explain the values, each with a ridge that keeps its coefficient small.
    """

    visible: Floats | None = None
    rows: Floats | None = None
    ridge: Floats | None = None

    @property
    def count(self) -> int:
        """Number of rows."""
        return 0 if self.rows is None else len(self.rows)

    def with_rows(self, rows: Floats, ridge: Floats) -> Ground:
        """The same with more rows, each with its ridge."""
        if self.rows is None or self.ridge is None:
            return Ground(self.visible, rows, ridge)
        return Ground(self.visible, np.vstack([self.rows, rows]), np.r_[self.ridge, ridge])


def fit_spot(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    centre: tuple[float, float],
    radius: float,
    weight: Floats | None = None,
    flatness: float = _DISC_START,
    oval: bool = False,
    start: Spot | None = None,
    rounds: int = 25,
    ground: Ground | None = None,
) -> Spot:
    """Fit one mark to values z at points x, y (flat arrays) from a rough centre and radius; returns the
    best `Spot`. `ground` says what lies under and around it; None for plain tape.
    """
    ground = ground or Ground()
    problem = _Problem(x - centre[0], y - centre[1], z, weight, _Kind(oval), ground)
    params = problem.first_guess(radius, flatness)
    if start is not None:
        params[: problem.kind.linear + 4] = _from_spot(start, centre, oval)
    return _spot(problem, _descend(problem, params, rounds), centre)


def locate_spot(values: Floats) -> tuple[float, float]:
    """Return the centre (x, y) in px of the one spot in a crop (rows, cols), bright or dark."""
    return _pair(fit_crop(values).centre)


def fit_crop(values: Floats) -> Spot:
    """Fit the one spot of a crop (rows, cols) from moments alone; returns the `Spot` in px."""
    y, x = (axis.ravel() for axis in np.indices(values.shape, dtype=float))
    rim = np.r_[values[0], values[-1], values[1:-1, 0], values[1:-1, -1]]
    bare = values.ravel() - np.median(rim)
    bare = bare * np.sign(bare[np.argmax(np.abs(bare))])
    near = np.where(bare > bare.max() / 2, bare, 0.0)
    centre = (float(near @ x / near.sum()), float(near @ y / near.sum()))
    radius = max(float(np.sqrt(np.count_nonzero(near) / np.pi)), 1.0)
    pointed = np.count_nonzero(near > 0.75 * bare.max()) < 0.4 * np.count_nonzero(near)
    flatness = _BELL_START if pointed else _DISC_START
    return fit_spot(x, y, values.ravel().astype(float), centre=centre, radius=radius, flatness=flatness)


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


class _Kind:
    """Which parameter stands where: centre; shape a (round) or a, b, c (oval); flatness; height, plane."""

    def __init__(self, oval: bool) -> None:
        self.oval = oval
        self.flatness = 5 if oval else 3
        self.linear = self.flatness + 1
        self.count = self.linear + 4

    def shape(self, params: Floats) -> tuple[float, float, float]:
        """q = (a dx + b dy)² + (c dy)²."""
        if self.oval:
            return float(params[2]), float(params[3]), float(params[4])
        return float(params[2]), 0.0, float(params[2])


@dataclass(frozen=True)
class _Problem:
    """Values z at points x, y (about the rough centre) and their weights; None for all alike."""

    x: Floats
    y: Floats
    z: Floats
    weight: Floats | None
    kind: _Kind
    ground: Ground

    def first_guess(self, radius: float, flatness: float) -> Floats:
        """Parameters from a rough radius; the four linear ones are solved for."""
        a = 1.0 / radius if flatness < 0 else np.sqrt(flatness) / radius
        shape = [a, 0.0, a] if self.kind.oval else [a]
        params = np.array([0.0, 0.0, *shape, flatness, *np.zeros(4 + self.ground.count)])
        basis = self.basis(params)[self.kind.linear :]
        weighted = self.weighted(basis)
        matrix = weighted @ basis.T + 1e-9 * np.eye(len(basis)) + np.diag(self.ridge()[self.kind.linear :])
        params[self.kind.linear :] = np.linalg.solve(matrix, weighted @ self.z)
        return params

    def ridge(self) -> Floats:
        """Ridge of each parameter: zero except for the ground's rows."""
        ridge = np.zeros(self.kind.count + self.ground.count)
        if self.ground.ridge is not None:
            ridge[self.kind.count :] = self.ground.ridge
        return ridge

    def cost(self, params: Floats, rest: Floats) -> float:
        """Weighted squares of the residuals and of what the ridge holds."""
        return float(self.weighted(rest) @ rest + self.ridge() @ params**2)

    def basis(self, params: Floats) -> Floats:
        """Derivatives (parameters, n) of the model; the nonlinear ones are per unit of height."""
        kind, m = self.kind, float(params[self.kind.flatness])
        a, b, c = kind.shape(params)
        dx, dy = self.x - params[0], self.y - params[1]
        p, r = (a * dx + b * dy, c * dy) if kind.oval else (a * dx, a * dy)
        form, fermi = _profile(p * p + r * r, m)
        rows = np.empty((kind.count + self.ground.count, len(dx)))
        by_q = form * (fermi - 1)
        p *= 2 * by_q
        r *= 2 * by_q
        rows[0] = -a * p
        if kind.oval:
            rows[1], rows[2], rows[3], rows[4] = -b * p - c * r, dx * p, dy * p, dy * r
        else:
            rows[1], rows[2] = -a * r, dx * p + dy * r
        rows[kind.flatness] = -by_q - np.exp(-m) * fermi
        at = kind.linear
        rows[at], rows[at + 1], rows[at + 2], rows[at + 3] = form, 1.0, self.x, self.y
        if self.ground.visible is not None:
            rows[: at + 1] *= self.ground.visible
        if self.ground.rows is not None:
            rows[kind.count :] = self.ground.rows
        return rows

    def rest(self, params: Floats, basis: Floats) -> Floats:
        """Residuals (n,)."""
        return np.asarray(self.z - params[self.kind.linear :] @ basis[self.kind.linear :])

    def weighted(self, rows: Floats) -> Floats:
        """Rows times the weights."""
        return rows if self.weight is None else rows * self.weight

    def scale(self, params: Floats) -> Floats:
        """Factors that turn rows of `basis` into derivatives: the height; 1 for the linear parameters."""
        linear = self.kind.linear
        return np.asarray(np.r_[np.full(linear, params[linear]), np.ones(4 + self.ground.count)])


def _from_spot(spot: Spot, about: tuple[float, float], oval: bool) -> Floats:
    if oval:
        factor = np.linalg.cholesky(spot.form).T
        shape = [factor[0, 0], factor[0, 1], factor[1, 1]]
    else:
        shape = [float(np.sqrt(np.sqrt(np.linalg.det(spot.form))))]
    away = spot.centre - about
    level = spot.plane[0] - spot.plane[1:] @ away
    return np.array([*away, *shape, spot.flatness, spot.height, level, *spot.plane[1:]])


def _profile(q: Floats, m: float) -> tuple[Floats, Floats]:
    """The profile and the Fermi factor 1 / (1 + exp(q - m))."""
    fermi = 1 / (1 + np.exp(np.minimum(q - m, 60.0)))
    return np.asarray((1 + np.exp(-m)) * fermi), fermi


def _descend(problem: _Problem, params: Floats, rounds: int) -> Floats:
    """Levenberg–Marquardt."""
    damp = 1e-3
    basis = problem.basis(params)
    rest = problem.rest(params, basis)
    cost = problem.cost(params, rest)
    for _ in range(rounds):
        matrix, gradient = _normal_equations(problem, params, basis, rest)
        gain = -1.0
        while gain < 0 and damp < 1e6:
            step = np.linalg.solve(matrix + damp * np.diag(np.diag(matrix) + 1e-12), gradient)
            tried = _bounded(params + step, problem.kind)
            new_basis = problem.basis(tried)
            new_rest = problem.rest(tried, new_basis)
            gain = cost - problem.cost(tried, new_rest)
            damp *= 8 if gain < 0 else 1 / 8
        if gain >= 0:
            params, basis, rest, cost = tried, new_basis, new_rest, cost - gain
        if gain <= _ENOUGH * cost / len(rest):
            break
        damp = max(damp, 1e-7)
    return params


def _normal_equations(
    problem: _Problem, params: Floats, basis: Floats, rest: Floats
) -> tuple[Floats, Floats]:
    """Matrix and right side; a flatness about to leave its bounds is held, or it distorts the whole step."""
    scale = problem.scale(params)
    weighted = problem.weighted(basis)
    ridge = problem.ridge()
    matrix = (weighted @ basis.T) * np.outer(scale, scale) + np.diag(ridge)
    gradient = (weighted @ rest) * scale - ridge * params
    at = problem.kind.flatness
    low, high = params[at] <= _M_LOW, params[at] >= _M_HIGH
    if (low and gradient[at] < 0) or (high and gradient[at] > 0):
        matrix[at], matrix[:, at], gradient[at] = 0.0, 0.0, 0.0
        matrix[at, at] = 1.0
    return matrix, gradient


def _bounded(params: Floats, kind: _Kind) -> Floats:
    params[kind.flatness] = min(max(params[kind.flatness], _M_LOW), _M_HIGH)
    return params


def _spot(problem: _Problem, params: Floats, about: tuple[float, float]) -> Spot:
    """Put the parameters, about the rough centre, into a `Spot`."""
    basis = problem.basis(params)
    rest = problem.rest(params, basis)
    count = float(len(rest) if problem.weight is None else problem.weight.sum())
    noise = float(np.sqrt(problem.weighted(rest) @ rest / max(count - len(params), 1.0)))
    matrix, _ = _normal_equations(problem, params, basis, rest)
    inverse = np.linalg.pinv(matrix)
    a, b, c = problem.kind.shape(params)
    factor = np.array([(a, b), (0.0, c)])
    at = problem.kind.linear
    level = params[at + 1] + params[at + 2 : at + 4] @ params[:2]
    return Spot(
        centre=params[:2] + about,
        form=factor.T @ factor,
        flatness=float(params[problem.kind.flatness]),
        height=float(params[at]),
        plane=np.array([level, *params[at + 2 : at + 4]]),
        covariance=np.asarray(inverse[:2, :2] * noise**2, dtype=float),
        rest=rest,
        noise=noise,
        influence=(inverse[:2] * problem.scale(params)) @ problem.weighted(basis),
    )


def _moment_ratio(m: float) -> float:
    """Fermi integrals F₁(m) / F₀(m): 1 for a Gaussian, m/2 for a flat disc."""
    t = np.linspace(0, max(m, 0) + 40, 2001)
    fermi = 1 / (1 + np.exp(np.minimum(t - m, 60)))
    return float((t * fermi).sum() / (fermi.sum() - fermi[0] / 2))

"""How far a rough edge moves the centre of a mark, estimated from the harmonics of the edge.

A shift of the centre is the first harmonic of the edge around the mark, and the fit has removed it. So its
size is estimated from the second harmonic, which an oval also causes, and from the higher ones. An edge lies
where a random field, correlated over some length, crosses a level, so harmonic k has the variance
a·exp(-c) I_k(c), with c = 1/(2 w) and w the square of that length over the radius (the Fourier series of
exp(c cos t); for small w it is proportional to exp(-w k²)). Finer roughness adds the same to every harmonic,
and so does the pixels' noise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.card import Floats
from vision.fit import Spot

HARMONICS = np.arange(2, 16)
_SCALE = slice(1, 6)  # the third to the seventh set the scale of the strengths
# Tries of w, each with its share of a flat prior (fine steps at short lengths matter), of strengths and of
# the finer roughness, both relative to what the harmonics show.
_STEPS = np.linspace(0, 1, 22)[1:]
_WAVES = _STEPS**2
_STRENGTHS = np.geomspace(0.05, 1000.0, 16)
_FINER = np.array((0.0, 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0))
_OVALS = np.geomspace(0.003, 0.3, 4)  # of the radius: what the beam's own oval may be
_LARGEST = 0.12  # of the radius: a first harmonic is seldom larger, our estimate


def _fourier(order: NDArray[np.int_]) -> Floats:
    """Variance of harmonics of an edge for each of `_WAVES`, (waves, orders); the first has exp(-w)."""
    turn = np.linspace(0, 2 * np.pi, 256, endpoint=False)
    edge = np.exp((np.cos(turn) - 1) / (2 * _WAVES[:, None]))
    size = np.maximum(edge @ np.cos(np.outer(turn, np.r_[1, order])), 1e-12)
    return np.asarray(size[:, 1:] / size[:, :1] * np.exp(-_WAVES)[:, None])


_SHAPES = _fourier(HARMONICS)
_FIRST = np.exp(-_WAVES)


def harmonics(spot: Spot, angle: Floats) -> tuple[Floats, float]:
    """Return the variance of the centre per axis that each of `HARMONICS` would cause if it were the first,
    and the part of it that is the pixels' noise; `angle` (n,) is each point's direction from the centre.
    """
    pull = spot.influence[0] * np.cos(angle) + spot.influence[1] * np.sin(angle)
    waves = np.exp(1j * np.outer(HARMONICS, angle)) @ (pull * spot.rest)
    long_mm, short_mm, axis = spot.widths()
    waves[0] += spot.radius() * (long_mm - short_mm) / (long_mm + short_mm) * np.exp(2j * axis)
    counted = spot.rest[np.abs(pull) > 0]
    noise = 1.4826 * float(np.median(np.abs(counted))) if counted.size else 0.0
    return np.asarray(np.abs(waves) ** 2 / 2), noise**2 * float(pull @ pull) / 2


def first_harmonic(power: Floats, noise: float, radius: float) -> float:
    """Return the expected variance of the first harmonic around an edge, given those of `HARMONICS` (`power`,
    each half of its squared size), the part `noise` of each that is the pixels', and the mark's radius.

    The prior is flat in w up to 1, in log a, and in the logarithm of the beam's oval; it limits the first
    harmonic to a share of the radius. The result is the posterior mean.
    """
    scale = max(float(power[_SCALE].mean()), 1e-12)
    rough = scale * _STRENGTHS[:, None, None]
    other = scale * _FINER + noise
    first = rough * _FIRST[:, None] + other
    variance = rough[..., None] * _SHAPES[:, None, 1:] + other[:, None]
    likely = -(np.log(variance) + power[1:] / variance).sum(axis=-1) - first / (_LARGEST * radius) ** 2
    second = (rough * _SHAPES[:, :1] + other)[..., None] + (_OVALS * radius) ** 2 / 2
    share = np.exp(likely - likely.max()) * (np.exp(-power[0] / second) / second).mean(axis=-1)
    share *= _STEPS[:, None]
    return float((share * first).sum() / share.sum())

"""What a Gaussian beam loses at an aperture, and how it grows on its way."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.solver.machine.profile import Profile
from server.solver.machine.special import disc_probability

SHEET_MM, LEAN_MM = 6.0, 0.2  # thickness; the most that its cut may lean (common practice, no source)


def passed_fraction(
    offset_mm: ArrayLike, aperture_diameter_mm: ArrayLike, beam_diameter_mm: ArrayLike
) -> NDArray[Any]:
    """Fraction (0–1) of a Gaussian beam's power that passes a round aperture off its axis by ``offset_mm``.

    The intensity exp(−2r²/w²) is a normal distribution of sigma w/2 on each axis, so the squared distance
    from the aperture's centre over sigma² is noncentral chi-square with two degrees of freedom (1 − Marcum
    Q₁).
    """
    sigma = np.asarray(beam_diameter_mm, dtype=float) / 4.0
    radius = np.asarray(aperture_diameter_mm, dtype=float) / 2.0 / sigma
    offset = np.abs(np.asarray(offset_mm, dtype=float)) / sigma
    return disc_probability(radius, offset)


def percent(fraction: float) -> str:
    """Return a fraction of power as a person reads it, without the sign: '87', '99.4', '> 99.9'.

    A Gaussian beam has no edge, so no aperture passes all of it: 100 is never said.
    """
    if fraction >= 0.9995:
        return "> 99.9"
    return f"{100 * fraction:.1f}" if fraction >= 0.985 else f"{100 * fraction:.0f}"


def beam_diameter(profile: Profile, distance_mm: ArrayLike) -> NDArray[Any]:
    """1/e² diameter (mm) at a distance (mm) behind mirror 1: D(L)² = D₁² + (θL)² (ISO 11146-1)."""
    spread = profile.beam.divergence_mrad * 1e-3 * np.asarray(distance_mm, dtype=float)
    return np.sqrt(profile.beam.diameter_mm**2 + spread**2)


def focus_shift(profile: Profile, distance_mm: ArrayLike) -> NDArray[Any]:
    """How far (mm) beyond its focal length a lens has its waist: (s − f) f² / ((s − f)² + z²).

    s is the lens's distance behind mirror 1, where the beam has its own waist; z = D₁/θ is the Rayleigh
    length. Zero where no divergence is known.
    Source: Self, Focusing of spherical Gaussian beams, Applied Optics 22 (1983) 658.
    """
    s, f = np.asarray(distance_mm, dtype=float), profile.path.lens_focal_mm
    if profile.beam.divergence_mrad == 0:
        return np.zeros_like(s)
    z = profile.beam.diameter_mm / (1e-3 * profile.beam.divergence_mrad)
    return np.asarray((s - f) * f**2 / ((s - f) ** 2 + z**2))


def spot_diameter(profile: Profile, diameter_at_lens_mm: ArrayLike) -> NDArray[Any]:
    """1/e² diameter (mm) of the focus, 4M²λf/(πD), M² taken from the profile's divergence.

    A divergence of 0 in the profile means that it was not measured: M² = 1.
    """
    beam, pi = profile.beam, np.pi
    quality = max(1.0, beam.divergence_mrad * pi * beam.diameter_mm / (4.0 * beam.wavelength_um))
    scale = 4.0 * quality * beam.wavelength_um * 1e-3 * profile.path.lens_focal_mm / pi
    return np.asarray(scale / np.asarray(diameter_at_lens_mm, dtype=float))

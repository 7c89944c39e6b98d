"""From the beam's axis to the burn: the beam's width at a card, and what the apertures clip."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.practice.burn import Burn, Circle
from server.solver.machine.profile import Point, Profile
from server.solver.machine.trace import Rays, frames

__all__ = ["beam_mm", "burn_at", "clips_at"]

CARD_HALF_MM = 20.0  # beyond this a beam has missed the card (docs/alignment-document.md: no-mark)
_PEAK, _PEAK_NOZZLE, _PEAK_SPREAD = 2.6, 7.0, 0.06


def beam_mm(profile: Profile, plane: int, head_mm: Point) -> float:
    """Return the beam's 1/e² diameter at mirrors 1–3 (planes 0–2), lens (3) and nozzle tip (4).

    D(L)² = D₁² + (θL)², the waist at mirror 1; behind the lens the same hyperbola around the focus.
    Both are the Gaussian beam of ISO 11146-1.
    """
    path, beam = profile.path, profile.beam
    across = head_mm[0] if path.corner == "back-left" else profile.bed.width_mm - head_mm[0]
    to_2 = path.mirror_1_to_2_mm[0] + profile.bed.depth_mm - head_mm[1]
    to_3 = to_2 + path.mirror_2_to_3_mm[0] + across
    to_lens = to_3 + path.mirror_3_to_lens_mm
    length_mm = (0.0, to_2, to_3, to_lens, to_lens)[plane]
    diameter = math.hypot(beam.diameter_mm, beam.divergence_mrad * 1e-3 * length_mm)
    return diameter if plane < 4 else math.hypot(diameter * _cone(profile), _spot_mm(profile, diameter))


def burn_at(
    profile: Profile, rays: Rays, station: int, head_mm: Point, rng: np.random.Generator
) -> Burn | None:
    """Return the burn of one pulse at a station (index 0–3), or None if the beam misses the card."""
    offset = rays.offset_mm[station]
    peak = (_PEAK if station < 3 else _PEAK_NOZZLE) * (1 + rng.normal(0.0, _PEAK_SPREAD))
    seed = int(rng.integers(2**31))
    if np.abs(offset).max() > CARD_HALF_MM:
        return None
    width_mm = beam_mm(profile, station if station < 3 else 4, head_mm)
    where = (float(offset[0]), float(offset[1]))
    return Burn(where, width_mm, float(peak), clips_at(profile, rays, station, head_mm), seed)


def clips_at(profile: Profile, rays: Rays, station: int, head_mm: Point) -> tuple[Circle, ...]:
    """Return the shadow circles, in the station's card frame, of all apertures before its card.

    Geometric shadows: a point of the beam keeps its position relative to the axis, scaled by the beam's width
    and mirrored by each fold between aperture and card.
    """
    aperture = profile.aperture
    clear = (aperture.mirror_1_mm, aperture.mirror_2_mm, aperture.mirror_3_mm, aperture.lens_mm)
    hits = (*rays.offset_mm[:3], rays.lens_mm)
    card = station if station < 3 else 4
    before = range(station) if station < 3 else range(4)
    circles = [
        _shadow(profile, rays.offset_mm[station], hits[i], clear[i] / 2, i, card, head_mm) for i in before
    ]
    if station == 3:  # the card is held against the nozzle's tip
        circles.append(Circle((0.0, 0.0), aperture.nozzle_mm / 2))
    return tuple(circles)


def _shadow(
    profile: Profile,
    axis_mm: NDArray[Any],
    hit_mm: NDArray[Any],
    radius_mm: float,
    plane: int,
    card: int,
    head_mm: Point,
) -> Circle:
    scale = beam_mm(profile, card, head_mm) / beam_mm(profile, plane, head_mm)
    if card == 4:
        scale = math.copysign(scale, _cone(profile))  # beyond the focus the shadow is upside down
    centre = axis_mm - scale * (_fold(profile, min(plane, 3), min(card, 3)) @ hit_mm)
    return Circle((float(centre[0]), float(centre[1])), float(radius_mm * abs(scale)))


def _fold(profile: Profile, plane: int, card: int) -> NDArray[Any]:
    """Return the (2, 2) map of directions across the beam from one card frame to a later one."""
    frame = frames(profile.path.corner)
    images = np.stack([frame.u[plane], frame.v[plane]])
    for mirror in range(plane, card):
        normal = frame.normal[mirror]
        images = images - 2 * np.outer(images @ normal, normal)
    folded: NDArray[Any] = np.stack([images @ frame.u[card], images @ frame.v[card]])
    return folded


def _cone(profile: Profile) -> float:
    return 1 - profile.path.lens_to_nozzle_tip_mm / profile.path.lens_focal_mm


def _spot_mm(profile: Profile, diameter_mm: float) -> float:
    # Diffraction-limited waist of a focused Gaussian beam, 4 λ f / (π D).
    wavelength_mm = profile.beam.wavelength_um * 1e-3
    return 4 * wavelength_mm * profile.path.lens_focal_mm / (math.pi * diameter_mm)

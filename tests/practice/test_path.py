"""Beam widths and shadows against hand formulas and against the traced axis itself."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.practice import default_profile
from server.practice.path import beam_mm, burn_at, clips_at
from server.solver import Profile, State
from server.solver.machine.trace import Rays, trace_rays

CORNERS = ("back-left", "back-right")


def _steady(corner: Any) -> Profile:
    """A profile with a beam of constant width: its rays keep their distance from the axis."""
    profile = default_profile(corner)
    return replace(profile, beam=replace(profile.beam, divergence_mrad=0.0))


def _pushed(profile: Profile, move_mm: Any, head_mm: Any) -> Rays:
    """The traced ray that leaves the tube at this distance (Y, Z) from its axis."""
    state = State.nominal()
    return trace_rays(profile, replace(state, tube_mm=np.array([move_mm, move_mm])), head_mm)


def test_at_the_rayleigh_length_the_width_has_grown_by_root_two() -> None:
    # Siegman, Lasers (1986), ch. 17: w(z_R) = √2 w₀, z_R = π w₀²/λ, far-field half angle λ/(π w₀).
    profile = default_profile()
    wavelength, waist = 10.6e-3, 2.0
    theta_mrad = 2e3 * wavelength / (math.pi * waist)
    path = replace(profile.path, mirror_1_to_2_mm=(math.pi * waist**2 / wavelength, 9e3))
    beam = replace(profile.beam, diameter_mm=2 * waist, divergence_mrad=theta_mrad)
    profile = replace(profile, path=path, beam=beam)
    assert beam_mm(profile, 1, (0.0, 1000.0)) == pytest.approx(2 * waist * math.sqrt(2), rel=1e-9)


@pytest.mark.parametrize("corner", CORNERS)
def test_the_longest_path_is_at_the_front_far_side(corner: Any) -> None:
    profile = default_profile(corner)
    far_x = 1600.0 if corner == "back-left" else 0.0
    length_mm = 1120 + 1690
    assert beam_mm(profile, 2, (far_x, 0.0)) == pytest.approx(math.hypot(7.0, 2.2e-3 * length_mm))


def test_the_cone_behind_the_lens() -> None:
    profile = default_profile()
    at_lens, at_tip = (beam_mm(profile, plane, (800.0, 500.0)) for plane in (3, 4))
    cone = at_lens * (1 - 55 / 63.5)
    focus = 4 * 10.6e-3 * 63.5 / (math.pi * at_lens)
    assert at_tip == pytest.approx(math.hypot(cone, focus))


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("station", [1, 2, 3])
def test_a_ray_is_in_the_shadow_exactly_where_it_misses_an_aperture(corner: Any, station: int) -> None:
    """Rays beside the axis, traced separately: inside every circle on the card = through every aperture."""
    profile, head_mm, rng = _steady(corner), (700.0, 300.0), np.random.default_rng(7)
    if station == 3:  # the trace's point focus, no diffraction
        profile = replace(profile, beam=replace(profile.beam, wavelength_um=1e-9))
    axis = _pushed(profile, (6.0, -5.0), head_mm)
    circles = clips_at(profile, axis, station, head_mm)[:4]
    clear = np.array([12.5, 12.5, 12.5, 9.0])[: len(circles)]
    for move in rng.uniform(-16, 16, (200, 2)):
        ray = _pushed(profile, move, head_mm)
        hits = np.array([*ray.offset_mm[:3], ray.lens_mm])[: len(circles)]
        through = np.linalg.norm(hits, axis=1) < clear
        spot = ray.offset_mm[station]
        lit = [math.dist(spot, circle.centre_mm) < circle.radius_mm for circle in circles]
        assert lit == through.tolist()


def test_a_beam_beyond_20_mm_misses_the_card() -> None:
    profile, rng = default_profile(), np.random.default_rng(1)
    head_mm = (0.0, 1000.0)
    assert burn_at(profile, _pushed(profile, (0.0, 19.9), head_mm), 0, head_mm, rng) is not None
    assert burn_at(profile, _pushed(profile, (0.0, 20.1), head_mm), 0, head_mm, rng) is None

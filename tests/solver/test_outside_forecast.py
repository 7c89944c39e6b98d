"""What a cut gets, compared with the complex beam parameter and plain ray optics."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from server.solver import answer, parse_profile
from server.solver.decide.cost import aperture_power, worst_power
from server.solver.decide.forecast import focus_and_spot
from server.solver.estimate.samples import grid
from server.solver.machine.power import focus_shift
from server.solver.machine.trace import Rays
from tests.machines import draw_machine, offsets, profile

FIVE = ([0.0, 1000.0], [0.0, 0.0], [800.0, 500.0], [1600.0, 1000.0], [1600.0, 0.0])


@pytest.mark.parametrize("distance", [370.0, 1500.0, 2930.0])
def test_outside_the_focus_lies_where_the_complex_beam_parameter_has_its_waist(distance: float) -> None:
    """q' = (A q + B) / (C q + D) (Kogelnik and Li, Laser Beams and Resonators, Applied Optics 5, 1966): the
    waist behind the lens is where the real part of q vanishes."""
    given = parse_profile(profile("1600"))
    rayleigh = given.beam.diameter_mm / (given.beam.divergence_mrad * 1e-3)
    q = distance + 1j * rayleigh
    behind = q / (1 - q / given.path.lens_focal_mm)
    assert float(focus_shift(given, distance)) == pytest.approx(
        -behind.real - given.path.lens_focal_mm, rel=1e-9
    )


def test_outside_from_near_to_far_the_focus_moves_by_half_a_millimetre() -> None:
    """f = 63.5 mm, 7 mm waist, 2.2 mrad, path 0.4 … 3 m: worked by hand, 0.08 and 0.63 mm."""
    given = parse_profile(profile("1600"))
    focus, spot = focus_and_spot(given)
    assert focus.max() - focus.min() == pytest.approx(0.63 - 0.08, abs=0.03)
    assert focus[2] == 0.0 and spot.min() > 0.09


def told(document: dict[str, Any]) -> list[dict[str, Any]] | None:
    found: list[dict[str, Any]] | None = answer(document)["forecast"]
    return found


def test_the_forecast_is_null_until_known_and_then_agrees_with_the_truth() -> None:
    machine = draw_machine(3, severity="drifted", bed="1600", corner="back-left", fault=None)
    assert told(machine.document()) is None
    layout = machine.layout
    as_found = machine.now()
    forecast = None
    for _ in range(60):
        step = answer(machine.document())
        forecast = step["forecast"] or forecast
        if machine.obey(step) is None:
            break
    assert forecast is not None and [place["head_mm"] for place in forecast] == [list(h) for h in FIVE]
    for place in forecast:
        for name, state in (("found", as_found), ("now", machine.now())):
            seen = offsets(layout, state, np.array(place["head_mm"]))
            # From lens to tip the ray moves by tip times its slope behind the lens: the lean.
            lean = np.hypot(*(seen["nozzle"] - seen["lens"])) / layout.tip_mm * 6.0
            sigma = max(place[name]["lean_mm"]["sigma"], 0.02)
            assert place[name]["lean_mm"]["value"] == pytest.approx(lean, abs=4 * sigma)
        assert 0 <= place["found"]["power"]["value"] <= place["after"]["power"]["value"] + 0.01 <= 1.01


@pytest.mark.parametrize("name", ["1600", "600"])
def test_the_table_of_what_passes_agrees_with_the_integral(name: str) -> None:
    """Machines from well aligned to far off: to 1e-3 at every aperture and position."""
    given = parse_profile(profile(name))
    rng = np.random.default_rng(3)
    far = rng.uniform(0.0, 14.0, (60, 1, 1, 1))
    rays = Rays(
        far * rng.normal(size=(60, 12, 4, 2)), far[..., 0] * rng.normal(size=(60, 12, 2)), np.zeros(1)
    )
    quick = aperture_power(given, rays)
    for i in range(60):
        one = Rays(rays.offset_mm[[i]], rays.lens_mm[[i]], np.zeros(1))
        least, head = worst_power(given, one)
        assert least == pytest.approx(quick[i].min(), abs=1e-3)
        assert quick[i, grid(given)[: quick.shape[1]].index(head)] == pytest.approx(least, abs=1e-3)

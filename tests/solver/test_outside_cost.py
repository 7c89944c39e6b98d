"""Power, lean and spot of a cut, and why an alignment is not good enough, compared with plain sums.

Thin lenses: Hecht, Optics, ch. 6; Gaussian beams: ISO 11146-1, Siegman, Lasers, ch. 17. The map of mirror 3
is compared with a given polynomial.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from server.solver import parse_alignment, parse_profile
from server.solver.decide import cost
from server.solver.decide import forecast as felt
from server.solver.decide import verdict as judged
from server.solver.decide.situation import Choice, View, look
from server.solver.estimate import samples as o
from server.solver.events import Inspected, MarkSeen, Shift
from server.solver.machine.power import beam_diameter, passed_fraction, spot_diameter
from server.solver.machine.profile import Profile
from server.solver.machine.trace import Rays
from tests.machines import profile
from tests.solver.test_proof import straight

Array = NDArray[Any]
LASERS = [parse_profile(profile("1600", corner)) for corner in ("back-left", "back-right")]


@lru_cache
def seen() -> View:
    """A straight machine with a mark at every station."""
    return look(parse_alignment(straight().document()))


def beam_along(laser: Profile, head: tuple[float, float]) -> list[float]:
    """How far mirrors 1 to 3 and the lens are from mirror 1 with the head there, summed leg by leg."""
    path, bed = laser.path, laser.bed
    back = bed.depth_mm - head[1]
    across = head[0] if path.corner == "back-left" else bed.width_mm - head[0]
    first = path.mirror_1_to_2_mm[0] + back
    second = first + path.mirror_2_to_3_mm[0] + across
    return [0.0, first, second, second + path.mirror_3_to_lens_mm]


def openings(laser: Profile, head: tuple[float, float]) -> list[tuple[float, float]]:
    """(clear diameter, beam's diameter) at mirrors 1 to 3, lens and nozzle's tip."""
    a, wide = laser.aperture, [float(beam_diameter(laser, at)) for at in beam_along(laser, head)]
    left = abs(1 - laser.path.lens_to_nozzle_tip_mm / laser.path.lens_focal_mm)
    tip = float(np.hypot(wide[3] * left, spot_diameter(laser, wide[3])))
    return list(
        zip((a.mirror_1_mm, a.mirror_2_mm, a.mirror_3_mm, a.lens_mm, a.nozzle_mm), (*wide, tip), strict=True)
    )


def off_centre(seed: int, far_mm: float) -> Rays:
    rng = np.random.default_rng(seed)
    marks = rng.normal(0, far_mm, (4, 12, 4, 2))
    marks[:, :, 3] *= 0.1
    return Rays(marks, rng.normal(0, far_mm / 2, (4, 12, 2)), rng.normal(0, 1e-3, (4, 12, 4, 2)))


@pytest.mark.parametrize("laser", LASERS, ids=lambda laser: laser.path.corner)
@pytest.mark.parametrize("far_mm", [1.0, 4.0])
def test_what_passes_is_the_least_of_the_five_openings(laser: Profile, far_mm: float) -> None:
    rays, heads = off_centre(3, far_mm), o.grid(laser)
    np.testing.assert_allclose(cost.beam_path(laser), [beam_along(laser, head) for head in heads])
    expected = np.ones((4, 9))
    for i, j in np.ndindex(4, 9):
        marks = rays.offset_mm[i, j]
        places = (marks[0], marks[1], marks[2], rays.lens_mm[i, j], marks[3])
        for place, (clear, wide) in zip(places, openings(laser, heads[j]), strict=True):
            passes = float(passed_fraction(np.hypot(*place), clear, wide))
            expected[i, j] = np.minimum(expected[i, j], passes)
    np.testing.assert_allclose(cost.aperture_power(laser, rays), expected, atol=1e-3)
    for i in range(4):
        one = Rays(rays.offset_mm[i : i + 1], rays.lens_mm[i : i + 1], rays.slope[i : i + 1])
        power, at = cost.worst_power(laser, one)
        assert power == pytest.approx(expected[i].min()) and at == heads[int(np.argmin(expected[i]))]


@pytest.mark.parametrize("laser", LASERS, ids=lambda laser: laser.path.corner)
def test_the_focus_moves_with_the_way_to_the_lens_and_widens_the_spot(laser: Profile) -> None:
    f = laser.path.lens_focal_mm
    focus, spot = felt.focus_and_spot(laser)
    rayleigh = laser.beam.diameter_mm / (1e-3 * laser.beam.divergence_mrad)
    way = np.array([beam_along(laser, head)[3] for head in o.grid(laser)[:5]])
    lies = (way - f) * f**2 / ((way - f) ** 2 + rayleigh**2)
    np.testing.assert_allclose(focus, lies - lies[2])
    wide = beam_diameter(laser, way)
    np.testing.assert_allclose(spot, np.hypot(spot_diameter(laser, wide), wide * (lies - lies[2]) / f))
    assert focus[2] == 0.0 and np.ptp(focus) > 0


def test_what_a_cut_gets_is_told_with_its_mean_and_spread_at_each_position() -> None:
    view = seen()
    told = felt.forecast(view, Choice("done"))
    assert told is not None and [place.head_mm for place in told] == o.grid(view.profile)[:5]
    half = len(view.samples.x) // 2
    some = [*range(32), *range(half, half + 32)]
    rays = o.everywhere(view.profile, view.samples.x[some])
    power = cost.aperture_power(view.profile, rays)
    lean = rays.slope[:, :, 3] - rays.lens_mm / view.profile.path.lens_focal_mm
    for i, place in enumerate(told):
        assert place.now.power.value == pytest.approx(power[:, i].mean(), abs=1e-4)
        assert place.now.power.sigma == pytest.approx(power[:, i].std(), abs=1e-4)
        leans = 6 * np.hypot(*lean[:, i].T)
        assert place.now.lean_mm.value == pytest.approx(leans.mean(), abs=1e-4)
        assert place.now.lean_mm.sigma == pytest.approx(leans.std(), abs=1e-4)
        assert place.now == place.after == place.found  # nothing was moved, nothing will be
        assert place.now.focus_mm.sigma == place.now.spot_mm.sigma == 0.0


def test_a_step_changes_what_comes_after_it_and_a_repair_hides_what_was_before() -> None:
    view = seen()
    moved = felt.forecast(view, Choice("shift", event=Shift("tube", (0.0, 3.0, 0.0))))
    assert moved is not None and moved[4].after != moved[4].now == moved[4].found
    events = view.alignment.events
    repaired = replace(view, alignment=replace(view.alignment, events=(*events, Inspected("other", "fixed"))))
    repaired = replace(repaired, mixture=replace(view.mixture, repairs=(4,)))
    told = felt.forecast(repaired, Choice("done"))
    assert told is not None and all(place.found is None for place in told)
    looked = (*events, Inspected("other", "nothing-found"))
    told = felt.forecast(replace(view, alignment=replace(view.alignment, events=looked)), Choice("done"))
    assert told is not None and told[0].found is not None


def test_what_was_moved_is_taken_back_for_what_was_found() -> None:
    view = seen()
    events = (*view.alignment.events, Shift("tube", (0.0, 3.0, 0.0)))
    told = felt.forecast(replace(view, alignment=replace(view.alignment, events=events)), Choice("done"))
    moved = felt.forecast(view, Choice("shift", event=Shift("tube", (0.0, -3.0, 0.0))))
    assert told is not None and moved is not None
    for found, after in zip(told, moved, strict=True):  # the same move backwards, with other hand errors
        assert found.found is not None
        assert found.found.power.value == pytest.approx(after.after.power.value, abs=0.03)


@pytest.mark.parametrize("station", ["mirror-1", "mirror-2", "mirror-3", "nozzle"])
def test_nothing_is_told_or_judged_before_each_station_has_shown_a_mark(station: str) -> None:
    view = seen()
    events = tuple(e for e in view.alignment.events if not (isinstance(e, MarkSeen) and e.station == station))
    blind = replace(view, alignment=replace(view.alignment, events=events))
    assert felt.forecast(blind, Choice("done")) is None
    assert judged.verdict(blind, aligned=False) is None


def spoiled(key: str, by: float) -> View:
    """The view whose best machine has one of the verdict's numbers at so many times its tolerance."""
    view, t = seen(), seen().profile.tolerance
    rays = Rays(
        *(np.zeros((1, *a.shape[1:])) for a in (view.rays.offset_mm, view.rays.lens_mm, view.rays.slope))
    )
    match key.partition("-"):
        case ("centre", _, station):
            rays.offset_mm[:, :, int(station) - 1, 0] = by * t.centre_mm
        case ("overlap", _, station):
            rays.offset_mm[:, [1, 4], int(station) - 1, 1] = 0.5 * by * t.overlap_mm
            rays.offset_mm[:, [0, 3], int(station) - 1, 1] = -0.5 * by * t.overlap_mm
        case ("nozzle", *_):
            rays.offset_mm[:, 3, 3, 1] = by * t.nozzle_mm
        case ("lens", *_):
            rays.lens_mm[:, 5, 0] = by * t.lens_mm
            rays.slope[:, :, 3] = rays.lens_mm / view.profile.path.lens_focal_mm  # so that no cut leans
        case _:
            rays.slope[:, 2, 3, 0] = by * 0.2 / 6
    return replace(view, best=rays)


@pytest.mark.parametrize(
    ("key", "tells"),
    [
        ("centre-1", "at mirror 1 are {0} mm off"),
        ("centre-2", "at mirror 2 are {0} mm off"),
        ("centre-3", "at mirror 3 are {0} mm off"),
        ("overlap-2", "at mirror 2 wander by {0} mm along the gantry"),
        ("overlap-3", "at mirror 3 wander by {0} mm over the bed"),
        ("nozzle", "at the nozzle are up to {0} mm off"),
        ("lens", "meets the lens {0} mm off"),
        ("lean", "leans by up to {0} mm"),
    ],
)
def test_each_number_beyond_its_tolerance_is_a_reason_and_no_other(key: str, tells: str) -> None:
    limits = dict(zip(o.KEYS, o.limits(seen().profile), strict=True)) | {"lean": 0.2}
    verdict = judged.verdict(spoiled(key, 1.32), aligned=False)
    assert verdict is not None
    value = f"{1.32 * limits[key]:.{2 if key == 'lean' else 1}f}"
    assert len(verdict.reasons) == 1 and tells.format(value) in verdict.reasons[0]
    good = judged.verdict(spoiled(key, 0.99), aligned=False)
    assert good is not None and good.reasons == ("not yet proved over the whole bed",)
    done = judged.verdict(spoiled(key, 0.99), aligned=True)
    assert done is not None and done.aligned and done.reasons == ()
    shown = {f"centre-{i}": verdict.centre_mm[f"mirror-{i}"] for i in (1, 2, 3)}
    shown |= {f"overlap-{i}": verdict.overlap_mm[f"mirror-{i}"] for i in (2, 3)} | {
        "nozzle": verdict.nozzle_mm
    }
    for name, number in shown.items():
        assert number == pytest.approx(1.32 * limits[name] if name == key else 0.0)
    assert verdict.lens_mm is None  # no mark below the nozzle has shown it


@pytest.mark.parametrize(("sd", "known"), [(0.02, True), (0.15, True), (0.25, False), (1.0, False)])
def test_the_lens_is_told_once_a_mark_below_has_shown_it(sd: float, known: bool) -> None:
    """The worst offset over the bed, as the median over machines, if its sd is at most 0.2 mm."""
    view = spoiled("lens", 1.5)
    mark = MarkSeen("below", (0.0, 0.0), (0.0, 0.0), (0.1, 0.1), None, 30.0)
    events = (*view.alignment.events, mark)
    lens = np.zeros_like(view.rays.lens_mm)
    normal = norm.ppf((np.arange(len(lens)) + 0.5) / len(lens))
    lens[:, 4, 1], lens[:, 7, 0] = 3.0 + sd * normal, 1.0
    rays = Rays(view.rays.offset_mm, lens, view.rays.slope)
    view = replace(view, alignment=replace(view.alignment, events=events), rays=rays)
    verdict = judged.verdict(view, aligned=False)
    assert verdict is not None and (verdict.lens_mm is not None) is known
    assert verdict.lens_mm is None or verdict.lens_mm == pytest.approx(3.0, abs=0.01)
    assert (verdict.worst_power, verdict.worst_at_head_mm) == cost.worst_power(view.profile, view.best)


def test_the_map_of_mirror_3_is_the_polynomial_that_its_marks_lie_on() -> None:
    view, bed = seen(), seen().profile.bed
    terms = {"mean": (0.1, -0.2), "per_m_y": (0.3, 0.4), "per_m_x": (-0.5, 0.6), "per_m2_xy": (0.7, -0.8)}
    for i, (x_mm, y_mm) in enumerate(o.grid(view.profile)[:5]):
        x, y = (x_mm - bed.width_mm / 2) / 1000, (y_mm - bed.depth_mm / 2) / 1000
        powers = {"mean": 1.0, "per_m_y": y, "per_m_x": x, "per_m2_xy": x * y}
        for axis in (0, 1):
            view.best.offset_mm[0, i, 2, axis] = float(sum(terms[n][axis] * powers[n] for n in terms))
    found = judged.estimate(view).five_point
    seen.cache_clear()  # written into
    for name, pair in terms.items():
        known = found[name]
        assert known is not None and (known[0].value, known[1].value) == pytest.approx(pair)
        assert 0 < known[0].sigma < 5 and 0 < known[1].sigma < 5


def test_the_sigmas_of_the_map_are_those_of_its_machines() -> None:
    view, rng = seen(), np.random.default_rng(2)
    terms = rng.normal(0, [0.1, 0.2, 0.3, 0.4], (len(view.samples.x), 2, 4))
    heads = (np.array(o.grid(view.profile)[:5]) - np.array(o.grid(view.profile)[2])) / 1000
    design = np.stack([np.ones(5), heads[:, 1], heads[:, 0], heads[:, 0] * heads[:, 1]], axis=1)
    offset = view.rays.offset_mm.copy()
    offset[:, :5, 2] = np.einsum("pt,mat->mpa", design, terms)
    rays = Rays(offset, view.rays.lens_mm, view.rays.slope)
    found = judged.estimate(replace(view, rays=rays)).five_point
    for i, name in enumerate(("mean", "per_m_y", "per_m_x", "per_m2_xy")):
        known = found[name]
        assert known is not None
        assert [one.sigma for one in known] == pytest.approx(terms[:, :, i].std(0).tolist(), rel=1e-3)


@pytest.mark.parametrize(("sigma_mrad", "known"), [(1.9, True), (2.1, False)])
def test_an_angle_is_told_where_it_is_known_to_two_milliradians(sigma_mrad: float, known: bool) -> None:
    view = seen()
    slope = np.zeros_like(view.rays.slope)
    half = len(slope) // 2
    slope[:half, 2, 1, 0], slope[half:, 2, 1, 0] = sigma_mrad * 1e-3, -sigma_mrad * 1e-3
    best = Rays(view.best.offset_mm, view.best.lens_mm, view.best.slope.copy())
    best.slope[0, 2, 1] = (3e-3, -4e-3)
    told = judged.estimate(replace(view, best=best, rays=replace(view.rays, slope=slope))).angles_mrad
    assert (told["leg-1-2"] is not None) is known
    pair = told["leg-1-2"]
    if pair is not None:
        assert [one.value for one in pair] == pytest.approx([3.0, -4.0])
        assert [one.sigma for one in pair] == pytest.approx([sigma_mrad, 0.0])
    assert told["tube"] is not None and told["down"] is not None


def test_no_map_without_a_mark_at_mirror_3() -> None:
    view = seen()
    events = tuple(
        e for e in view.alignment.events if not (isinstance(e, MarkSeen) and e.station == "mirror-3")
    )
    blind = replace(view, alignment=replace(view.alignment, events=events))
    assert set(judged.estimate(blind).five_point.values()) == {None}

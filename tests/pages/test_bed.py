"""The maps of the bed, on marks whose answer can be worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from scipy.special import erf

from server.pages import bed as b
from server.pages.bed_chart import ARROW, SCREEN, SHAPES, _offset, _power, bed_svg
from server.pages.bed_words import spot_rows, worst_words
from server.solver.steps import Verdict
from tests.pages.doubles import MACHINE

Json = dict[str, Any]
CORNERS = [[0.0, 1000.0], [0.0, 0.0], [800.0, 500.0], [1600.0, 1000.0], [1600.0, 0.0]]
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.125}


def mark(head: list[float], u: float, v: float, station: str = "mirror-3") -> Json:
    return {"kind": "mark", "station": station, "head_mm": head, "offset_mm": [u, v], "sigma_mm": 0.02}


def tilted(head: list[float]) -> Json:
    """A mark of a beam that leaves the axis by 1 mm per metre along the bed in u, 0.5 in v."""
    x_m, y_m = (head[0] - 800) / 1000, (head[1] - 500) / 1000
    return mark(head, 1.0 * x_m + 0.3, 0.5 * y_m - 0.2)


FOUND: Json = {"machine": MACHINE, "events": [tilted(head) for head in CORNERS]}


@pytest.fixture(scope="module")
def fitted() -> b.BedMap:
    _, now = b.bed_maps(FOUND)
    assert now is not None
    return now


def test_the_fit_goes_through_the_marks(fitted: b.BedMap) -> None:
    for spot, head in zip(fitted.spots, CORNERS, strict=True):
        assert spot.head_mm == tuple(head)
        assert spot.offset_mm == pytest.approx(tilted(head)["offset_mm"], abs=0.1)
        assert 0 < spot.sigma_mm < 0.3  # all of them hang on one card, whose own offset is in it


def test_the_map_says_at_the_corners_what_the_spots_say(fitted: b.BedMap) -> None:
    lengths = {spot.name: np.hypot(*spot.offset_mm) for spot in fitted.spots}
    assert fitted.offset_mm[0, 0] == pytest.approx(lengths["front left"])
    assert fitted.offset_mm[-1, -1] == pytest.approx(lengths["back right"])
    assert fitted.worst.name == max(lengths, key=lambda name: float(lengths[name]))


def test_the_uncertainty_is_that_of_the_marks(fitted: b.BedMap) -> None:
    # four terms through five marks: a corner is known about as well as its own mark (least squares), and the
    # hanging's own offset is in both alike; with so few marks the solver leaves room for a claim too small
    coarse = {**FOUND, "events": [{**event, "sigma_mm": 0.2} for event in FOUND["events"]]}
    _, unsure = b.bed_maps(coarse)
    assert unsure is not None
    more_mm = math.sqrt(unsure.spots[0].sigma_mm ** 2 - fitted.spots[0].sigma_mm ** 2)
    assert 0.17 < more_mm < 0.35
    assert unsure.sigma_mm[0, 0] == pytest.approx(unsure.spots[1].sigma_mm)
    assert np.all(unsure.power_low < unsure.power)


def test_the_worst_place_is_named_with_its_uncertainty_and_its_rivals(fitted: b.BedMap) -> None:
    marks = [mark(head, head[0] / 500 + 0.2, 3 * head[1] / 1000 - 2.5) for head in CORNERS]
    _, steep = b.bed_maps({"machine": MACHINE, "events": marks})
    assert steep is not None
    worst = worst_words(steep)
    assert (worst["place"], worst["doubt"]) == ("front right", "")
    assert worst["offset"] == f"{math.hypot(3.4, 2.5):.2f} ± {2 * steep.worst.sigma_mm:.2f} mm"
    level = {"machine": MACHINE, "events": [mark(head, 0.5, 0.0) for head in CORNERS]}
    _, flat = b.bed_maps(level)
    assert flat is not None and len(flat.rivals) == 4
    assert "cannot tell it from the" in worst_words(flat)["doubt"]
    aligned = Verdict(True, {}, {}, None, 0.0, 1.0, (0.0, 0.0), ())
    assert worst_words(replace(flat, step=replace(flat.step, verdict=aligned)))["doubt"] == ""
    assert [row["worst"] for row in spot_rows(None, fitted)].count(True) == 1


def test_the_chart_shows_how_well_each_place_is_known() -> None:
    for shape in SHAPES:
        assert bed_svg(FOUND, shape=shape).count(b"known to") == 2


def test_each_arrow_ends_in_a_circle_of_two_standard_uncertainties(fitted: b.BedMap) -> None:
    axes = Figure().subplots()
    _offset(axes, fitted, 2.0, SCREEN)
    rings = [patch for patch in axes.patches if isinstance(patch, Circle)]
    mm_per_mm = ARROW * 1600 / 2.0  # bed millimetres for one of the offset
    for ring, spot in zip(rings, fitted.spots, strict=True):
        assert ring.radius == pytest.approx(2 * spot.sigma_mm * mm_per_mm)
        assert ring.center[0] == pytest.approx(spot.head_mm[0] + spot.offset_mm[0] * mm_per_mm)


def test_on_every_map_what_is_bad_is_bright(fitted: b.BedMap, monkeypatch: pytest.MonkeyPatch) -> None:
    maps: list[QuadContourSet] = []
    fill = Axes.contourf
    monkeypatch.setattr(Axes, "contourf", lambda *a, **more: maps.append(fill(*a, **more)) or maps[-1])
    offset, power = Figure().subplots(2)
    _offset(offset, fitted, 2.0, SCREEN)
    _power(power, fitted, SCREEN)
    for map_, good, bad in zip(maps, (0.0, 100.0), (2.0, 90.0), strict=True):
        light = [float(np.dot(map_.cmap(map_.norm(value))[:3], (0.21, 0.72, 0.07))) for value in (good, bad)]
        assert light[1] > light[0] + 0.4


def test_power_of_a_centred_beam_is_the_closed_form() -> None:
    # 1 − exp(−2a²/w²) through a centred round aperture (any handbook of Gaussian beams)
    power = b._power(MACHINE, np.zeros(1), np.zeros(1), np.full(1, 1000.0))
    distance_mm = MACHINE["path"]["mirror_1_to_2_mm"][0] + MACHINE["path"]["mirror_2_to_3_mm"][0]
    beam = MACHINE["beam"]
    wide_mm = np.hypot(beam["diameter_mm"], beam["divergence_mrad"] * 1e-3 * distance_mm)
    radius_mm = min(MACHINE["aperture"]["mirror_3_mm"], MACHINE["aperture"]["lens_mm"]) / 2
    assert power[0] == pytest.approx(1 - np.exp(-2 * radius_mm**2 / (wide_mm / 2) ** 2), abs=1e-9)


def test_power_far_off_tends_to_a_straight_edge() -> None:
    # on the rim of an aperture much wider than the beam about half passes: (1 + erf(0)) / 2
    wide = {**MACHINE, "aperture": {**MACHINE["aperture"], "mirror_3_mm": 400.0, "lens_mm": 400.0}}
    power = b._power(wide, np.array([200.0]), np.zeros(1), np.full(1, 1000.0))
    assert power[0] == pytest.approx((1 + erf(0)) / 2, abs=0.01)


def test_as_found_ends_at_the_first_move_after_a_mark_at_mirror_3() -> None:
    early = [mark(CORNERS[0], 1, 1, "mirror-1"), TURN]
    document = {
        "machine": MACHINE,
        "events": [*early, tilted(CORNERS[0]), tilted(CORNERS[1]), TURN, tilted(CORNERS[0])],
    }
    assert b.opening(document)["events"] == [*early, tilted(CORNERS[0]), tilted(CORNERS[1])]


def test_without_a_mark_at_mirror_3_there_is_no_map() -> None:
    nothing: Json = {"machine": MACHINE, "events": [mark(CORNERS[0], 1, 1, "mirror-2")]}
    assert b.bed_maps(nothing) == (None, None)
    assert bed_svg(nothing).count(b"not measured") == 6
    assert b"not measured" not in bed_svg(FOUND)


def test_the_page_shows_the_map_of_an_alignment(client: FlaskClient) -> None:
    shared: Any = client.application.extensions["spotwright"]
    number = shared.log.start_alignment(machine=MACHINE, source="offline")
    for event in FOUND["events"]:
        shared.log.add_event(number, event)
    text = client.get("/bed").text
    assert "worst at the" in text
    assert f"/bed/{number}.svg" in text
    picture = client.get(f"/bed/{number}.svg")
    assert picture.mimetype == "image/svg+xml"
    assert len(picture.data) < 400_000
    assert client.get("/bed/99").status_code == 404
    report = client.get(f"/log/{number}/report").text
    assert "5 marks, 0 turns of a screw, 0 moves" in report
    assert f"/bed/{number}.svg" in report
    assert client.get("/log/99/report").status_code == 404

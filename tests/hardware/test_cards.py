"""The cards as SVG: true to scale, read as what they are, and never as another size."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from hardware import cards
from vision import STATIONS, NoReading, card_sheet, find_card
from vision.raster import draw_shapes

SVG = "{http://www.w3.org/2000/svg}"


def picture(station: str, size: str) -> np.ndarray:
    sheet = card_sheet(station)
    width, height = sheet.width_mm * cards.SIZES[size], sheet.height_mm * cards.SIZES[size]
    grey = draw_shapes(cards.shapes(station, size), (width, height), (width / 2, height / 2), dpi=150)
    framed = cv2.copyMakeBorder(grey, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=200)
    return cv2.cvtColor(framed, cv2.COLOR_GRAY2BGR)


@pytest.mark.parametrize("size", list(cards.SIZES))
@pytest.mark.parametrize("station", STATIONS)
def test_a_card_is_read_as_its_station_and_size(station: str, size: str) -> None:
    found = find_card(picture(station, size))
    assert not isinstance(found, NoReading)
    assert (found[0], found[1].size) == (station, size)
    assert found[1].px_per_mm == pytest.approx(150 / 25.4, rel=2e-3)


@pytest.mark.parametrize("size", ["small", "large"])
def test_outside_detector_reads_the_ids_of_other_sizes(size: str) -> None:
    """OpenCV's ArUco detector, dictionary of 100 codes of which the standard card's 50 are the first half."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100))
    for station in STATIONS:
        _, ids, _ = detector.detectMarkers(picture(station, size))
        assert set(ids.ravel().tolist()) == set(cards.markers(station, size))


def test_no_two_cards_share_an_id() -> None:
    every = [i for size in cards.SIZES for station in STATIONS for i in cards.markers(station, size)]
    assert len(set(every)) == len(every) == 48 and max(every) < 100


@pytest.mark.parametrize("size", list(cards.SIZES))
@pytest.mark.parametrize("engrave", [False, True])
def test_an_svg_is_true_to_scale(size: str, engrave: bool, tmp_path) -> None:
    sheet, scale = card_sheet("nozzle"), cards.SIZES[size]
    path = cards.draw("nozzle", size, engrave=engrave).write(tmp_path / "card.svg")
    root = ET.parse(path).getroot()
    assert float(root.get("width").removesuffix("mm")) == pytest.approx(sheet.width_mm * scale)
    assert root.get("viewBox") == f"0 0 {sheet.width_mm * scale:g} {sheet.height_mm * scale:g}"
    window = root.find(f"{SVG}circle")
    assert 2 * float(window.get("r")) == pytest.approx(sheet.window_diameter_mm * scale)
    assert (window.get("stroke") == cards.CUT) is engrave
    assert root.find(f"{SVG}text") is None  # words are outlines: no font is needed where it is engraved


def test_a_shift_moves_the_frame_and_leaves_the_board(tmp_path) -> None:
    here = ET.parse(cards.draw("mirror-1", "standard", engrave=True).write(tmp_path / "a.svg")).getroot()
    there = cards.draw("mirror-1", "standard", engrave=True, shift_mm=(0.8, -0.3)).write(tmp_path / "b.svg")
    moved = ET.parse(there).getroot()
    a, b = (np.array([float(r.find(f"{SVG}circle").get(k)) for k in ("cx", "cy")]) for r in (here, moved))
    assert b - a == pytest.approx((0.8, 0.3))
    first = [
        np.array(re.findall(r"[-\d.]+", r.findall(f"{SVG}path")[0].get("d")), float) for r in (here, moved)
    ]
    assert first[1][:2] - first[0][:2] == pytest.approx((0.8, 0.3), abs=0.002)
    assert here.findall(f"{SVG}path")[-1].get("d") == moved.findall(f"{SVG}path")[-1].get("d")


def test_the_command_writes_all_and_refuses_a_large_shift(tmp_path) -> None:
    done = CliRunner().invoke(cards.main, ["--out", str(tmp_path), "--size", "large"])
    assert done.exit_code == 0 and len(list(tmp_path.glob("*.svg"))) == 6
    refused = CliRunner().invoke(cards.main, ["--out", str(tmp_path), "--shift", "9", "0"])
    assert refused.exit_code == 2 and "seat the clip anew" in refused.output

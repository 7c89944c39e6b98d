"""The cards as SVG: true to scale, and read as the right station and size."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from pypdf import PdfReader
from pypdf.generic import ContentStream

from hardware import cards
from vision import SIZES, STATIONS, NoReading, card_sheet, find_card
from vision.card import CHECK_BARS_MM, Boxes, Polygon, Words
from vision.card_sizes import card_shapes
from vision.print_pdf import PAPER_MM
from vision.raster import draw_shapes, text_outlines

SVG = "{http://www.w3.org/2000/svg}"


def picture(station: str, size: str) -> np.ndarray:
    width, height = card_sheet(station, size).width_mm, card_sheet(station, size).height_mm
    grey = draw_shapes(cards.shapes(station, size), (width, height), (width / 2, height / 2), dpi=150)
    framed = cv2.copyMakeBorder(grey, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=200)
    return cv2.cvtColor(framed, cv2.COLOR_GRAY2BGR)


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("station", STATIONS)
def test_a_card_is_read_as_its_station_and_size(station: str, size: str) -> None:
    found = find_card(picture(station, size))
    assert not isinstance(found, NoReading)
    assert (found[0], found[1].size) == (station, size)
    assert found[1].px_per_mm == pytest.approx(150 / 25.4, rel=2e-3)


@pytest.mark.parametrize("size", ["small", "large"])
def test_outside_detector_reads_the_ids_of_other_sizes(size: str) -> None:
    """OpenCV's ArUco detector with the dictionary of 100 codes; the standard card's 50 are its first half."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100))
    for station in STATIONS:
        _, ids, _ = detector.detectMarkers(picture(station, size))
        assert set(ids.ravel().tolist()) == set(card_sheet(station, size).markers)


def test_no_two_cards_share_an_id() -> None:
    every = [i for size in SIZES for station in STATIONS for i in card_sheet(station, size).markers]
    assert len(set(every)) == len(every) == 48 and max(every) < 100


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("engrave", [False, True])
def test_an_svg_is_true_to_scale(size: str, engrave: bool, tmp_path) -> None:
    sheet = card_sheet("nozzle", size)
    path = cards.draw("nozzle", size, engrave=engrave).write(tmp_path / "card.svg")
    root = ET.parse(path).getroot()
    assert float(root.get("width").removesuffix("mm")) == pytest.approx(sheet.width_mm)
    assert root.get("viewBox") == f"0 0 {sheet.width_mm:g} {sheet.height_mm:g}"
    window = root.find(f"{SVG}circle")
    assert 2 * float(window.get("r")) == pytest.approx(sheet.window_diameter_mm)
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
    assert refused.exit_code == 2 and "seat the clip again" in refused.output


def boxes_mm(path) -> np.ndarray:
    """Left, bottom, right, top of each filled path of a page except the paper, mm; y goes up."""
    (page,) = PdfReader(path).pages
    found, points = [], []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        if operator in (b"m", b"l"):
            points.append([float(o) * 25.4 / 72 for o in operands])
        elif operator in (b"f", b"S", b"s", b"n"):
            found += [(*np.min(points, 0), *np.max(points, 0))] if points and operator == b"f" else []
            points = []
    return np.array([box for box in found if box[:2] != (0.0, 0.0)])


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_outside_a_pdf_is_true_to_scale(size: str, paper: str, tmp_path) -> None:
    """pypdf reads the page's content: 0.05 mm over 100 mm; the bars are as long as the reader assumes."""
    sheet = card_sheet("nozzle", size)
    boxes = boxes_mm(cards.write_pdf(tmp_path / "card.pdf", "nozzle", size, paper=paper))
    wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    for sides, meant in ((wide, sheet.width_mm), (high, sheet.height_mm)):
        assert sides.max() == pytest.approx(meant, rel=0.0005)
        assert np.isclose(sides, CHECK_BARS_MM[size], rtol=0.0005, atol=0).sum() >= 1
    middle = (boxes[:, :2].min(axis=0) + boxes[:, 2:].max(axis=0)) / 2
    assert middle == pytest.approx(np.array(PAPER_MM[paper]) / 2, abs=0.05)


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler's renderer is not installed")
@pytest.mark.parametrize("size", list(SIZES))
def test_outside_a_rendered_pdf_is_read_at_its_scale(size: str, tmp_path) -> None:
    """Poppler renders it, the reader finds the card; its frame is shifted as asked."""
    moved = {}
    for shift in ((0.0, 0.0), (0.8, -0.3)):
        path = cards.write_pdf(tmp_path / "card.pdf", "mirror-1", size, shift_mm=shift)
        subprocess.run(
            ["pdftoppm", "-r", "150", "-gray", "-png", "-singlefile", path, path.with_suffix("")], check=True
        )
        found = find_card(cv2.imread(str(path.with_suffix(".png"))))
        assert not isinstance(found, NoReading) and (found[0], found[1].size) == ("mirror-1", size)
        assert found[1].px_per_mm == pytest.approx(150 / 25.4, rel=2e-3)
        moved[shift] = found[1].homography @ (0.0, 0.0, 1.0)
    a, b = (place[:2] / place[2] for place in moved.values())
    assert (b - a) * 25.4 / 150 == pytest.approx((0.8, 0.3), abs=0.02)


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("station", ["mirror-3", "nozzle"])
def test_words_keep_clear_of_each_other_and_of_all_else(size: str, station: str) -> None:
    ink = cards.shapes(station, size)
    words = [extent(np.vstack(text_outlines(s))) for s in ink if isinstance(s, Words)]
    others = [tuple(box) for s in ink if isinstance(s, Boxes) for box in s.sides_mm]
    others += [extent(s.corners_mm) for s in ink if isinstance(s, Polygon)]
    pairs = [*itertools.combinations(words, 2), *itertools.product(words, others)]
    assert not [(a, b) for a, b in pairs if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]]


def extent(points: np.ndarray) -> tuple[float, ...]:
    return (*points.min(axis=0), *points.max(axis=0))


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("station", STATIONS)
def test_every_card_says_what_whoever_cuts_and_hangs_it_must_know(size: str, station: str) -> None:
    words = " ".join(s.text for s in card_shapes(station, size) if isinstance(s, Words)).lower()
    bar = f"{CHECK_BARS_MM[size]:g} mm"
    for said in ("beam strikes this side", "tape on the back", "cut here", "print at 100 %", "both bars"):
        assert said in words
    for caution in ("eyewear", "lid closed", "beam stop", "lowest power that marks", "flame"):
        assert caution in words
    assert (
        words.count(bar) >= 3 and words.count("cut here") == 4
    )  # at both bars and in words; outline and window
    assert ("to the back" if station == "nozzle" else "up") in words


@pytest.mark.parametrize("size", list(SIZES))
def test_nothing_but_the_markers_stands_in_their_quiet_zone_or_in_the_window(size: str) -> None:
    """A white rim of one module around each marker, a white window, and all words on the card."""
    sheet = card_sheet("nozzle", size)
    module = 3.0 * SIZES[size]
    zones = [(*(c.min(axis=0) - module), *(c.max(axis=0) + module)) for c in sheet.markers.values()]
    for word in (s for s in card_shapes("nozzle", size) if isinstance(s, Words)):
        outline = np.vstack(text_outlines(word))
        left, low, right, high = extent(outline)
        assert not [z for z in zones if left < z[2] and z[0] < right and low < z[3] and z[1] < high], word
        assert np.hypot(*outline.T).min() > sheet.window_diameter_mm / 2 + 0.3, word
        assert max(-left, right) < sheet.width_mm / 2 - 0.3 and max(-low, high) < sheet.height_mm / 2 - 0.3, (
            word
        )


@pytest.mark.parametrize("size", list(SIZES))
def test_tape_lies_on_the_sheet_and_every_marker_on_board(size: str, tmp_path) -> None:
    """The board's opening takes a strip of tape wider than the window, and no marker is over the opening."""
    root = ET.parse(cards.board(size, "board", opening=True).write(tmp_path / "board.svg")).getroot()
    sheet, scale = card_sheet("mirror-1", size), SIZES[size]
    outline, opening = (
        np.array(re.findall(r"[\d.]+", p.get("d")), float).reshape(-1, 2) for p in root.findall(f"{SVG}path")
    )
    assert np.ptp(outline, axis=0) == pytest.approx((sheet.width_mm, sheet.height_mm))
    half = np.ptp(opening, axis=0) / 2
    assert half.min() >= sheet.window_diameter_mm / 2 + 6 * scale
    assert opening.mean(axis=0) == pytest.approx((sheet.width_mm / 2, sheet.height_mm / 2))
    for corners in sheet.markers.values():
        nearest = abs(corners).min(axis=0)
        assert nearest[1] > half[1] + 1 * scale

"""The printed card: geometry, pixels and paper agree to a fraction of a pixel."""

import json
import shutil
import subprocess

import cv2
import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

import vision
from vision.card import CHECK_BAR_MM, Boxes, Ring, Words
from vision.card_sizes import card_shapes


@pytest.fixture(scope="module")
def pdf(tmp_path_factory):
    path = tmp_path_factory.mktemp("cards") / "cards.pdf"
    vision.write_cards_pdf(path)
    return path


def test_ids_follow_the_order_of_the_stations():
    ids = [sorted(vision.card_sheet(station).markers) for station in vision.STATIONS]
    assert ids == [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11], [12, 13, 14, 15]]


def test_an_unknown_station_is_refused():
    with pytest.raises(vision.UnknownStation, match="mirror-4"):
        vision.card_sheet("mirror-4")


def test_a_mark_at_20_mm_fits_the_window_and_the_window_clears_the_print():
    for station in vision.STATIONS:
        assert vision.card_sheet(station).window_diameter_mm / 2 > 20
        for shape in card_shapes(station):
            if isinstance(shape, Boxes):
                left, bottom, right, top = shape.sides_mm.T
                u = np.clip(0, left, right)
                v = np.clip(0, bottom, top)
                assert np.hypot(u, v).min() > 23
            if isinstance(shape, Ring):
                assert shape.radius_mm - shape.line_mm / 2 > 23


@pytest.mark.parametrize("dpi", [72, 97.3, 150, 300])
def test_window_is_white_and_centred(dpi):
    picture = vision.draw_card("mirror-1", dpi=dpi)
    per_mm = dpi / 25.4
    y, x = (np.indices(picture.shape) + 0.5) / per_mm
    away = np.hypot(x - 45, y - 55)
    assert (picture[away < 23 - 0.5 / per_mm] == 255).all()


@pytest.mark.parametrize("dpi", [96, 200.5, 300])
def test_every_marker_s_ink_has_its_true_middle_and_area(dpi):
    """First moments of the ink of a marker's square (white code bits counted as ink) against its geometry."""
    per_mm = dpi / 25.4
    for station in vision.STATIONS:
        picture = vision.draw_card(station, dpi=dpi)
        ink = 1 - picture / 255.0
        for corners in vision.card_sheet(station).markers.values():
            left, top = (corners[0] * (1, -1) + (45, 55)) * per_mm
            right, bottom = (corners[2] * (1, -1) + (45, 55)) * per_mm
            column = ink[int(top + bottom) // 2 - 2, int(left) - 3 : int(left) + int(1.5 * per_mm)]
            assert len(column) - column.sum() - 3 == pytest.approx(left - int(left), abs=0.01)
            row = ink[int(bottom) - int(1.5 * per_mm) : int(bottom) + 3, int(left + right) // 2]
            assert row.sum() == pytest.approx(int(1.5 * per_mm) + bottom - int(bottom), abs=0.01)


def test_opencv_s_detector_reads_every_id_where_it_should_be():
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    for station in vision.STATIONS:
        corners, ids, _ = detector.detectMarkers(vision.draw_card(station, dpi=200))
        sheet = vision.card_sheet(station)
        assert sorted(ids.ravel()) == sorted(sheet.markers)
        for i, c in zip(ids.ravel(), corners, strict=True):
            expected = (np.array(sheet.centre_mm) + sheet.markers[int(i)] * (1, -1)) * 200 / 25.4 - 0.5
            assert np.abs(c[0] - expected).max() < 1.5


def test_png_says_its_own_measures(tmp_path):
    dpi = 150.0
    paths = vision.write_cards_png(tmp_path / "new" / "folder", dpi=dpi)
    assert [p.name for p in paths] == [f"card-{station}.png" for station in vision.STATIONS]
    for path in paths:
        measures = json.loads(path.with_suffix(".json").read_text())
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert measures["width_mm"] == pytest.approx(picture.shape[1] * 25.4 / dpi, rel=1e-12)
        assert measures["height_mm"] == pytest.approx(picture.shape[0] * 25.4 / dpi, rel=1e-12)
        assert measures["centre_mm"] == [45.0, 55.0]
        assert measures["window_diameter_mm"] == 46.0
        data = path.read_bytes()
        at = data.index(b"pHYs")
        assert int.from_bytes(data[at + 4 : at + 8], "big") == round(dpi / 0.0254)


def test_pdf_is_one_true_scale_page(pdf):
    (page,) = PdfReader(pdf).pages
    assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(210, abs=0.01)
    assert float(page.mediabox.height) * 25.4 / 72 == pytest.approx(297, abs=0.01)
    text = " ".join(page.extract_text().split())
    assert text.count("print at 100 %") == 4
    assert all(name in text for name in ("Mirror 1", "Mirror 2", "Mirror 3", "Nozzle", "eyewear"))


def _boxes_mm(page):
    """Bounding boxes (left, bottom, right, top) in mm of all filled paths of a page's content stream."""
    found, points = [], []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        if operator in (b"m", b"l"):
            points.append([float(o) * 25.4 / 72 for o in operands])
        elif operator in (b"f", b"F", b"f*", b"B", b"b"):
            if points:
                found.append((*np.min(points, 0), *np.max(points, 0)))
            points = []
        elif operator in (b"n", b"S", b"s"):
            points = []
    return np.array(found)


def test_pdf_s_check_bars_measure_50_mm_in_its_own_content(pdf):
    (page,) = PdfReader(pdf).pages
    boxes = _boxes_mm(page)
    wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    assert (np.isclose(wide, CHECK_BAR_MM, atol=0.005) & np.isclose(high, 0.8, atol=0.005)).sum() == 4
    assert (np.isclose(high, CHECK_BAR_MM, atol=0.005) & np.isclose(wide, 0.8, atol=0.005)).sum() == 4


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler's renderer is not installed")
def test_rendered_pdf_holds_four_cards_at_true_scale(pdf, tmp_path):
    subprocess.run(["pdftoppm", "-r", "200", "-gray", "-png", pdf, tmp_path / "page"], check=True)
    picture = cv2.imread(str(next(tmp_path.glob("page*.png"))), cv2.IMREAD_GRAYSCALE)
    per_mm = 200 / 25.4
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(picture)
    assert sorted(ids.ravel()) == list(range(16))
    sides = [np.linalg.norm(c[0] - np.roll(c[0], 1, axis=0), axis=1).mean() for c in corners]
    assert np.mean(sides) / per_mm == pytest.approx(18.0, abs=0.1)
    for place in range(4):
        x = (105 + (place % 2 - 0.5) * 90) * per_mm
        y = (148.5 + (place // 2 - 0.5) * 110 + 30) * per_mm
        row = 1 - picture[int(y), int(x - 27 * per_mm) : int(x + 27 * per_mm)] / 255.0
        assert row.sum() / per_mm == pytest.approx(50.0, abs=0.1)


def test_the_card_warns_and_names_its_station():
    for station in vision.STATIONS:
        words = " ".join(s.text for s in card_shapes(station) if isinstance(s, Words))
        assert "print at 100 %" in words
        assert "50 mm" in words
        assert f"card {station}" in words
        assert "Invisible beam" in words


def test_a_marker_that_sticks_off_its_place_is_left_out():
    sheet, px_per_mm, side = vision.card_sheet("mirror-1"), 8, 160
    centre = px_per_mm * np.array(sheet.centre_mm)
    card = np.repeat(vision.draw_card("mirror-1", dpi=25.4 * px_per_mm)[..., None], 3, axis=2)
    first = next(iter(sheet.markers.values()))[0]
    left, top = (centre + px_per_mm * np.array([first[0] - 1, -first[1] - 1])).astype(int)
    marker = card[top : top + side, left : left + side].copy()
    card[top : top + side, left : left + side] = 255
    card[top + 40 : top + 40 + side, left + 64 : left + 64 + side] = marker
    station, view = vision.find_card(card)
    assert (station, view.markers_seen) == ("mirror-1", 3)
    middle = view.homography @ (0.0, 0.0, 1.0)
    assert middle[:2] / middle[2] == pytest.approx(centre - 0.5, abs=0.3)

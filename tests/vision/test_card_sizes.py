"""The small and the large card, printed: read as what they are, at their scale, on pages that fit."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

import vision
from vision.card import CHECK_BARS_MM
from vision.print_pdf import PAPER_MM


@pytest.mark.parametrize("size", ["small", "large"])
def test_a_card_s_picture_is_read_as_its_station_and_size(size, tmp_path):
    paths = vision.write_cards_png(tmp_path, dpi=150, size=size)
    assert [path.name for path in paths] == [f"card-{s}-{size}.png" for s in vision.STATIONS]
    for path, station in zip(paths, vision.STATIONS, strict=True):
        about, sheet = json.loads(path.with_suffix(".json").read_text()), vision.card_sheet(station, size)
        assert (about["size"], about["window_diameter_mm"]) == (size, sheet.window_diameter_mm)
        picture = cv2.copyMakeBorder(
            cv2.imread(str(path)), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=3 * (200,)
        )
        found = vision.find_card(picture)
        assert not isinstance(found, vision.NoReading)
        assert (found[0], found[1].size) == (station, size)
        middle = found[1].homography @ (0.0, 0.0, 1.0)
        meant = 60 - 0.5 + np.array(about["centre_mm"]) * 150 / 25.4
        assert middle[:2] / middle[2] == pytest.approx(meant, abs=0.3)


def widths_mm(page, reader) -> np.ndarray:
    """Left and right end of each filled path in a page's own content, mm."""
    found, xs = [], []
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        if operator in (b"m", b"l"):
            xs.append(float(operands[0]) * 25.4 / 72)
        elif operator in (b"f", b"S", b"s", b"n"):
            found += [(min(xs), max(xs))] if xs and operator == b"f" else []
            xs = []
    return np.array(found)


@pytest.mark.parametrize(
    ("size", "pages", "paper"), [("small", 1, "a4"), ("standard", 1, "letter"), ("large", 4, "letter")]
)
def test_outside_the_pages_are_true_to_scale_and_hold_four_cards(size, pages, paper, tmp_path):
    """pypdf reads the pages: 0.05 mm over 100 mm, and nothing runs over the edge."""
    vision.write_cards_pdf(tmp_path / "cards.pdf", paper=paper, size=size)
    reader, sheet = PdfReader(tmp_path / "cards.pdf"), vision.card_sheet("nozzle", size)
    assert len(reader.pages) == pages
    rims = bars = 0
    for page in reader.pages:
        ends = widths_mm(page, reader)
        ends = ends[ends[:, 1] - ends[:, 0] < PAPER_MM[paper][0] - 1]  # but the paper
        assert ends.min() > 3 and ends.max() < PAPER_MM[paper][0] - 3
        wide = ends[:, 1] - ends[:, 0]
        rims += np.isclose(wide, sheet.width_mm, rtol=0.0005, atol=0).sum()
        bars += np.isclose(wide, CHECK_BARS_MM[size], rtol=0.0005, atol=0).sum()
        operators = {operator for _, operator in ContentStream(page.get_contents(), reader).operations}
        assert not operators & {b"B", b"B*", b"b", b"b*"}  # the window's ring is drawn, not filled
    assert rims == 4 and bars == 4


@pytest.mark.parametrize("size", ["small", "standard", "large"])
def test_nothing_is_printed_in_the_window(size):
    sheet, picture = vision.card_sheet("mirror-2", size), vision.draw_card("mirror-2", dpi=200, size=size)
    y, x = (np.indices(picture.shape) + 0.5) * 25.4 / 200
    away = np.hypot(x - sheet.centre_mm[0], y - sheet.centre_mm[1])
    assert (picture[away < sheet.window_diameter_mm / 2] == 255).all()
    assert (picture[away < 1.3 * sheet.window_diameter_mm / 2] < 255).any()


@pytest.mark.parametrize("size", ["small", "standard", "large"])
def test_ticks_stand_at_every_true_millimetre_on_all_four_sides(size):
    sheet, px_per_mm = vision.card_sheet("nozzle", size), 20
    picture = vision.draw_card("nozzle", dpi=25.4 * px_per_mm, size=size)
    x, y = (px_per_mm * np.array(sheet.centre_mm)).astype(int)
    away, reach = int(px_per_mm * (24.6 * vision.SIZES[size])), int(px_per_mm * (21.5 * vision.SIZES[size]))
    for line in (
        picture[y - away, x - reach : x + reach],
        picture[y + away, x - reach : x + reach],
        picture[y - reach : y + reach, x - away],
        picture[y - reach : y + reach, x + away],
    ):
        ends = np.flatnonzero(np.diff((line < 128).astype(int)))
        middles = (ends[::2] + ends[1::2] + 1) / 2 / px_per_mm - reach / px_per_mm
        assert len(middles) > 0.9 * 2 * reach / px_per_mm
        assert middles == pytest.approx(np.arange(len(middles)) - len(middles) // 2, abs=0.06)

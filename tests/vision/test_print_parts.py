"""What is drawn and printed, part by part: places, areas, widths, and the resolution that a file names."""

from __future__ import annotations

import io
import json
import struct
import zlib
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image

from vision import print_pdf, raster
from vision.card import CHECK_BARS_MM, CUT, SIZES, STATIONS, Boxes, Polygon, Ring, Words, card_sheet
from vision.card_sizes import card_shapes
from vision.grid import grid_shapes
from vision.print_pdf import PAPER_MM

PER_MM = 10.0
MIDDLE = (6.0, 4.0)  # from the top left corner


def drawn(*shapes, size=(12.0, 8.0)):
    return 1 - raster.draw_shapes(list(shapes), size, MIDDLE, dpi=25.4 * PER_MM) / 255.0


def moments(ink):
    """Area in mm², and the middle in the card frame."""
    y, x = np.indices(ink.shape) + 0.5
    area = ink.sum()
    middle = (ink * x).sum() / area / PER_MM - MIDDLE[0], MIDDLE[1] - (ink * y).sum() / area / PER_MM
    return area / PER_MM**2, middle


# pixels


@pytest.mark.parametrize("dpi", [25.4, 150, 300, 600])
def test_a_png_names_its_resolution(dpi):
    """PNG specification, 11.3.5.3: pHYs, pixels per metre both ways, unit 1 (metre), before IDAT."""
    data = raster._png(np.full((20, 30), 9, np.uint8), dpi)
    assert data[12:16] == b"IHDR"
    length, name, across, down, unit, crc = struct.unpack(">I4sIIBI", data[33:54])
    assert (length, name, unit) == (9, b"pHYs", 1)
    assert across == down == round(dpi / 0.0254)
    assert crc == zlib.crc32(data[37:50])
    image = Image.open(io.BytesIO(data))
    assert image.info["dpi"] == pytest.approx((dpi, dpi), rel=1e-3)
    assert (np.asarray(image) == 9).all() and image.size == (30, 20)


@pytest.mark.parametrize(
    ("start", "stop", "wanted"),
    [
        (1.0, 3.0, [0, 1, 1, 0]),
        (0.25, 2.5, [0.75, 1, 0.5, 0]),
        (1.25, 1.75, [0, 0.5, 0, 0]),
        (-3.0, 0.5, [0.5, 0, 0, 0]),
        (3.5, 9.0, [0, 0, 0, 0.5]),
        (5.0, 9.0, [0, 0, 0, 0]),
        (-2.0, -1.0, [0, 0, 0, 0]),
    ],
)
def test_a_pixel_s_cover_is_the_part_of_it_between_two_places(start, stop, wanted):
    assert raster._coverage(start, stop, 4) == pytest.approx(wanted)


def test_the_card_frame_s_up_is_a_picture_s_down():
    assert raster._to_px(np.array([(1.0, 2.0), (-3.0, -1.0)]), 10.0, (6.0, 4.0)) == pytest.approx(
        np.array([(70.0, 20.0), (30.0, 50.0)])
    )


@pytest.mark.parametrize("ink", [1.0, 0.45])
def test_boxes_cover_their_exact_area(ink):
    box = (-2.03, 0.51, 1.07, 1.54)
    area, middle = moments(drawn(Boxes(np.array([box]), ink)))
    assert area == pytest.approx(ink * 3.10 * 1.03, rel=0.004)
    assert middle == pytest.approx((-0.48, 1.025), abs=0.003)
    two = drawn(Boxes(np.array([(0.0, 0.0, 1.0, 1.0), (-2.0, -2.0, -1.0, 0.0)]), ink))
    assert moments(two)[0] == pytest.approx(3 * ink, rel=0.004)


def test_what_lies_beyond_the_paper_is_left_out():
    assert not drawn(Boxes(np.array([(6.5, 0.0, 9.0, 1.0), (0.0, 4.5, 1.0, 7.0)]))).any()
    assert moments(drawn(Boxes(np.array([(5.0, 3.0, 90.0, 90.0)]))))[0] == pytest.approx(1.0)
    assert moments(drawn(Boxes(np.array([(-90.0, -90.0, -5.0, -3.0)]))))[0] == pytest.approx(1.0)
    away = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])
    square = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    for corner in ((-6.0, 4.0), (6.0, 4.0), (6.0, -4.0), (-6.0, -4.0)):
        area, middle = moments(drawn(Polygon(square + np.array(corner))))
        assert area == pytest.approx(1.0, rel=0.03)
        assert middle == pytest.approx(np.array(corner) - np.sign(corner) / 2, abs=0.02)
    for shift in ((7.0, 0.0), (-9.0, 0.0), (0.0, 5.0), (0.0, -9.0)):
        assert not drawn(Polygon(away + shift)).any()


@pytest.mark.parametrize("ink", [1.0, 0.5])
@pytest.mark.parametrize("at", [(0.0, 0.0), (-5.013, 2.037)])
def test_a_polygon_covers_its_area(ink, at):
    corners = np.array([(0.0, 0.0), (3.0, 0.0), (0.0, 1.5)])
    area, middle = moments(drawn(Polygon(corners + at, ink)))
    inside = 1.5 * 3.0 / 2
    assert area == pytest.approx(ink * inside, rel=0.03)  # its edge's eighths of a pixel are all filled
    assert middle == pytest.approx(np.add(at, (1.0, 0.5)), abs=0.012)


def test_ink_is_added_and_never_more_than_black():
    one = Boxes(np.array([(-1.0, -1.0, 1.0, 1.0)]), 0.4)
    assert np.unique(drawn(one)) == pytest.approx([0, 0.4], abs=0.002)
    assert np.unique(drawn(one, one)) == pytest.approx([0, 0.8], abs=0.002)
    assert np.unique(drawn(one, one, one)) == pytest.approx([0, 1.0])


@pytest.mark.parametrize(
    ("size", "shape"), [((12.0, 8.0), (80, 120)), ((12.01, 7.99), (80, 121)), ((12.0 + 1e-9, 8.1), (81, 120))]
)
def test_a_picture_has_room_for_the_whole_paper(size, shape):
    assert drawn(size=size).shape == shape


@pytest.mark.parametrize("line_mm", [0.5, 0.04])
def test_a_ring_is_a_line_about_the_origin(line_mm):
    ink = drawn(Ring(3.0, line_mm))
    area, middle = moments(ink)
    assert area == pytest.approx(2 * np.pi * 3 * line_mm, rel=0.03)
    assert middle == pytest.approx((0.0, 0.0), abs=0.01)
    y, x = np.indices(ink.shape) + 0.5
    away = np.hypot(x / PER_MM - MIDDLE[0], y / PER_MM - MIDDLE[1])
    assert (ink * away).sum() / ink.sum() == pytest.approx(3.0, abs=0.02)
    assert not ink[np.abs(away - 3.0) > line_mm / 2 + 0.11].any()


@pytest.mark.parametrize("turned", [False, True])
def test_words_are_centred_and_turned_to_read_upwards(turned):
    words = Words("Tape", (1.0, -2.0), 3.0, turned=turned)
    every = np.vstack(raster.text_outlines(words))
    low, high = every.min(0), every.max(0)
    assert (low + high) / 2 == pytest.approx((1.0, -2.0))
    wide, tall = (high - low)[::-1] if turned else high - low
    assert wide > 1.5 * tall
    # the T stands first: to the left, or below; its bar is at the top, which turned is to the left
    letter = raster.text_outlines(words)[0] - (1.0, -2.0)
    along, up = (letter[:, 1], -letter[:, 0]) if turned else letter.T
    assert along.max() < 0
    bar = up > up.max() - 0.1
    assert np.ptp(along[bar]) == pytest.approx(np.ptp(along))
    assert moments(drawn(words, size=(12.0, 12.0)))[1] == pytest.approx((1.0, -2.0), abs=0.35)


@pytest.mark.parametrize("size", SIZES)
def test_a_card_s_measures_are_told_beside_its_picture(size, tmp_path, monkeypatch):
    monkeypatch.setattr(raster, "draw_card", lambda station, *, dpi, size: np.zeros((200, 100), np.uint8))
    calls = []
    paths = raster.write_cards_png(tmp_path / "a" / "b", dpi=50.8, size=size, told=lambda: calls.append(1))
    assert len(paths) == len(calls) == len(STATIONS)
    for path, station in zip(paths, STATIONS, strict=True):
        sheet = card_sheet(station, size)
        assert json.loads(path.with_suffix(".json").read_text()) == {
            "station": station,
            "size": size,
            "dpi": 50.8,
            "width_mm": 50.0,
            "height_mm": 100.0,
            "centre_mm": list(sheet.centre_mm),
            "window_diameter_mm": sheet.window_diameter_mm,
        }
        assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED).shape == (200, 100)


# pages


@pytest.fixture
def pages(monkeypatch):
    caught = []
    monkeypatch.setattr(print_pdf, "write_pages", lambda path, paper, pages: caught.extend(pages))
    return caught


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_large_cards_stand_in_the_middle_of_a_page_each(paper, pages, tmp_path):
    print_pdf.write_cards_pdf(tmp_path / "x", paper=paper, size="large")
    assert [len(parts) for parts in pages] == [1, 1, 1, 1]
    width, height = PAPER_MM[paper]
    assert [parts[0][1] for parts in pages] == [(width / 2, height / 2)] * 4


@pytest.mark.parametrize("size", ["small", "standard"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_four_cards_touch_about_the_middle_of_a_page(paper, size, pages, tmp_path):
    print_pdf.write_cards_pdf(tmp_path / "x", paper=paper, size=size)
    (parts,) = pages
    sheet = card_sheet("nozzle", size)
    from_middle = np.array([at for _, at in parts]) - np.array(PAPER_MM[paper]) / 2
    half = np.array((sheet.width_mm, sheet.height_mm)) / 2
    assert from_middle / half == pytest.approx(np.array([(-1, 1), (1, 1), (-1, -1), (1, -1)]))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_grid_and_its_words_stand_about_the_middle(paper, pages, tmp_path):
    print_pdf.write_grid_pdf(tmp_path / "x", paper=paper)
    (((_, (x, y)),),) = pages
    shapes = grid_shapes()
    boxes = np.vstack([one.sides_mm for one in shapes if isinstance(one, Boxes)])
    words = np.vstack([np.vstack(raster.text_outlines(one)) for one in shapes if isinstance(one, Words)])
    below, above = y + words[:, 1].min(), PAPER_MM[paper][1] - y - boxes[:, 3].max()
    assert x == PAPER_MM[paper][0] / 2
    assert below == pytest.approx(above, abs=0.3)
    assert min(above, below) > 12.7


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_page_is_drawn_in_millimetres(paper):
    """Paper sizes: ISO 216 and ANSI/ASME Y14.1; matplotlib's figures are in inches."""
    size = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}[paper]
    figure = print_pdf._page(paper, [([Ring(5.0, 0.2)], (30.0, 40.0)), ([Ring(6.0, 0.2)], (50.0, 60.0))])
    assert figure.get_size_inches() * 25.4 == pytest.approx(size)
    (axes,) = figure.axes
    assert (*axes.get_xlim(), *axes.get_ylim()) == pytest.approx((0, size[0], 0, size[1]))
    assert axes.get_position().bounds == (0, 0, 1, 1)
    assert not axes.axison
    assert [(one.center, one.radius) for one in axes.patches] == [((30.0, 40.0), 5.0), ((50.0, 60.0), 6.0)]


def laid(shape, at=(10.0, 20.0)):
    patches, texts = [], []
    axes = SimpleNamespace(add_patch=patches.append, text=lambda *a, **k: texts.append((a, k)))
    print_pdf._lay(axes, shape, at)
    return (patches + texts)[0]


@pytest.mark.parametrize(("ink", "grey"), [(1.0, 0.0), (0.45, 0.55), (0.0, 1.0)])
def test_each_shape_is_laid_at_its_place_in_its_ink(ink, grey):
    boxes = laid(Boxes(np.array([(1.0, 2.0, 3.0, 5.0), (-4.0, -3.0, -2.0, -1.0)]), ink))
    corners = boxes.get_path().vertices.reshape(2, 5, 2) - (10.0, 20.0)
    assert corners[0] == pytest.approx(np.array([(1, 2), (3, 2), (3, 5), (1, 5), (1, 2)]))
    assert corners[1] == pytest.approx(np.array([(-4, -3), (-2, -3), (-2, -1), (-4, -1), (-4, -3)]))
    assert list(boxes.get_path().codes) == [1, 2, 2, 2, 79] * 2  # matplotlib's: move, three lines, close
    polygon = laid(Polygon(np.array([(0.0, 1.0), (2.0, 1.0), (1.0, 3.0)]), ink))
    assert polygon.get_xy()[:3] == pytest.approx(np.array([(10, 21), (12, 21), (11, 23)]))
    for patch in (boxes, polygon):
        assert patch.get_linewidth() == 0
        assert patch.get_facecolor() == pytest.approx((grey, grey, grey, 1.0))
    assert laid(Ring(3.0, 0.2, ink)).get_edgecolor() == pytest.approx((grey, grey, grey, 1.0))
    assert laid(Words("a", (0.0, 0.0), 2.0, ink=ink))[1]["color"] == f"{grey:.3f}"


@pytest.mark.parametrize(("bold", "turned"), [(False, False), (True, False), (False, True)])
def test_words_are_laid_about_their_point(bold, turned):
    (x, y, text), how = laid(Words("up", (3.0, -4.0), 2.54, bold=bold, turned=turned))
    assert (x, y, text) == (13.0, 16.0, "up")
    assert how["fontsize"] == pytest.approx(7.2)  # points of 1/72 inch
    assert (how["rotation"], how["fontweight"]) == (90 if turned else 0, "bold" if bold else "normal")
    assert (how["ha"], how["va"]) == ("center", "center")


# cards of other sizes


@pytest.mark.parametrize("size", ["small", "large"])
def test_a_sized_card_s_parts_stay_clear_of_each_other(size):
    """Nothing of the inner lines, words and bars runs over another, over a marker or over the sheet."""
    sheet, shapes = card_sheet("mirror-1", size), card_shapes("mirror-1", size)
    words = [np.vstack(raster.text_outlines(one)) for one in shapes if isinstance(one, Words)]
    spans = [np.r_[one.min(0), one.max(0)] for one in words]
    spans += [np.r_[corners.min(0), corners.max(0)] for corners in sheet.markers.values()]
    for i, one in enumerate(spans):
        assert np.abs(one[[0, 2]]).max() < sheet.width_mm / 2
        assert np.abs(one[[1, 3]]).max() < sheet.height_mm / 2
        for other in spans[:i]:
            apart = np.maximum(one[:2] - other[2:], other[:2] - one[2:])
            assert apart.max() > 0, (one, other)


@pytest.mark.parametrize("size", ["small", "large"])
def test_a_sized_card_s_lines_are_where_they_belong(size):
    scale, sheet = SIZES[size], card_sheet("mirror-1", size)
    shapes = [one for one in card_shapes("mirror-1", size) if not isinstance(one, Words)]
    (ring,) = [one for one in shapes if isinstance(one, Ring)]
    assert ring.radius_mm - ring.line_mm == pytest.approx(23 * scale)  # all of the line outside the window
    arms, rim, ticks, below, left = [one.sides_mm for one in shapes if isinstance(one, Boxes)][4:9]
    near, far = 23.6 * scale, 28.4 * scale
    assert arms == pytest.approx(
        np.array(
            [
                (near, -0.25, far, 0.25),
                (-far, -0.25, -near, 0.25),
                (-0.25, near, 0.25, far),
                (-0.25, -far, 0.25, -near),
            ]
        )
    )
    w, h, line = sheet.width_mm / 2, sheet.height_mm / 2, 0.2
    assert (rim[:, :2].min(0), rim[:, 2:].max(0)) == (pytest.approx((-w, -h)), pytest.approx((w, h)))
    area = ((rim[:, 2] - rim[:, 0]) * (rim[:, 3] - rim[:, 1])).sum()
    assert area == pytest.approx(4 * w * h - 4 * (w - line) * (h - line))  # closed, and nothing twice
    bar = CHECK_BARS_MM[size]
    assert (below[0][2] - below[0][0], below[0][3] - below[0][1]) == pytest.approx((bar, 0.8))
    assert (left[0][2] - left[0][0], left[0][3] - left[0][1]) == pytest.approx((0.8, bar))
    assert below[0][0] == pytest.approx(-bar / 2) and left[0][1] == pytest.approx(-bar / 2)
    assert below[0][3] == pytest.approx(-24.2 * scale - 5.2)
    assert (left[0][0] + left[0][2]) / 2 == pytest.approx(-35.0 * scale)
    reach = int(21 * scale)
    assert len(ticks) == 4 * 2 * reach
    lengths = np.maximum(ticks[:, 2] - ticks[:, 0], ticks[:, 3] - ticks[:, 1])
    assert np.minimum(ticks[:, 2] - ticks[:, 0], ticks[:, 3] - ticks[:, 1]) == pytest.approx(0.16)
    tens, fives = reach // 10, reach // 5
    for length, count in ((2.2, tens), (1.6, fives - tens), (1.0, reach - fives)):
        assert np.isclose(lengths, length).sum() == 8 * count
    inner = np.maximum(np.abs(ticks[:, :2] + ticks[:, 2:]).max(1) / 2 - lengths / 2, 0)
    assert inner == pytest.approx(24.2 * scale)


@pytest.mark.parametrize(("size", "tens"), [("small", [10]), ("large", [10, 20, 30])])
def test_a_sized_card_s_numbers_stand_at_every_ten(size, tens):
    words = [one for one in card_shapes("mirror-1", size) if isinstance(one, Words) and one.text.isdigit()]
    near = 24.2 * SIZES[size]
    wanted = {
        (f"{ten}", *at)
        for ten in tens
        for mm in (ten, -ten)
        for side in (1, -1)
        for at in ((mm, side * (near + 3.3)), (side * (near + 4.0), mm))
    }
    assert {(one.text, *one.at_mm) for one in words} == wanted
    assert {(one.size_mm, one.bold, one.turned, one.ink) for one in words} == {(2.2, False, False, 1.0)}


@pytest.mark.parametrize("size", ["small", "large"])
@pytest.mark.parametrize("station", STATIONS)
def test_a_sized_card_s_words(station, size):
    scale, words = SIZES[size], [one for one in card_shapes(station, size) if isinstance(one, Words)]
    by_text = {one.text: one for one in words}
    bar, small = f"{CHECK_BARS_MM[size]:g} mm", min(scale, 1.0)
    up = by_text["to the back" if station == "nozzle" else "up"]
    assert (up.at_mm, up.size_mm) == ((11.5 * scale, 37.5 * scale), max(2.4 * small, 1.7))
    assert by_text[f"{station}, {size}"].size_mm == 4.0 * small
    assert by_text[f"both bars: {bar}"].size_mm == 2.5 * small
    assert min(one.size_mm for one in words) >= 2.0 * 0.6
    low, left = -24.2 * scale - 5.2, -35.0 * scale
    assert [(one.at_mm, one.size_mm, one.turned) for one in words if one.text == bar] == [
        ((0.0, low - 2.4), 2.2, False),
        ((left - 2.4, 0.0), 2.2, True),
    ]
    headings = [
        ("print at 100 %", -41.0, 3.4),
        (f"both bars: {bar}", -44.6, 2.5),
        (f"{station}, {size}", 46.0, 4.0),
    ]
    for text, at, font in headings:
        assert (by_text[text].at_mm, by_text[text].size_mm) == ((0.0, at * scale), font * small)
    assert [one.size_mm / small for one in words if one.turned][1:] == pytest.approx([2.7, 2.2, 2.1, 2.1])
    lines = [one.at_mm[1] for one in words if one.at_mm[1] < -47 * scale]
    assert lines == pytest.approx([-47.6 * scale, -50.35 * scale, -53.1 * scale])
    (arrow,) = [one for one in card_shapes(station, size) if isinstance(one, Polygon)]
    assert arrow.corners_mm / scale == pytest.approx(np.array([(0, 39.6), (-2.4, 35.4), (2.4, 35.4)]))
    turned = [one.at_mm for one in words if one.turned]
    assert len(turned) == 5 and {v for _, v in turned} == {0.0}
    assert sorted(u / scale for u, _ in turned)[1:] == pytest.approx([-35 - 2.4 / scale, 36, 39.6, 43])
    cuts = [np.divide(one.at_mm, scale) for one in words if one.text == CUT and not one.turned]
    assert cuts == pytest.approx(np.array([(-19.4, 20.8), (19.4, -20.8)]))
    assert sum(one.bold for one in words) == 3

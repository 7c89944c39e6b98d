"""The holder without a camera: it fits its washers, holds the card to 0.3 mm, and prints at true scale."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from manifold3d import Manifold
from pypdf import PdfReader, PdfWriter

from hardware import holder
from hardware.holder import Cut, Uncuttable, sheets, washers
from hardware.holder_solid import glued, layers
from hardware.measures import PLAY_MM
from hardware.solids import bore, box
from hardware.template import NEEDLE_MM, RINGS_MM, guide_sheets, ring_sheet
from tests.hardware.test_cards import boxes_mm
from vision import card_sheet

SVG = "{http://www.w3.org/2000/svg}"
KINDS = {
    "square": Cut(),
    "round": Cut(mount="round", mount_mm=40, aperture_mm=20, card="standard"),
    "bracket": Cut(mount="bracket"),
    "nozzle": Cut(mount="nozzle", mount_mm=20),
    "thin board": Cut(board_mm=2.0, washer_mm=(7.0, 0.5)),
}
Y = np.array([0.0, 1.0, 0.0])


@pytest.fixture(scope="module")
def bodies() -> dict[str, Manifold]:
    return {kind: glued(c) for kind, c in KINDS.items()}


def shared_mm3(a: Manifold, b: Manifold) -> float:
    return float((a ^ b).volume())


@pytest.mark.parametrize("kind", KINDS)
def test_card_and_beam_stop_stand_in_their_slots_to_0_2_mm(kind: str, bodies) -> None:
    c = KINDS[kind]
    card = card_sheet("mirror-1", c.card)
    width, height = card.width_mm / 2, card.height_mm / 2
    back = c.board_mm + PLAY_MM + c.air_layers * c.board_mm
    for front in (0.0, back):
        plate = box((-width, width), (front + 0.1, front + 0.1 + c.board_mm), (-height + 1e-3, height))
        for lift in (0.0, 20.0, 2 * height):
            assert shared_mm3(bodies[kind], plate.translate((0, 0, lift))) == 0
        assert shared_mm3(bodies[kind], plate.translate((0.19, 0, 0))) == 0
        for pushed in ((0.21, 0, 0), (-0.21, 0, 0), (0, 0, -0.05), (0, 1.5, 0), (0, -1.5, 0)):
            assert shared_mm3(bodies[kind], plate.translate(pushed)) > 0
    assert back - c.board_mm - PLAY_MM >= 12.0  # air between card and beam stop


@pytest.mark.parametrize("kind", ["square", "round", "thin board", "bracket"])
def test_the_holes_sit_on_the_washers_to_0_1_mm(kind: str, bodies) -> None:
    """With the card's play of 0.2 mm, a card comes back within 0.3 mm."""
    c = KINDS[kind]
    turn, place = (45.0 if c.mount == "bracket" else 0.0), np.array([0.0, c.before_mount_mm, 0.0])
    discs = [
        bore(c.washer_mm[0] / 2, np.array([x, -c.washer_mm[1], z]), Y, c.washer_mm[1], roof=False)
        for x, z in washers(c)
    ]
    on_mount = Manifold.compose([d.rotate((0, 0, turn)).translate(tuple(place)) for d in discs])
    assert shared_mm3(bodies[kind], on_mount) == pytest.approx(0, abs=1e-6)
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn)), 0.0])
    for pushed in (0.12 * way, -0.12 * way, np.array([0, 0, 0.12])):
        assert shared_mm3(bodies[kind], on_mount.translate(tuple(pushed))) > 0
    # The mount's own face touches the holder's, and no more.
    half = c.mount_mm / 2
    face = box((-half, half), (0.005, 5), (-half, half)).rotate((0, 0, turn)).translate(tuple(place))
    assert shared_mm3(bodies[kind], face) == pytest.approx(0, abs=1e-6)
    assert shared_mm3(bodies[kind], face.translate(tuple(np.array([way[1], -way[0], 0]) * 0.1))) > 1


def test_the_nozzle_stands_in_its_board_and_the_card_below_its_tip(bodies) -> None:
    c = KINDS["nozzle"]
    body, gap = bodies["nozzle"], c.before_mount_mm
    tip = Manifold.cylinder(c.tip_mm, 4.0, c.mount_mm / 2, 64) + Manifold.cylinder(
        40, c.mount_mm / 2 - 0.01, -1, 128
    ).translate((0, 0, c.tip_mm))
    hung = tip.rotate((90, 0, 0)).translate((0, -gap, 0))
    assert c.gap_mm <= gap < c.gap_mm + c.board_mm and shared_mm3(body, hung) == 0
    for pushed in ((0.2, 0, 0), (0, 0, 0.2)):
        assert shared_mm3(body, hung.translate(pushed)) > 0


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_stands_in_the_beam_or_before_the_markers(kind: str, bodies) -> None:
    c = KINDS[kind]
    card = card_sheet("mirror-1", c.card)
    body = bodies[kind]
    beam = bore(card.window_diameter_mm / 2, -60 * Y, Y, 60 + c.board_mm, roof=False)
    if c.mount != "nozzle":
        assert shared_mm3(body, beam) == 0
    module = 3.0 * card.width_mm / 90
    for corners in card.markers.values():
        (left, low), (right, high) = corners.min(axis=0) - 0.4 * module, corners.max(axis=0) + 0.4 * module
        seen = box((left, right), (-c.board_mm - 0.1, -0.01), (low, high))
        assert shared_mm3(body, seen) == 0


@pytest.mark.parametrize("kind", KINDS)
def test_the_stack_has_the_layers_that_are_counted(kind: str) -> None:
    c = KINDS[kind]
    placed = [name for name, _ in layers(c)]
    for sheet in sheets(c):
        assert placed.count(sheet.name.split(" (")[0].split(", ")[0]) == sheet.count


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("card", ["small", "standard"])
def test_outside_the_printed_parts_are_true_to_scale(paper: str, card: str, tmp_path) -> None:
    """pypdf reads every page: bars of 50 mm both ways on each, and the narrow layer's outline at its size."""
    done = CliRunner().invoke(holder.main, ["--card", card, "--paper", paper, "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    for name in ("holder", "template"):
        reader = PdfReader(tmp_path / f"{name}.pdf")
        for page in reader.pages:
            alone = tmp_path / "alone.pdf"
            writer = PdfWriter()
            writer.add_page(page)
            writer.write(alone)
            boxes = boxes_mm(alone)
            wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
            assert np.isclose(wide, 50.0, atol=0.03).any() and np.isclose(high, 50.0, atol=0.03).any()
            width, height = (float(s) * 25.4 / 72 for s in (page.mediabox.width, page.mediabox.height))
            assert boxes.min() > 3 and boxes[:, 2].max() < width - 3 and boxes[:, 3].max() < height - 3
    text = " ".join(page.extract_text() for page in PdfReader(tmp_path / "holder.pdf").pages)
    assert "base: cut 1" in text and "cut 2" in text and "cut 5" in text


def test_the_svg_cuts_what_the_parts_say(tmp_path) -> None:
    done = CliRunner().invoke(holder.main, ["--out", str(tmp_path)])
    assert done.exit_code == 0 and "before_mount_mm = { mirror-N = 21.8 }" in done.output
    root = ET.parse(tmp_path / "holder.svg").getroot()
    red = [e for e in root if e.get("stroke") == "#ff0000"]
    assert sum(e.tag == f"{SVG}circle" for e in red) == 5  # four washers and the needle's way
    assert sum(e.tag == f"{SVG}path" for e in red) == 3


def test_the_template_has_a_ring_for_every_mm_and_a_guide_for_each_slot() -> None:
    rings = [d for _, _, d in ring_sheet().holes]
    assert rings == list(RINGS_MM) and np.diff(rings).max() == 1
    (guide,) = guide_sheets("small")
    assert guide.count == 2 and guide.holes == [(0.0, 0.0, NEEDLE_MM)]
    outline = guide.outlines[0]
    card = card_sheet("mirror-1", "small")
    assert np.ptp(outline, axis=0) == pytest.approx((card.width_mm, card.height_mm)) and outline.mean(
        axis=0
    ) == pytest.approx((0, 0))


@pytest.mark.parametrize("kind", ["square", "round", "bracket"])
def test_a_needle_through_both_guides_reaches_the_mirrors_middle(kind: str, bodies) -> None:
    """Nothing is in its way; 0.1 mm of play at both guides, 15 mm apart, puts its end 0.6 mm off at most."""
    c = KINDS[kind]
    needle = bore(0.5, -50 * Y, Y, 50 + c.before_mount_mm, roof=False)
    assert shared_mm3(bodies[kind], needle) == 0
    apart = c.board_mm + PLAY_MM + c.air_layers * c.board_mm
    lean = 2 * (NEEDLE_MM - 1.0) / 2 / apart
    assert (NEEDLE_MM - 1.0) / 2 + lean * (c.before_mount_mm - apart) < 0.6


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"mount": "round", "mount_mm": 30, "aperture_mm": 20}, "take smaller ones"),
        ({"mount_mm": 20}, "no room for washers"),
        ({"mount_mm": 200}, "mount 200"),
        ({"board_mm": 0.5}, "board 0.5"),
    ],
)
def test_impossible_measurements_are_refused_in_one_line(change: dict, said: str, tmp_path) -> None:
    with pytest.raises(Uncuttable, match=said) as refused:
        sheets(replace(Cut(), **change))
    assert "\n" not in str(refused.value)


def test_the_command_refuses_with_status_2_and_writes_nothing(tmp_path) -> None:
    done = CliRunner().invoke(holder.main, ["--mount-side", "20", "--out", str(tmp_path / "holder")])
    assert done.exit_code == 2 and "Traceback" not in done.output and not (tmp_path / "holder").exists()

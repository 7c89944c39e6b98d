"""Everything fits into the clip: boards, magnets, mount, camera; air passes; the stop ends the beam."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from hardware.boards import BOARDS, board_solids, screw_solids
from hardware.body import layout
from hardware.bracket import mirror_y_mm
from hardware.checks import blocked, camera_frame, nozzle, targets, thinnest_mm, unsupported_mm2
from hardware.holds import clip_body
from hardware.hood import GLASS_MM, hood_body
from hardware.measures import Measures
from hardware.plug import plug_body
from hardware.solids import bore, box

KINDS = {
    "near": Measures(),
    "standard": Measures(card="standard", camera="standard", card_mm=2.7, stop_mm=4.2),
    "square": Measures(mount="square", mount_mm=50),
    "bracket": Measures(mount="bracket", mount_mm=50),
    "nozzle": Measures(mount="nozzle", mount_mm=20, card="standard", camera="standard"),
    "module 2": Measures(mount_mm=20, camera="module-2"),
    "holder": Measures(mount="square", mount_mm=50, camera="none"),
}
WITH_CAMERA = [kind for kind, m in KINDS.items() if m.camera != "none"]
Y = np.array([0.0, 1.0, 0.0])


@pytest.fixture(scope="module")
def bodies() -> dict[str, Manifold]:
    return {kind: clip_body(m) for kind, m in KINDS.items()}


def shared_mm3(a: Manifold, b: Manifold) -> float:
    return float((a ^ b).volume())


@pytest.mark.parametrize("kind", KINDS)
def test_card_and_beam_stop_slide_in_and_do_not_fall_out(kind: str, bodies) -> None:
    m, at = KINDS[kind], layout(KINDS[kind])
    width, height = (side / 2 for side in m.card_size_mm)
    for slot, thick in ((at.card, m.card_mm), (at.stop, m.stop_mm)):
        board = box((-width, width), (slot[0] + 0.1, slot[0] + 0.1 + thick), (-height + 0.01, height))
        for lift in (0.0, 30.0, 2 * height):
            assert shared_mm3(bodies[kind], board.translate((0, 0, lift))) == 0
        for pushed in ((1.0, 0, 0), (0, 1.0, 0), (0, -1.0, 0), (0, 0, -1.0)):
            assert shared_mm3(bodies[kind], board.translate(pushed)) > 1


@pytest.mark.parametrize("kind", KINDS)
def test_air_passes_between_card_and_beam_stop(kind: str, bodies) -> None:
    m, at = KINDS[kind], layout(KINDS[kind])
    gap = box((0.1 - at.inner, at.inner - 0.1), (at.card[1], at.stop[0]), (at.shelf + 0.01, 100))
    assert shared_mm3(bodies[kind], gap) == 0 and at.stop[0] - at.card[1] == m.air_mm >= 8.0
    floor = box((-at.inner, at.inner), (at.card[1], at.stop[0]), (at.shelf - 2, at.shelf - 1))
    assert shared_mm3(bodies[kind], floor) < 0.7 * floor.volume()
    assert m.card_size_mm[0] >= m.corridor_mm  # the beam stop, of the card's size, ends the whole corridor


def magnets(m: Measures) -> list[tuple[Manifold, np.ndarray]]:
    """Each magnet where it is glued, and the direction out of its pocket."""
    radius, thick = m.magnet_mm[0] / 2, m.magnet_mm[1]
    at = layout(m)
    if m.mount == "square":
        place = m.mount_mm / 2 - radius - 2.6
        bottom = at.back + 2.0
        middles = [np.array([x, bottom + 0.01, z]) for x in (-place, place) for z in (-place, place)]
        return [(bore(radius, middle, Y, thick, roof=False), Y) for middle in middles]
    if m.mount == "bracket":
        return slanted_magnets(m)
    along = -m.gap_mm - m.tip_mm - m.grip_mm / 2 if m.mount == "nozzle" else at.back + 3.0 + m.grip_mm / 2
    found = []
    for side in (-1, 1):
        inward = np.array([side, 0.0, -1.0]) / np.sqrt(2)
        start = along * Y + inward * (m.mount_mm / 2 + 0.1)
        found.append((bore(radius, start, inward, thick, roof=False), -inward))
    return found


def slanted_magnets(m: Measures) -> list[tuple[Manifold, np.ndarray]]:
    out, along = np.array([-1.0, 1.0, 0.0]) / np.sqrt(2), np.array([1.0, 1.0, 0.0]) / np.sqrt(2)
    place = m.mount_mm / 2 - m.magnet_mm[0] / 2 - 2.6
    middle = np.array([0.0, mirror_y_mm(m, layout(m).back), 0.0])
    found = []
    for a in (-place, place):
        for z in (-place, place):
            start = middle + a * along + np.array([0, 0, z]) - (m.magnet_mm[1] + 0.79) * out
            found.append((bore(m.magnet_mm[0] / 2, start, out, m.magnet_mm[1], roof=False), out))
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_magnets_fit_their_pockets_snugly(kind: str, bodies) -> None:
    for magnet, out in magnets(KINDS[kind]):
        assert shared_mm3(bodies[kind], magnet) == pytest.approx(0, abs=0.5)
        assert shared_mm3(bodies[kind], magnet.translate(tuple(20 * out))) == pytest.approx(0, abs=0.5)
        assert shared_mm3(bodies[kind], magnet.translate(tuple(-1.5 * out))) > 5


@pytest.mark.parametrize("kind", ["near", "standard", "module 2"])
def test_a_round_collar_rests_in_its_sleeve_and_against_the_wall(kind: str, bodies) -> None:
    m, start = KINDS[kind], layout(KINDS[kind]).back + 3.0
    collar = (
        Manifold.cylinder(30, m.mount_mm / 2 - 0.01, -1, 256)
        .rotate((-90, 0, 0))
        .translate((0, start + 0.01, 0))
    )
    assert shared_mm3(bodies[kind], collar) == pytest.approx(0, abs=1e-6)
    assert bodies[kind].min_gap(collar, 5) < 0.03
    for pushed in ((0.5, 0, 0), (-0.5, 0, 0), (0, 0, -0.5), (0, 0, 0.6), (0, -0.5, 0)):
        assert shared_mm3(bodies[kind], collar.translate(pushed)) > 0.5


def test_a_square_mount_sits_on_its_seats(bodies) -> None:
    m = KINDS["square"]
    half, rear = m.mount_mm / 2, layout(m).back + 2.8 + m.magnet_mm[1]
    mount = box((-half, half), (rear + 0.01, rear + 25), (-half, half))
    assert shared_mm3(bodies["square"], mount) == 0
    for pushed in ((0, 0, -0.5), (-0.5, 0, 0), (0, -0.5, 0)):
        assert shared_mm3(bodies["square"], mount.translate(pushed)) > 0.5


def test_the_nozzle_clears_all_plastic_but_its_saddle(bodies) -> None:
    m = KINDS["nozzle"]
    body = bodies["nozzle"]
    assert shared_mm3(body, nozzle(m)) == pytest.approx(0, abs=2)
    assert shared_mm3(body, nozzle(m).translate((0, 0, -0.5))) > 2


def test_a_brackets_plate_lies_against_the_slanted_face(bodies) -> None:
    """The plate of 50 × 50 × 6 at 45° touches face and lip; nothing else touches it or its mirror."""
    m = KINDS["bracket"]
    middle = mirror_y_mm(m, layout(m).back)
    plate = box((-25, 25), (0.02, 6), (-25, 25)).rotate((0, 0, 45)).translate((0, middle, 0))
    assert shared_mm3(bodies["bracket"], plate) == pytest.approx(0, abs=1e-6)
    along, out = np.array([1.0, 1.0, 0.0]) / np.sqrt(2), np.array([-1.0, 1.0, 0.0]) / np.sqrt(2)
    for pushed in (-0.5 * along, -0.5 * out):
        assert shared_mm3(bodies["bracket"], plate.translate(tuple(pushed))) > 0.5
    needle = bore(1.0, -50 * Y, Y, 50 + middle, roof=False)  # the straight way to the mirror's middle
    assert shared_mm3(bodies["bracket"], needle) == 0


def test_a_screw_clamps_a_collar_that_no_magnet_holds(bodies) -> None:
    """M4 through the sleeve's ridge: a 3.4 mm hole that reaches the collar, with at least 6 mm of thread."""
    m = KINDS["near"]
    ridge, middle = (m.mount_mm / 2 + 0.3) * np.sqrt(2), layout(m).back + 3.0 + m.grip_mm / 2
    core = Manifold.cylinder(60, 1.69, -1, 32).translate((0, middle, m.mount_mm / 2))
    assert shared_mm3(bodies["near"], core) == 0
    thread = Manifold.cylinder(60, 2.0, -1, 64).translate((0, middle, m.mount_mm / 2)) - core
    length = shared_mm3(bodies["near"], thread) / (np.pi * (2.0**2 - 1.69**2))
    assert length > 6 and bodies["near"].bounding_box()[5] > ridge


@pytest.mark.parametrize("kind", KINDS)
def test_a_card_hangs_at_the_same_place_time_after_time(kind: str, bodies) -> None:
    """Its weight holds it on the shelf; its play is 0.2 mm to either side, with the mount's at most 0.3."""
    m, at = KINDS[kind], layout(KINDS[kind])
    width, height = (side / 2 for side in m.card_size_mm)
    card = box((-width, width), (0.2, 0.2 + m.card_mm), (-height + 1e-3, height))
    assert shared_mm3(bodies[kind], card.translate((0.19, 0, 0))) == 0
    for pushed in ((0.21, 0, 0), (-0.21, 0, 0), (0, 0, -0.02)):
        assert shared_mm3(bodies[kind], card.translate(pushed)) > 0
    assert at.shelf == -height


@pytest.mark.parametrize("kind", WITH_CAMERA)
@pytest.mark.parametrize("name", BOARDS)
@pytest.mark.parametrize("slid_mm", [-0.9, 0.0, 0.9])
def test_outside_every_published_board_fits_behind_the_plate(
    kind: str, name: str, slid_mm: float, bodies
) -> None:
    """Board, lens, flex, socket, ribbon, screws and nuts of four boards; sources in `hardware.boards`."""
    board, body = BOARDS[name], bodies[kind]
    frame = camera_frame(KINDS[kind])
    frame[:, 3] += (board.lens_before_plate_mm - KINDS[kind].board.lens_before_plate_mm) * frame[:, 2]
    parts = board_solids(board, slid_mm) | screw_solids(board, slid_mm)
    assert {n: shared_mm3(body, p.transform(frame)) for n, p in parts.items()} == pytest.approx(
        dict.fromkeys(parts, 0), abs=1e-6
    )
    nuts = parts["nuts"].translate((0, 0, 0.5)).transform(frame)
    heads = parts["heads"].translate((0, 0, -0.5)).transform(frame)
    assert shared_mm3(body, nuts) > 2 and shared_mm3(body, heads) > 2  # the plate lies between heads and nuts


def test_outside_boards_and_ribbon_are_the_way_round_that_the_models_say() -> None:
    """Holes and lens of three published models, each in its own frame, compared with ours.

    Module 1: github.com/hilderonny/stromzaehler-pi, holes at 22 and 9.5 and the lens at 9.5 from the edge at
    y = 0, where the connector (0 to 5.7) is. Module 2: its measured model, holes at 2 and 14.5, lens at 14.5
    from y = 0, the connector ending 0.3 before y = 23.85. Module 3: its placeholder model, holes 2 and 14.5
    and lens 9 + 11.05 / 2 from the top, the socket at the bottom of 24.
    """
    models = [((22.0, 9.5), 9.5), ((21.85, 9.35), 9.35), ((22.0, 9.5), 24.0 - 9.0 - 11.05 / 2)]
    for board in (BOARDS["module-1"], BOARDS["module-2"], BOARDS["standard"]):
        parts = board_solids(board)
        edge, socket = parts["board"].bounding_box()[4], parts["socket"].bounding_box()
        assert socket[4] == pytest.approx(edge) and parts["ribbon"].bounding_box()[1] == pytest.approx(edge)
        assert parts["flex"].bounding_box()[4] < 0  # the sensor's flex runs the other way
        holes = {round(edge - (box_[1] + box_[4]) / 2, 2) for box_ in hole_boxes(parts["board"])}
        for rows, lens in models:
            assert sorted(holes) == pytest.approx(sorted(rows), abs=0.2) and edge == pytest.approx(
                lens, abs=0.2
            )


def hole_boxes(board: Manifold) -> list[tuple[float, ...]]:
    """The bounding boxes of a board's holes."""
    full = box(*zip(board.bounding_box()[:3], board.bounding_box()[3:], strict=True))
    return [part.bounding_box() for part in (full - board).decompose()]


@pytest.mark.parametrize("kind", ["near", "standard"])
def test_a_lamp_lies_flat_beside_the_screw_heads(kind: str, bodies) -> None:
    """The heads are sunk, so a flat lamp on the plate's face is clear: ring of 24 to 44, strips of 5 × 25."""
    m = KINDS[kind]
    frame = camera_frame(m)
    frame[:, 3] -= m.board.lens_before_plate_mm * frame[:, 2]
    ring = Manifold.cylinder(3.0, 22, -1, 64) - Manifold.cylinder(9.0, 12, -1, 64).translate((0, 0, -1))
    strips = box((13.3, 18.3), (-12, 13), (0, 3)) + box((-18.3, -13.3), (-12, 13), (0, 3))
    heads = screw_solids(m.board)["heads"].translate((0, 0, m.board.lens_before_plate_mm))
    lamp = ring if kind == "standard" else strips
    lamp = lamp.translate((0, 0, 0.01))
    assert shared_mm3(heads, lamp) == 0 and shared_mm3(bodies[kind], lamp.transform(frame)) == 0
    assert shared_mm3(bodies[kind], lamp.translate((0, 0, -1)).transform(frame)) > 50
    beam = bore(m.corridor_mm / 2, -200 * Y, Y, 200, roof=False)
    assert shared_mm3(beam, lamp.transform(frame)) == 0


@pytest.mark.parametrize("kind", ["near", "standard", "module 2"])
def test_the_hood_carries_its_glass_clear_of_lens_view_and_beam(kind: str, bodies) -> None:
    m = KINDS[kind]
    frame = camera_frame(m)
    frame[:, 3] -= (m.board.lens_before_plate_mm - 0.01) * frame[:, 2]
    hood = hood_body(m)
    placed = hood.transform(frame)
    assert shared_mm3(bodies[kind], placed) == 0 and len(blocked(placed, targets(m), m)) == 0
    assert shared_mm3(placed, bore(m.corridor_mm / 2, -200 * Y, Y, 200, roof=False)) == 0
    for slid in (-0.9, 0.9):
        assert shared_mm3(placed, board_solids(m.board, slid)["lens"].transform(camera_frame(m))) == 0
    high = hood.bounding_box()[5]
    glass = Manifold.cylinder(0.2, GLASS_MM[0] / 2, -1, 64).translate((0, 0, high - 1.0 + 0.01))
    assert shared_mm3(hood, glass) == 0 and shared_mm3(hood, glass.translate((0, 0, -0.3))) > 1


@pytest.mark.parametrize(
    ("kind", "aperture"), [("near", 32.0), ("square", 20.0), ("nozzle", 4.0), ("module 2", 12.0)]
)
def test_the_clip_passes_over_the_plug(kind: str, aperture: float, bodies) -> None:
    m = KINDS[kind]
    upright = plug_body(m, aperture_mm=aperture)
    to_beam = (
        1 if m.mount != "nozzle" else -1
    )  # the stem ends 3 mm before the struck face, the pin 1 mm beyond
    end = upright.bounding_box()[5] + 3.0
    seated = upright.rotate((90 * to_beam, 0, 0)).translate((0, to_beam * end, 0))
    for pushed in (0.0, 5.0, 15.0):
        assert shared_mm3(bodies[kind], seated.translate((0, to_beam * pushed, 0))) == 0


@pytest.mark.parametrize("kind", ["near", "standard", "module 2"])
def test_the_hood_prints_as_it_stands(kind: str) -> None:
    hood = hood_body(KINDS[kind])
    assert len(hood.decompose()) == 1 and unsupported_mm2(hood) == 0 and thinnest_mm(hood) >= 1.2

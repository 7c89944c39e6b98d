"""What is put into the clip fits: boards, magnets, mount, camera; air passes; the stop ends the beam."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from hardware.body import BOARD_MM, COOLING_GAP, LENS_TO_RIBBON_EDGE_MM, layout
from hardware.checks import nozzle
from hardware.holds import clip_body
from hardware.measures import Measures, camera_axes
from hardware.plug import plug_body
from hardware.solids import bore, box

KINDS = {
    "round": Measures(card_mm=2.7, stop_mm=4.2),
    "square": Measures(mount="square", mount_mm=50),
    "nozzle": Measures(mount="nozzle", mount_mm=20, tilt_deg=35),
    "small": Measures(mount_mm=20, card="small"),
}
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
    gap = box((0.1 - at.inner, at.inner - 0.1), (at.card[1], at.stop[0]), (at.bed + 3.01, 100))
    assert shared_mm3(bodies[kind], gap) == 0 and at.stop[0] - at.card[1] == COOLING_GAP
    floor = box((-at.inner, at.inner), (at.card[1], at.stop[0]), (at.bed + 1, at.bed + 2))
    assert shared_mm3(bodies[kind], floor) < 0.7 * floor.volume()
    assert m.card_size_mm[0] >= m.corridor_mm  # the beam stop, of the card's size, ends the whole corridor


def magnets(m: Measures) -> list[tuple[Manifold, np.ndarray]]:
    """Each magnet where it is glued, and the way out of its pocket."""
    radius, thick = m.magnet_mm[0] / 2, m.magnet_mm[1]
    at = layout(m)
    if m.mount == "square":
        place = m.mount_mm / 2 - radius - 2.6
        bottom = at.rear + 2.0
        middles = [np.array([x, bottom + 0.01, z]) for x in (-place, place) for z in (-place, place)]
        return [(bore(radius, middle, Y, thick, roof=False), Y) for middle in middles]
    along = -m.gap_mm - m.tip_mm - m.grip_mm / 2 if m.mount == "nozzle" else at.rear + 3.0 + m.grip_mm / 2
    found = []
    for side in (-1, 1):
        inward = np.array([side, 0.0, -1.0]) / np.sqrt(2)
        start = along * Y + inward * (m.mount_mm / 2 + 0.1)
        found.append((bore(radius, start, inward, thick, roof=False), -inward))
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_magnets_fit_their_pockets_snugly(kind: str, bodies) -> None:
    for magnet, out in magnets(KINDS[kind]):
        assert shared_mm3(bodies[kind], magnet) == pytest.approx(0, abs=0.5)
        assert shared_mm3(bodies[kind], magnet.translate(tuple(20 * out))) == pytest.approx(0, abs=0.5)
        assert shared_mm3(bodies[kind], magnet.translate(tuple(-1.5 * out))) > 5


@pytest.mark.parametrize("kind", ["round", "small"])
def test_a_round_collar_rests_in_its_sleeve_and_against_the_wall(kind: str, bodies) -> None:
    m, start = KINDS[kind], layout(KINDS[kind]).rear + 3.0
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
    half, rear = m.mount_mm / 2, layout(m).rear + 2.8 + m.magnet_mm[1]
    mount = box((-half, half), (rear + 0.01, rear + 25), (-half, half))
    assert shared_mm3(bodies["square"], mount) == 0
    for pushed in ((0, 0, -0.5), (-0.5, 0, 0), (0, -0.5, 0)):
        assert shared_mm3(bodies["square"], mount.translate(pushed)) > 0.5


def test_the_nozzle_clears_all_plastic_but_its_saddle(bodies) -> None:
    m = KINDS["nozzle"]
    body = bodies["nozzle"]
    assert shared_mm3(body, nozzle(m)) == pytest.approx(0, abs=2)
    assert shared_mm3(body, nozzle(m).translate((0, 0, -0.5))) > 2


def camera(m: Measures) -> np.ndarray:
    """The camera's frame: right, up, ahead, and where the front of its lens is."""
    return np.column_stack([*camera_axes(m.tilt_deg), m.lens_mm])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slid_mm", [-0.8, 0.0, 0.8])
def test_outside_the_camera_board_lies_flat_behind_the_plate(kind: str, slid_mm: float, bodies) -> None:
    """Camera Module 3 as in its mechanical drawing (RP-008153-DS-1, Raspberry Pi Ltd), ribbon upwards.

    Lens and flat cable stand in the opening, an M2 screw goes through each hole; it can be slid a little.
    """
    frame = camera(KINDS[kind])
    up = LENS_TO_RIBBON_EDGE_MM + slid_mm
    board = box((-12.5, 12.5), (up - BOARD_MM[1], up), (-8.5, -6.51))
    lens = box((-5.4, 5.4), (-5.4 + slid_mm, 5.4 + slid_mm), (-7, 0))
    cable = box((-4.45, 4.45), (0, up - 3.3), (-7, -5))
    for part in (board, lens, cable):
        assert shared_mm3(bodies[kind], part.transform(frame)) == 0
    assert shared_mm3(bodies[kind], board.translate((0, 0, 1.0)).transform(frame)) > 50
    for x, z in ((-10.5, 0.1), (10.5, 0.1), (-10.5, -12.4), (10.5, -12.4)):  # from the lens, ribbon downwards
        screw = Manifold.cylinder(20, 1.0, -1, 32).translate((x, slid_mm - z, -14))
        assert shared_mm3(bodies[kind], screw.transform(frame)) == 0
        head = Manifold.cylinder(1.6, 1.9, -1, 32).translate((x, slid_mm - z, -4.1))  # rests on the plate
        assert shared_mm3(bodies[kind], head.transform(frame)) > 1


@pytest.mark.parametrize(
    ("kind", "aperture"), [("round", 32.0), ("square", 20.0), ("nozzle", 4.0), ("small", 12.0)]
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

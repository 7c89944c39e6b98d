"""The camera boards that the clip's plate takes, from published drawings and models, mm.

Sources, by their letters below:

D : Raspberry Pi Ltd, mechanical drawing RP-008153-DS-1 of Camera Module 3 (tolerances 0.2),
    <https://datasheets.raspberrypi.com/camera/camera-module-3-standard-mechanical-drawing.pdf>: outline 25 ×
    23.862, holes 2.2 in a pattern of 21 × 12.5, one row 2 from an edge, lens in the middle across and 14.4
    from that edge.
S : Raspberry Pi documentation, "Hardware specifications" of the cameras, file
    documentation/asciidoc/accessories/camera/hardware_specification.adoc of
    github.com/raspberrypi/documentation: fields of view, focal lengths, F numbers, nearest sharp distances,
    sizes over all.
1 : a model of Camera Module 1, 3dmodels/PiCamera_1_3.scad of github.com/hilderonny/stromzaehler-pi;
    vitamins/cameras.scad of github.com/nophead/NopSCADlib agrees within 0.1.
2 : a measured model of Camera Module 2.1 (2016), lib/RPiCam-v2.scad of
    github.com/openbikesensor/OpenBikeSensor3dPrintableCase.
3 : a measured model, "Placeholder model for the Raspberry Camera Module 3" (GPL-3.0),
    camera_module.scad and its parameters.scad on GitHub.

1, 2 and 3 agree on what matters: the row of holes at 2 mm is at the edge *opposite* the ribbon's socket, the
lens is 9.4 to 9.5 from the socket's edge and level with the other row, and the sensor's own flex runs from
the lens to the edge with the holes. The socket is on the back; its ribbon leaves there, along the board.
"""

from __future__ import annotations

from dataclasses import dataclass

from manifold3d import Manifold

from hardware.solids import box

BOARD_MM = (25.0, 23.862)  # D
HOLE_MM = 2.2  # D
LENS_TO_FAR_EDGE_MM = 14.4  # D; to the edge opposite the socket, which is the lower one in the clip
LENS_TO_SOCKET_EDGE_MM = BOARD_MM[1] - LENS_TO_FAR_EDGE_MM  # 9.46; D by difference, 9.462 and 9.5 in 1 and 2
# From the lens, x across and z towards the socket: 2 and 14.5 from the far edge (D, 1, 2, 3).
HOLES_MM = tuple((x, z - LENS_TO_FAR_EDGE_MM) for x in (-10.5, 10.5) for z in (2.0, 14.5))
RIBBON_MM = (16.05, 0.4)  # 2: width and thickness, at its stiffener
SPACER_MM = 1.6  # an M2 nut, ISO 4032, between plate and board, so that parts on the board's front stay clear
PLATE_MM = 3.0  # the plate that the board is screwed to
NUT_MM = 1.6


@dataclass(frozen=True)
class Board:
    """One camera board, seen from its front with the socket's edge up; lengths from the lens's axis.

    lens_mm : side of the square block around the lens, and the height of its front above the board.
    tallest_mm : the largest such height in any source.
    flex_mm : half width, and height, of the sensor's flex and its plug, which reach from the lens to
        `flex_end_mm` from the far edge.
    socket_mm : width, length from the socket's edge, and height at the back.
    field_deg, focal_mm, f_number, nearest_mm : of the lens (S).
    """

    name: str
    thick_mm: float
    lens_mm: tuple[float, float]
    tallest_mm: float
    flex_mm: tuple[float, float]
    flex_end_mm: float
    socket_mm: tuple[float, float, float]
    field_deg: tuple[float, float]
    focal_mm: float
    f_number: float
    nearest_mm: float

    @property
    def lens_before_plate_mm(self) -> float:
        """How far the lens's front stands before the plate's face on the card's side."""
        return self.lens_mm[1] - SPACER_MM - PLATE_MM


# Module 3: 8.93 in model 3; 11.5 over all (S) less board and socket is 7.75. The mean of both is taken
# for the lens's place, the larger one for clearance. The wide one is 0.9 taller over all (S).
BOARDS = {
    "module-1": Board(
        "Camera Module 1", 1.0, (8.0, 5.8), 6.0, (4.0, 1.5), 1.5,
        (21.0, 5.7, 2.6), (53.5, 41.41), 3.60, 2.9, 1000.0,
    ),
    "module-2": Board(
        "Camera Module 2", 1.05, (8.45, 6.3), 6.3, (5.85, 1.52), 2.6,
        (21.0, 6.1, 2.62), (62.2, 48.8), 3.04, 2.0, 100.0,
    ),
    "standard": Board(
        "Camera Module 3", 1.05, (11.05, 8.34), 8.93, (5.0, 1.5), 0.3,
        (21.0, 6.0, 2.7), (66.0, 41.0), 4.74, 1.8, 100.0,
    ),
    "wide": Board(
        "Camera Module 3 Wide", 1.05, (11.05, 9.24), 9.83, (5.0, 1.5), 0.3,
        (21.0, 6.0, 2.7), (102.0, 67.0), 2.75, 2.2, 50.0,
    ),
}  # fmt: skip


def board_solids(board: Board, slid_mm: float = 0.0) -> dict[str, Manifold]:
    """Return the board's parts in the camera's frame (x right, y up, z ahead, origin at the lens's front).

    The socket's edge is up; `slid_mm` moves everything up along the slots. The ribbon is drawn 30 mm long.
    """
    front = -board.lens_mm[1]
    half, (side, _), (flex, flex_high) = BOARD_MM[0] / 2, board.lens_mm, board.flex_mm
    top, low, back = LENS_TO_SOCKET_EDGE_MM, -LENS_TO_FAR_EDGE_MM, front - board.thick_mm
    wide, deep, high = board.socket_mm
    parts = {
        "board": box((-half, half), (low, top), (back, front)),
        "lens": box((-side / 2, side / 2), (-side / 2, side / 2), (front, front + board.tallest_mm)),
        "flex": box((-flex, flex), (low + board.flex_end_mm, -side / 2), (front, front + flex_high)),
        "socket": box((-wide / 2, wide / 2), (top - deep, top), (back - high, back)),
        "ribbon": box(
            (-RIBBON_MM[0] / 2, RIBBON_MM[0] / 2), (top, top + 30), (back - 1.3 - RIBBON_MM[1], back - 1.3)
        ),
    }
    for x, z in HOLES_MM:
        parts["board"] -= _post(x, z, HOLE_MM / 2, (back - 1, front + 1))
    return {name: part.translate((0, slid_mm, 0)) for name, part in parts.items()}


def screw_solids(board: Board, slid_mm: float = 0.0) -> dict[str, Manifold]:
    """Return four M2 screws with their nuts, in the same frame: heads sunk in the plate, thread to the rear.

    M2 × 10 with a pan head, 4.0 × 1.6 (ISO 7045); nuts 4 across flats (ISO 4032), drawn as circles of 4.6.
    """
    face = -board.lens_before_plate_mm
    front, back = -board.lens_mm[1], -board.lens_mm[1] - board.thick_mm
    heads, threads, nuts = Manifold(), Manifold(), Manifold()
    for x, z in HOLES_MM:
        heads += _post(x, z, 2.0, (face - 1.6, face))
        threads += _post(x, z, 1.0, (face - 11.6, face - 1.6))
        nuts += _post(x, z, 2.3, (front, front + SPACER_MM)) + _post(x, z, 2.3, (back - NUT_MM, back))
    found = {"heads": heads, "threads": threads, "nuts": nuts}
    return {name: part.translate((0, slid_mm, 0)) for name, part in found.items()}


def _post(x: float, up: float, radius: float, ahead: tuple[float, float]) -> Manifold:
    return Manifold.cylinder(ahead[1] - ahead[0], radius, -1, 32).translate((x, up, ahead[0]))

"""The scenes to draw: clips and holders with everything that belongs to them, each part with its colour."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from hardware.boards import board_solids, screw_solids
from hardware.body import layout
from hardware.bracket import mirror_y_mm
from hardware.cards import OPENING_MM, shapes
from hardware.checks import camera_frame
from hardware.holder import Cut, washers
from hardware.holder_solid import layers
from hardware.holds import clip_body
from hardware.hood import hood_body
from hardware.measures import Floats, Measures
from hardware.plug import plug_body, to_card_mm
from hardware.solids import bore, box
from vision.card import Boxes

PLASTIC, CARD, STOP, BEAM, BOARD, METAL = "#d9a441", "#fbfbf6", "#5c656d", "#c0392b", "#2f7d4f", "#aeb6bd"
INK, TAPE, MIRROR, MAGNET, DARK, RIBBON = "#1c1c1c", "#e8d9a0", "#b8cfe0", "#6f7780", "#222222", "#f2f2f2"
WOOD, PLUG = "#c9a66b", "#4f7fb0"
Part = tuple[Manifold, str]
_Y = np.array([0.0, 1.0, 0.0])


def clip_scene(m: Measures) -> list[Part]:
    """A clip or holder in use, the beam coming from the front."""
    parts = [(clip_body(m), PLASTIC), *card_parts(m), *mount_parts(m), (stop_plate(m), STOP)]
    parts += [(_beam(m), BEAM), *([] if m.camera == "none" else camera_parts(m))]
    return [(hung_at_the_nozzle(part), colour) for part, colour in parts] if m.mount == "nozzle" else parts


def hung_at_the_nozzle(part: Manifold) -> Manifold:
    """A part turned as it hangs: the beam comes from above, the camera is at the machine's front (−y)."""
    return part.rotate((-90, 0, 0)).rotate((0, 0, 180))


def card_parts(m: Measures) -> list[Part]:
    """The card: a printed sheet on its board, tape behind the window; at the nozzle its arrow points back."""
    width, height = (side / 2 for side in m.card_size_mm)
    wide, high = (side / 2 for side in OPENING_MM)
    sheet = box((-width, width), (0, 0.4), (-height, height)) - bore(m.window_mm / 2, -_Y, _Y, 9, roof=False)
    frame = box((-width, width), (0.4, m.card_mm), (-height, height)) - box(
        *((-wide * m.scale, wide * m.scale), (0, 9), (-high * m.scale, high * m.scale))
    )
    tape = box((-25 * m.scale, 25 * m.scale), (0.4, 0.8), (-30 * m.scale, 30 * m.scale))
    turned = 180.0 if m.mount == "nozzle" else 0.0
    return [(sheet, CARD), (frame, WOOD), (tape, TAPE), (ink(m).rotate((0, turned, 0)), INK)]


def ink(m: Measures) -> Manifold:
    """The markers and rulers that are printed on the card, as plates."""
    boxes = [shape.sides_mm for shape in shapes("mirror-1", m.card) if isinstance(shape, Boxes)]
    return Manifold.compose([box((a, c), (-0.15, 0.02), (b, d)) for a, b, c, d in np.concatenate(boxes)])


def stop_plate(m: Measures) -> Manifold:
    """The beam stop in its slot."""
    at, (width, height) = layout(m), (side / 2 for side in m.card_size_mm)
    return box((-width, width), (at.stop[0] + 0.1, at.stop[1] - 0.2), (-height, height - 4))


def _beam(m: Measures) -> Manifold:
    start = -150.0 if m.mount != "nozzle" else -m.gap_mm
    return bore(3.5, start * _Y, _Y, -start, roof=False)


def camera_parts(m: Measures) -> list[Part]:
    """The camera's board with screws and ribbon, and the hood with its glass."""
    frame = camera_frame(m)
    colours = {"board": BOARD, "lens": DARK, "flex": "#b07030", "socket": "#7a6a58", "ribbon": RIBBON}
    found = [(part.transform(frame), colours[name]) for name, part in board_solids(m.board).items()]
    return found + [(part.transform(frame), METAL) for part in screw_solids(m.board).values()]


def holder_scene(c: Cut) -> list[Part]:
    """A holder cut from board, with card, beam stop, washers and what it hangs on."""
    shades = {"between": "#c9a66b", "slot": "#b58d50", "base": "#a67c3f"}
    parts = [(part, shades.get(name, "#d8bd8a")) for name, part in layers(c)]
    m = Measures(card=c.card, mount=c.mount, mount_mm=max(c.mount_mm, 12), card_mm=c.board_mm, camera="none")
    width, height = (side / 2 for side in m.card_size_mm)
    back = 2 * c.board_mm + 0.4 + c.air_layers * c.board_mm
    stop = box((-width, width), (back - c.board_mm + 0.1, back - 0.4), (-height, height - 4))
    beam = bore(3.5, (-c.gap_mm if c.mount == "nozzle" else -60.0) * _Y, _Y, 60, roof=False)
    parts += [*card_parts(m), (stop, STOP), (beam.trim_by_plane((0, -1, 0), 0), BEAM)]
    return parts + _held(c)


def _held(c: Cut) -> list[Part]:
    """What the cut holder hangs on, with the washers glued to it."""
    face, (outer, thick) = c.before_mount_mm + 0.05, c.washer_mm
    if c.mount == "nozzle":
        top = -(c.nozzle_layers + 1) * c.board_mm
        return [(bore(c.mount_mm / 2, top * _Y, -_Y, 50, roof=False), METAL)]
    half = c.mount_mm / 2
    if c.mount == "round":
        mount = bore(half, face * _Y, _Y, 30, roof=False) - bore(
            c.aperture_mm / 2, (face - 1) * _Y, _Y, 50, roof=False
        )
    else:
        deep = 6.0 if c.mount == "bracket" else 30.0
        mount = box((-half, half), (0, deep), (-half, half)) - bore(half * 0.45, -_Y, _Y, 50, roof=False)
        mount = mount.rotate((0, 0, 45.0 if c.mount == "bracket" else 0.0)).translate((0, face, 0))
    discs = [bore(outer / 2, np.array([x, -thick, z]), _Y, thick, roof=False) for x, z in washers(c)]
    turn = 45.0 if c.mount == "bracket" else 0.0
    return [(mount, METAL), *((d.rotate((0, 0, turn)).translate((0, face, 0)), "#e6e9ec") for d in discs)]


def mount_parts(m: Measures) -> list[Part]:
    """A usual mount: barrel, square block, open bracket, nozzle."""
    face = to_card_mm(m) + 0.05
    if m.mount == "round":
        barrel = bore(m.mount_mm / 2, face * _Y, _Y, 30, roof=False) - bore(
            m.mount_mm / 5, (face - 1) * _Y, _Y, 40, roof=False
        )
        return [(barrel, METAL), (bore(m.mount_mm / 4, (face + 24) * _Y, _Y, 3, roof=False), MIRROR)]
    if m.mount == "square":
        half = m.mount_mm / 2
        block = box((-half, half), (face, face + 30), (-half, half)) - bore(
            half * 0.45, (face - 1) * _Y, _Y, 40, roof=False
        )
        return [(block, METAL), (bore(half * 0.5, (face + 22) * _Y, _Y, 3, roof=False), MIRROR)]
    if m.mount == "bracket":
        return bracket_parts(m)
    up = -_Y
    cone = Manifold.cylinder(m.tip_mm, m.tip_diameter_mm / 2, m.mount_mm / 2, 48).rotate((90, 0, 0))
    return [
        (
            cone.translate((0, -m.gap_mm, 0))
            + bore(m.mount_mm / 2, -(m.gap_mm + m.tip_mm) * _Y, up, 60, roof=False),
            METAL,
        )
    ]


def bracket_parts(m: Measures) -> list[Part]:
    """An open bracket: a mirror on a plate at 45°, a second plate behind it on three screws, a base."""
    half, middle = m.mount_mm / 2, mirror_y_mm(m, layout(m).back)
    side = 1.0 if m.deflects == "right" else -1.0

    def turned(solid: Manifold) -> Manifold:
        return solid.rotate((0, 0, 45.0 * side)).translate((0, middle, 0))

    plate, back = (
        box((-half, half), (0.05, 6), (-half, half)),
        box((-half, half), (14, 18), (-half - 6, half)),
    )
    mirror = bore(half * 0.5, -1.5 * _Y, _Y, 2.0, roof=False)
    screws = [
        bore(2.5, np.array([x, 4.0, z]), _Y, 26, roof=False)
        for x, z in ((-half + 6, half - 6), (half - 6, half - 6), (half - 6, -half + 6))
    ]
    discs = [
        bore(m.magnet_mm[0] / 2, np.array([x, -0.75, z]), _Y, 0.8, roof=False)
        for x in _pockets(m)
        for z in _pockets(m)
    ]
    parts: list[Part] = [(turned(plate), METAL), (turned(back), "#8e979e"), (turned(mirror), MIRROR)]
    return parts + [(turned(s), DARK) for s in screws] + [(turned(d), MAGNET) for d in discs]


def _pockets(m: Measures) -> tuple[float, float]:
    place = m.mount_mm / 2 - m.magnet_mm[0] / 2 - 2.6
    return -place, place


def plug_scene(m: Measures, aperture_mm: float) -> list[Part]:
    """The plug in the mount's opening, its pin at the paper in the card's slot; cut open."""
    cut = box((0, 200), (-200, 200), (-200, 200))
    body = plug_body(m, aperture_mm=aperture_mm)
    end = body.bounding_box()[5] + 3.0
    plug = body.rotate((90, 0, 0)).translate((0, end, 0))
    pin = bore(0.5, -1.0 * _Y, _Y, 14.0, roof=False)
    width, height = (side / 2 for side in m.card_size_mm)
    paper = box((-width, width), (0, 0.5), (-height, height))
    parts = [(clip_body(m), PLASTIC), (paper, CARD), *mount_parts(m)]
    return [*((part - cut, colour) for part, colour in parts), (plug, PLUG), (pin, DARK)]


def magnet_scene(m: Measures) -> list[Part]:
    """A square mount's hold from behind: magnets in their pockets, steel discs as they stick to the mount."""
    half, r = m.mount_mm / 2, m.magnet_mm[0] / 2
    place, face = half - r - 2.6, to_card_mm(m)
    places = [np.array([x, 0.0, z]) for x in (-place, place) for z in (-place, place)]
    magnets = [
        bore(r, p + (face - m.magnet_mm[1] - 0.8) * _Y, _Y, m.magnet_mm[1], roof=False) for p in places
    ]
    discs = [bore(r, p + (face + 11) * _Y, _Y, 0.8, roof=False) for p in places]
    block = box((-half, half), (face + 23, face + 33), (-half, half)) - bore(
        half * 0.45, face * _Y, _Y, 80, roof=False
    )
    parts: list[Part] = [(clip_body(m), PLASTIC), (stop_plate(m), STOP), (block, METAL)]
    return parts + [(s, "#3a3f45") for s in magnets] + [(d, "#e6e9ec") for d in discs]


def board_scene(m: Measures) -> list[Part]:
    """The camera's board as it is screwed to the plate, with nuts between and the ribbon's socket up."""
    near = box((-60, 60), (-200, -8), (-14 + m.lens_mm[2] - 14, 200))
    return [(clip_body(m) ^ near, PLASTIC), *camera_parts(m)]


def hood_scene(m: Measures) -> list[Part]:
    """The plate from the card's side: hood with its glass around the lens."""
    glass = Manifold.cylinder(1.0, 11.0, -1, 64)
    hood = hood_body(m)
    high = hood.bounding_box()[5]
    frame = camera_frame(m).copy()
    frame[:, 3] -= m.board.lens_before_plate_mm * frame[:, 2]
    return [
        *board_scene(m),
        (hood.transform(frame), DARK),
        (glass.translate((0, 0, high - 1.0)).transform(frame), MIRROR),
    ]


def tape_scene(m: Measures) -> list[Part]:
    """The card from behind: the board's wide opening, tape on the sheet itself."""
    return card_parts(m)


def view_frame(view: Floats) -> Floats:
    """The viewer's right, up and line of sight, as columns."""
    ahead = -np.asarray(view) / np.linalg.norm(view)
    right = np.cross(ahead, (0, 0, 1.0))
    right /= np.linalg.norm(right)
    return np.column_stack([right, np.cross(right, ahead), ahead])

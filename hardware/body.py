"""The clip: rails for the card and the beam stop, two cheeks, a gable for the camera, and the hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from manifold3d import CrossSection, Manifold

from hardware.measures import BEHIND_LENS_MM, BELOW_LENS_MM, Measures, camera_axes
from hardware.solids import box, diamond, house, placed, prism, section

WALL, RIB, FLOOR = 3.0, 2.4, 3.0
PLAY = 0.4  # of the boards in their slots
OVERLAP = 1.5  # of the rails over the card's edge, for the standard card
COOLING_GAP = 12.0  # between the card's back and the beam stop
FOOT_MM = 75.0  # the cheeks stand on the bed at least this far before the card, so that nothing tips over
_FOOT_SLOPE = np.tan(np.radians(50.0))
_SCREW = 1.2
# Camera Module 3, standard and wide: Raspberry Pi Ltd, mechanical drawing RP-008153-DS-1 (tolerances 0.2 mm),
# <https://datasheets.raspberrypi.com/camera/camera-module-3-standard-mechanical-drawing.pdf>.
# Board 25 × 23.862, holes of 2.2 in a pattern of 21 × 12.5, one row 2 from the edge with the ribbon; the lens
# is in the middle across and 14.4 from that edge. That edge hangs up, as the ribbon leaves upwards.
BOARD_MM = (25.0, 23.862)
LENS_TO_RIBBON_EDGE_MM = 14.4
HOLES_MM = tuple((x, LENS_TO_RIBBON_EDGE_MM - z) for x in (-10.5, 10.5) for z in (2.0, 14.5))  # from the lens
_PLAY_OF_LENS = 1.0  # slots, so that the lens can be brought to the middle of its opening


@dataclass(frozen=True)
class Layout:
    """Where things are along the beam (y) and across it, mm; what the drawings and the checks need too."""

    inner: float  # half the free width between the rails
    outer: float  # half the whole width
    bed: float  # z of the bottom
    under: float  # z to which parts are drawn before all are cut off at the bed: one clean cut, no seams
    top: float  # z of the rails' upper end
    card: tuple[float, float]  # the slot of the card
    stop: tuple[float, float]  # the slot of the beam stop
    rear: float  # where the hold begins
    narrow: float  # half the free width between the cheeks at the camera


def layout(m: Measures) -> Layout:
    """Return where things are."""
    width, height = m.card_size_mm
    card = (0.0, m.card_mm + PLAY)
    stop = (card[1] + COOLING_GAP, card[1] + COOLING_GAP + m.stop_mm + PLAY)
    return Layout(
        inner=width / 2 - max(OVERLAP * m.scale, 1.0),
        outer=width / 2 + PLAY / 2 + WALL,
        bed=-height / 2 - FLOOR,
        under=-height / 2 - FLOOR - 2.0,
        top=height / 2 - 10.0 * m.scale,
        card=card,
        stop=stop,
        rear=stop[1] + RIB,
        narrow=max(m.corridor_mm / 2 + 2.0, 24.0),
    )


def frame_body(m: Measures) -> Manifold:
    """Return the clip without its hold."""
    at = layout(m)
    return _rails(at) + _floor(m, at) + _cheeks(m, at) + _gable(m, at)


def _rails(at: Layout) -> Manifold:
    """Both rails: a wall with four ribs that leave a slot for the card and one for the beam stop."""
    ribs = [
        (-RIB, at.card[0]),
        (at.card[1], at.card[1] + RIB),
        (at.stop[0] - RIB, at.stop[0]),
        (at.stop[1], at.rear),
    ]
    z = (at.under, at.top)
    right = box((at.outer - WALL, at.outer), (-RIB, at.rear), z)
    for rib in ribs:
        right += box((at.inner, at.outer), rib, z)
    return right + right.mirror((1, 0, 0))


def _floor(m: Measures, at: Layout) -> Manifold:
    """The floor under card and stop, open below the cooling gap, and a strip that joins the cheeks' feet."""
    z = (at.under, at.bed + FLOOR)
    floor = box((-at.outer, at.outer), (-RIB, at.rear), z)
    vent = (at.card[1] + RIB + 0.5, at.stop[0] - RIB - 0.5)
    third = (at.inner - 8.0) / 3
    for middle in (-2 * third - 3, 0.0, 2 * third + 3):
        floor -= box((middle - third, middle + third), vent, (at.under - 1, at.bed + FLOOR + 1))
    foot = _side(m, at)[0][0]
    return floor + (box((-at.outer, at.outer), (foot + 1.0, foot + 9.0), z) ^ _plan(m, at, inset=1.0))


def _ends(m: Measures, at: Layout) -> tuple[Any, Any]:
    """Lower and upper end (y, z) of the gable where it meets the cheeks."""
    _, up, ahead = camera_axes(m.tilt_deg)
    back = m.lens_mm - (BEHIND_LENS_MM + WALL) * ahead
    reach = at.narrow + WALL
    low, high = back - up * (BELOW_LENS_MM + 1.0 + reach), back + WALL / 2 * ahead + up * (40.0 - reach)
    return low[1:], high[1:]


def _side(m: Measures, at: Layout) -> list[tuple[float, float]]:
    """The cheeks' outline from the side, (y, z): feet on the bed, leaning out no flatter than 50°."""
    low, high = _ends(m, at)
    foot = max(low[0], min(low[0] + (low[1] - at.bed) / _FOOT_SLOPE, -FOOT_MM * m.scale))
    front = (low[0] + (high[1] - low[1]) * 0.1, high[1])
    inside = -RIB / 2  # ends within the rail, lest edges only touch
    lower = [(inside, at.top - 1.0), (inside, at.under), (foot, at.under)]
    return [(foot, at.bed), tuple(low), front, tuple(high), *lower]


def _plan(m: Measures, at: Layout, *, inset: float = 0.0) -> Manifold:
    """All between the cheeks' outer faces, as seen from above: the clip narrows towards the camera."""
    end = _ends(m, at)[0][0] - 30.0
    wide, narrow = at.outer - inset, at.narrow + WALL - inset
    far = narrow - (wide - narrow) * 30.0 / (-_ends(m, at)[0][0])
    outline = [(-wide, 0.01), (-far, end), (far, end), (wide, 0.01)]
    return prism(outline, "z", (at.under - 1.0, m.lens_mm[2] + 80))


def _cheeks(m: Measures, at: Layout) -> Manifold:
    both = _plan(m, at) - _plan(m, at, inset=WALL)
    profile = section(_side(m, at))
    return both ^ prism(profile - _opening(m, at, profile), "x", (-at.outer - 1, at.outer + 1))


def _opening(m: Measures, at: Layout, profile: CrossSection) -> CrossSection:
    """A window in the cheek, 12 mm inside its outline, under a roof of 45°: light, and less plastic."""
    inside = profile.offset(-12.0)
    y0, z0, y1, z1 = inside.bounds()
    ridge, span = (2 * y0 + y1) / 3, y1 - y0
    strip = [(ridge - 0.1, z0), (ridge + 0.1, z0), (ridge + 0.1, z1), (ridge - 0.1, z1)]
    top = (inside ^ section(strip)).bounds()[3] - 0.2
    roof = house(span, z0 - 1, top).translate((ridge, 0.0))
    return inside ^ roof


def _gable(m: Measures, at: Layout) -> Manifold:
    """The plate behind the lens, square to the line of sight, its lower edges rising at 45°."""
    right, up, ahead = camera_axes(m.tilt_deg)
    reach = at.outer + 10.0
    half = [(reach, -BELOW_LENS_MM - reach), (reach, 42 - reach), (16, 26)]
    outline = [(0, -BELOW_LENS_MM), *half, *((-x, z) for x, z in reversed(half))]
    plate = section(outline) - house(7.0, -7.0, 18.0)
    low, high = min(z for _, z in HOLES_MM) - _SCREW, max(z for _, z in HOLES_MM) + _SCREW * np.sqrt(2)
    slot = house(_SCREW, low - _PLAY_OF_LENS, high + _PLAY_OF_LENS)
    for side in sorted({x for x, _ in HOLES_MM}):
        plate -= slot.translate((side, 0.0)) + diamond(2.8).translate((side, 20.0))
    frame = np.column_stack([right, up, -ahead])
    solid = placed(plate, frame, m.lens_mm - BEHIND_LENS_MM * ahead, WALL)
    return solid ^ _plan(m, at)

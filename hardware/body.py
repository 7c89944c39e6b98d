"""The clip's body: rails for the card and the beam stop, two side walls (cheeks), a gable for the camera."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from manifold3d import CrossSection, Manifold

from hardware.boards import HOLES_MM, PLATE_MM
from hardware.measures import (
    BELOW_LENS_MM,
    FLOOR_MM,
    PLAY_MM,
    RIB_MM,
    WALL_MM,
    Measures,
)
from hardware.solids import box, diamond, house, placed, prism, section

WALL, RIB = WALL_MM, RIB_MM
OVERLAP = 1.5  # how far the rails reach over the card's edge, for the standard card
FOOT_MM = 75.0  # the cheeks' feet reach at least this far before the card, so that the print cannot tip over
_FOOT_SLOPE = np.tan(np.radians(50.0))
_SCREW, _HEAD, _HEAD_DEEP = 1.2, 2.2, 1.7  # half widths of the slots for M2 screws and their heads; how deep
_PLAY_OF_LENS = 1.0  # length of the slots, which allow the lens to be centred in its opening
_NOTCH = 7.0  # half width of the opening for the lens and, below it, the sensor's flex
_RIDGE = 15.0  # height of the ridge of the opening's roof above the lens
_TOP = 42.0  # height of the gable's top above the lens


@dataclass(frozen=True)
class Layout:
    """Where things are along the beam (y) and across it, mm; the drawings and the checks use it too."""

    inner: float  # half the free width between the rails
    outer: float  # half the whole width
    shelf: float  # z on which card and beam stop stand
    bed: float  # z of the bottom
    under: float  # z to which parts are drawn before all are cut off at the bed, so that there are no seams
    top: float  # z of the rails' upper end
    card: tuple[float, float]  # the slot of the card
    stop: tuple[float, float]  # the slot of the beam stop
    back: float  # behind the beam stop: where the hold begins
    rear: float  # where the rails end
    narrow: float  # half the free width between the cheeks at the camera


def layout(m: Measures) -> Layout:
    """Return where things are."""
    width, height = m.card_size_mm
    card = (0.0, m.card_mm + PLAY_MM)
    stop = (card[1] + m.air_mm, card[1] + m.air_mm + m.stop_mm + PLAY_MM)
    bed = min(-height / 2 - FLOOR_MM, _lowest(m))
    return Layout(
        inner=width / 2 - max(OVERLAP * m.scale, 1.0),
        outer=width / 2 + PLAY_MM / 2 + WALL,
        shelf=-height / 2,
        bed=bed,
        under=bed - 2.0,
        top=height / 2 - 10.0 * m.scale,
        card=card,
        stop=stop,
        back=stop[1],
        rear=stop[1] + RIB,
        narrow=max(m.corridor_mm / 2 + 2.0, 20.0),
    )


def _lowest(m: Measures) -> float:
    """z down to which the clip must reach for its hold, rounded to half a mm."""
    half = m.mount_mm / 2
    vee = half * math.sqrt(2.0) + 14.0
    return -math.ceil(2 * {"square": half + 8.0, "bracket": half + 3.0}.get(m.mount, vee)) / 2


def frame_body(m: Measures) -> Manifold:
    """Return the clip without its hold."""
    at = layout(m)
    holder = _rails(at) + _floor(m, at)
    return holder if m.camera == "none" else holder + _foot(m, at) + _cheeks(m, at) + _gable(m, at)


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
    """The floor under card and stop, open below the cooling gap."""
    floor = box((-at.outer, at.outer), (-RIB, at.rear), (at.under, at.shelf))
    vent = (at.card[1] + 0.5, at.stop[0] - 0.5)
    third = (at.inner - 8.0) / 3
    for middle in (-2 * third - 3, 0.0, 2 * third + 3):
        floor -= box((middle - third, middle + third), vent, (at.under - 1, at.shelf + 1))
    return floor


def _foot(m: Measures, at: Layout) -> Manifold:
    """A strip on the bed that joins the cheeks' feet."""
    foot = _side(m, at)[0][0]
    return box((-at.outer, at.outer), (foot + 1.0, foot + 9.0), (at.under, at.bed + FLOOR_MM)) ^ _plan(
        m, at, inset=1.0
    )


def _ends(m: Measures, at: Layout) -> tuple[Any, Any]:
    """Lower and upper end (y, z) of the gable where it meets the cheeks."""
    _, up, ahead = m.axes
    back = m.lens_mm - (m.board.lens_before_plate_mm + WALL) * ahead
    reach = at.narrow + WALL
    low, high = back - up * (BELOW_LENS_MM + 1.0 + reach), back + WALL / 2 * ahead + up * (_TOP - 2.0 - reach)
    return low[1:], high[1:]


def _side(m: Measures, at: Layout) -> list[tuple[float, float]]:
    """The cheeks' outline from the side, (y, z): feet on the bed, leaning out no flatter than 50°."""
    low, high = _ends(m, at)
    foot = max(low[0], min(low[0] + (low[1] - at.bed) / _FOOT_SLOPE, -FOOT_MM * m.scale))
    front = (low[0] + (high[1] - low[1]) * 0.1, high[1])
    inside = -RIB / 2  # ends within the rail, so that the parts do not merely touch
    lower = [(inside, at.top - 1.0), (inside, at.under), (foot, at.under)]
    return [(foot, at.bed), tuple(low), front, tuple(high), *lower]


def _plan(m: Measures, at: Layout, *, inset: float = 0.0) -> Manifold:
    """The clip's outline from above, between the cheeks' outer faces: it narrows towards the camera."""
    end = _ends(m, at)[0][0] - 30.0
    wide, narrow = at.outer - inset, at.narrow + WALL - inset
    far = narrow - (wide - narrow) * 30.0 / (-_ends(m, at)[0][0])
    outline = [(-wide, 0.01), (-far, end), (far, end), (wide, 0.01)]
    return prism(outline, "z", (at.under - 1.0, m.lens_mm[2] + 80))


def _cheeks(m: Measures, at: Layout) -> Manifold:
    both = _plan(m, at) - _plan(m, at, inset=WALL)
    profile = section(_side(m, at))
    return both ^ prism(profile - _opening(profile), "x", (-at.outer - 1, at.outer + 1))


def _opening(profile: CrossSection) -> CrossSection:
    """A window in the cheek, 12 mm inside its outline, under a roof of 45°: light, and less plastic."""
    inside = profile.offset(-12.0)
    if inside.area() < 150.0:
        return CrossSection()
    y0, z0, y1, z1 = inside.bounds()
    ridge, span = (2 * y0 + y1) / 3, y1 - y0
    strip = [(ridge - 0.1, z0), (ridge + 0.1, z0), (ridge + 0.1, z1), (ridge - 0.1, z1)]
    top = (inside ^ section(strip)).bounds()[3] - 0.2
    roof = house(span, z0 - 1, top).translate((ridge, 0.0))
    return inside ^ roof


def _gable(m: Measures, at: Layout) -> Manifold:
    """The plate before the camera's board, square to the line of sight, its lower edges rising at 45°.

    The socket's edge of the board is up, so the lens stands in a notch that is open downwards for the
    sensor's flex. The heads of the screws sink into the front face: a lamp ring can lie flat on it.
    """
    right, up, ahead = m.axes
    reach = at.outer + 10.0
    half = [(reach, -BELOW_LENS_MM - reach), (reach, _TOP - reach), (16, _TOP - 16)]
    outline = [(0, -BELOW_LENS_MM), *half, *((-x, z) for x, z in reversed(half))]
    plate = section(outline) - house(_NOTCH, -reach, _RIDGE)
    for x in sorted({x for x, _ in HOLES_MM}):
        plate -= _slot(_SCREW).translate((x, 0.0)) + diamond(2.8).translate((x, 22.0))
    frame = np.column_stack([right, up, -ahead])
    face = m.lens_mm - m.board.lens_before_plate_mm * ahead
    solid = placed(plate, frame, face, PLATE_MM)
    for x in sorted({x for x, _ in HOLES_MM}):
        solid -= placed(_slot(_HEAD).translate((x, 0.0)), frame, face + ahead, 1.0 + _HEAD_DEEP)
    return solid ^ _plan(m, at)


def _slot(half: float) -> CrossSection:
    """One slot for the two screws of a side, under a roof of 45°."""
    rows = sorted(z for _, z in HOLES_MM)
    low, high = rows[0] - half - _PLAY_OF_LENS, rows[-1] + half * np.sqrt(2) + _PLAY_OF_LENS
    return house(half, low, high)

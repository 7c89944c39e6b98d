"""What the clip sits on: a round collar, a square face, or the nozzle; an open bracket is in `bracket`."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from hardware.body import Layout, frame_body, layout
from hardware.bracket import bracket_hold
from hardware.measures import DISC_MM, FLOOR_MM, WALL_MM, Measures, Unbuildable
from hardware.solids import bore, box, diamond, drop, prism, section

WALL, FLOOR, DISC = WALL_MM, FLOOR_MM, DISC_MM  # DISC: of each pocket, free for the steel disc on the mount
_SLIVER_MM = 1e-3  # corners nearer than this become one, as they do in the single precision of STL
_PLAY = 0.3  # clearance above the collar in its sleeve
_SHOULDER = 2.5  # width of the rim of the collar's end that rests against the rear wall
_ROOT2 = np.sqrt(2.0)


def clip_body(m: Measures) -> Manifold:
    """Return the whole clip, one body, in the clip's frame.

    Raises
    ------
    Unbuildable
        If the measurements leave no room for something.
    """
    hold = {"round": _round, "square": _square, "bracket": bracket_hold, "nozzle": _nozzle}[m.mount]
    return (frame_body(m) + hold(m, layout(m))).trim_by_plane((0, 0, 1), layout(m).bed).simplify(_SLIVER_MM)


def _round(m: Measures, at: Layout) -> Manifold:
    """A rear wall that the collar's end rests against, and a sleeve that the collar is pushed into.

    The camera's weight pulls the front down. The sleeve takes up that moment on the collar, below at the rear
    and above at the front; the magnets only keep the clip from sliding off.
    """
    y = (at.back, at.back + WALL)
    top = -m.mount_mm / 2 + _SHOULDER
    wall = box((-at.outer, at.outer), y, (at.under, min(top, at.top)))
    for side in (-1, 1):
        vent = prism(
            diamond(9.0 * m.scale).translate((side * at.outer * 0.72, at.shelf + 12.0 * m.scale)), "y", y
        )
        wall -= vent
    return wall + _sleeve(m, at, (y[1], y[1] + m.grip_mm))


def _nozzle(m: Measures, at: Layout) -> Manifold:
    """A saddle beside the nozzle, above the card, on a floor of its own."""
    high = -m.gap_mm - m.tip_mm
    y = (high - m.grip_mm, high)
    half = _saddle_half(m)
    floor = box((-at.outer + 6, at.outer - 6), (y[0] - 4, 0.0), (at.under, at.bed + FLOOR))
    slope = [(y[1] - 0.1, at.under), (y[1] - 0.1, at.bed - high), (0.0, at.bed + 1), (0.0, at.under)]
    stay = prism(slope, "x", (-3.0, 3.0))
    return (
        floor
        + stay
        + _saddle(m, at, y)
        + box((-half - 8, half + 8), (y[0] - 4, y[1]), (at.under, at.bed + 2 * FLOOR))
    )


def _saddle_half(m: Measures) -> float:
    """Half the width of the saddle: both contact lines and the magnets around them."""
    return float((m.mount_mm / 2 + m.magnet_mm[0] / 2 + 2.0) / _ROOT2)


def _saddle(m: Measures, at: Layout, y: tuple[float, float]) -> Manifold:
    """A vee of 90° that touches the round part along two lines, a magnet in each face, a hole for a strap."""
    half, apex = _saddle_half(m), -m.mount_mm / _ROOT2
    ends, rim = half + 2.5, half - m.mount_mm / _ROOT2
    outline = [
        (-ends, at.under),
        (ends, at.under),
        (ends, rim),
        (half, rim),
        (0.0, apex),
        (-half, rim),
        (-ends, rim),
    ]
    return _hollowed(prism(section(outline), "y", y), m, at, y)


def _sleeve(m: Measures, at: Layout, y: tuple[float, float]) -> Manifold:
    """The saddle's vee, and above it a roof of 45° with a little play, so that it prints without support."""
    side = max(m.mount_mm / 2 + 1.5, _saddle_half(m))
    ridge, low = (m.mount_mm / 2 + _PLAY) * _ROOT2, m.mount_mm / _ROOT2
    half = [(0.0, -low), (side, side - low), (side, ridge - side), (0.0, ridge)]
    hole = section([*half, *((-x, z) for x, z in reversed(half[1:-1]))])
    ends, top = side + WALL + 1.0, ridge + WALL + 1.0
    shoulder = top + 2.0 - ends
    outline = [
        (-ends, at.under),
        (ends, at.under),
        (ends, shoulder),
        (2.0, top),
        (-2.0, top),
        (-ends, shoulder),
    ]
    sleeve = _hollowed(prism(section(outline) - hole, "y", y), m, at, y)
    return sleeve + _boss(ridge, y) - _screw_hole((y[0] + y[1]) / 2, ridge)


def _boss(ridge: float, y: tuple[float, float]) -> Manifold:
    """Plastic around the clamping screw on the sleeve's ridge: 8 mm of thread."""
    top = ridge + 10.0
    return prism(section([(-6, ridge - 3), (0, ridge + 3), (6, ridge - 3), (6, top), (-6, top)]), "y", y)


def _screw_hole(middle: float, ridge: float) -> Manifold:
    """A hole for a self-tapping M4 screw, which clamps the collar in the vee where no magnet holds."""
    return Manifold.cylinder(14.0, 1.7, -1, 32).translate((0.0, middle, ridge - 2.0))


def _hollowed(post: Manifold, m: Measures, at: Layout, y: tuple[float, float]) -> Manifold:
    """Cut the magnets' pockets into the vee's faces, and the hole for a strap below it."""
    apex, middle, wide = -m.mount_mm / _ROOT2, (y[0] + y[1]) / 2, 2 * at.outer
    post -= prism(diamond(4.0).translate((middle, apex - 7.0)), "x", (-wide, wide))
    radius, depth = m.magnet_mm[0] / 2 + 0.1, m.magnet_mm[1] + 0.2
    for side in (-1, 1):
        inward = np.array([side, 0.0, -1.0]) / _ROOT2
        contact = np.array([0.0, middle, 0.0]) + inward * m.mount_mm / 2
        post -= bore(radius, contact - inward, inward, depth + 1.0, roof=False)
    return post


def _square(m: Measures, at: Layout) -> Manifold:
    """A rear wall with four magnets, open upwards in the middle; seats for the mount's edges."""
    half, radius = m.mount_mm / 2, m.magnet_mm[0] / 2 + 0.1
    place, free = half - radius - 2.5, half - 2 * radius - 5.0
    if free < 6.0:
        raise Unbuildable(
            f"mount {m.mount_mm:g}: no room for magnets of {m.magnet_mm[0]:g}; take smaller ones"
        )
    thick = WALL + m.magnet_mm[1] + DISC - 1.0
    y = (at.back, at.back + thick)
    wide = max(at.outer, half + 4)
    wall = box((-wide, wide), y, (at.under, 0.0)) + box((-half - 4, half + 4), y, (at.under, half))
    through = (y[0] - 1, y[1] + 1)
    wall -= prism(drop(free), "y", through) + box((0.3 - free, free - 0.3), through, (0.0, half + 1))
    for x in (-place, place):
        for z in (-place, place):
            wall -= bore(radius, np.array([x, y[1] - m.magnet_mm[1] - DISC, z]), np.array([0, 1.0, 0]), 9.0)
    return wall + _seats(m, at, y[1])


def _seats(m: Measures, at: Layout, rear: float) -> Manifold:
    half, y = m.mount_mm / 2, (rear - 0.5, rear + 7.0)
    stop = box((-half - 3.4, -half - 0.2), y, (at.under, 0.0))
    for x in (-half + 8, half - 8):
        stop += box((x - 4, x + 4), y, (at.under, -half - 0.2))
    return stop

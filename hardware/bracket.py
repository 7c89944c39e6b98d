"""The hold for an open bracket: a mirror plate at 45° to the beam, without any face square to the beam.

Steel discs glued to the plate's face, beside its mirror, meet magnets in the hold's slanted face. Where
nothing may be glued, two cable ties around the plate hold it. `Measures.deflects` says to which side the
mirror sends the beam.
"""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from hardware.body import Layout
from hardware.measures import DISC_MM, WALL_MM, Measures, Unbuildable
from hardware.solids import Floats, bore, box, diamond, drop, prism, section

_ROOT2 = float(np.sqrt(2.0))
_LIP = 5.0  # how far the lip stands out at the plate's near edge; it sets where along the plate the hold sits
_TIE = 3.5  # half the diagonal of the holes for cable ties


def bracket_hold(m: Measures, at: Layout) -> Manifold:
    """Return the hold, in the clip's frame.

    Raises
    ------
    Unbuildable
        If there is no room for magnets beside the mirror.
    """
    free = m.mount_mm / 2 - m.magnet_mm[0] - 5.2
    if free < 6.0:
        raise Unbuildable(
            f"mount {m.mount_mm:g}: no room for magnets of {m.magnet_mm[0]:g}; take smaller ones"
        )
    middle, thick = mirror_y_mm(m, at.back), m.magnet_mm[1] + DISC_MM + 2.0
    z = (at.under, m.mount_mm / 2)
    solid = _wall(m, at, middle, z) + prism(section(_strip(m, middle, thick)), "z", z)
    lip = section(_lip(m, middle, thick)) ^ section(
        [(-90, at.back + 0.5), (0, at.back + 0.5), (0, 90), (-90, 90)]
    )
    solid += prism(lip, "z", z)
    solid -= prism(drop(free / _ROOT2), "y", (at.back - 1, middle + m.mount_mm))
    place = m.mount_mm / 2 - m.magnet_mm[0] / 2 - 2.6
    for along in (-place, place):
        for up in (-place, place):
            solid -= _pocket(m, middle, along, up)
    for up in (-place + 11.0, place - 8.5):
        solid -= prism(diamond(_TIE).translate((at.back + WALL_MM + _TIE + 1.0, up)), "x", (-60.0, 60.0))
    return solid if m.deflects == "right" else solid.mirror((1, 0, 0))


def mirror_y_mm(m: Measures, back_mm: float) -> float:
    """y at which the plate's face crosses the beam's line."""
    return back_mm + WALL_MM + m.mount_mm / 2 / _ROOT2


def _wall(m: Measures, at: Layout, middle: float, z: tuple[float, float]) -> Manifold:
    """A rear wall, and the wall that supports the strip's far end."""
    end = m.mount_mm / 2 / _ROOT2
    rear = (at.back, at.back + WALL_MM)
    wall = box((-at.outer, at.outer), rear, (at.under, min(at.top, m.mount_mm / 2)))
    wall += box((-end - 4, end + 2), rear, z)
    near, low = end - WALL_MM, at.back + 0.5
    return wall + prism(
        [(near, low), (end, low), (end, middle + end - 0.5), (near, middle + near - 0.5)], "z", z
    )


def _strip(m: Measures, middle: float, thick: float) -> list[tuple[float, float]]:
    """The slanted face, as seen from above: along the plate, `thick` behind its face."""
    half, back = m.mount_mm / 2 / _ROOT2, thick * _ROOT2
    low = middle - half - WALL_MM + 0.5  # ends within the rear wall
    return [
        (-half, middle - half),
        (half, middle + half),
        (half, middle + half - back),
        (low - middle + back, low),
        (-half, low),
    ]


def _lip(m: Measures, middle: float, thick: float) -> list[tuple[float, float]]:
    """The lip that the plate's near edge rests against, as seen from above."""
    near, far = -m.mount_mm / 2 - 0.2, -m.mount_mm / 2 - 3.6
    corners = [
        (far, -thick / 2),
        (near + 1.0, -thick / 2),
        (near + 1.0, -0.5),
        (near, -0.5),
        (near, _LIP),
        (far, _LIP),
    ]
    return [((t - n) / _ROOT2, middle + (t + n) / _ROOT2) for t, n in corners]


def _pocket(m: Measures, middle: float, along: float, up: float) -> Manifold:
    inward = np.array([1.0, -1.0, 0.0]) / _ROOT2  # from the plate into the strip
    face: Floats = np.array([along / _ROOT2, middle + along / _ROOT2, up])
    depth = m.magnet_mm[1] + DISC_MM
    return bore(m.magnet_mm[0] / 2 + 0.1, face - 6.0 * inward, inward, depth + 6.0)

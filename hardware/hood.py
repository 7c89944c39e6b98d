"""The hood: a short tube around the lens with a cover glass, which takes the soot instead of the lens."""

from __future__ import annotations

from manifold3d import CrossSection, Manifold

from hardware.measures import Measures

GLASS_MM = (
    22.0,
    1.0,
)  # a round microscope cover glass, and how deep it lies; the glass itself is 0.13 to 0.2 thick
_INNER_MM, _OUTER_MM = 19.0, 25.0
_PLAY_MM = 0.2
_BEFORE_LENS_MM = 1.2


def hood_body(m: Measures) -> Manifold:
    """Return the hood on its foot at z = 0, axis along z; it is glued to the plate around the lens."""
    high = max(m.board.lens_before_plate_mm + _BEFORE_LENS_MM, 3.0)
    tube = CrossSection.circle(_OUTER_MM / 2, 96) - CrossSection.circle(_INNER_MM / 2, 96)
    rim = CrossSection.circle(_OUTER_MM / 2, 96) - CrossSection.circle(GLASS_MM[0] / 2 + _PLAY_MM, 96)
    return tube.extrude(high) + rim.extrude(GLASS_MM[1]).translate((0, 0, high))

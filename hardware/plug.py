"""The centring plug: a cone that finds the middle of an aperture, with a pin that pricks the card there.

A cone centres itself in any round edge, so the plug needs no close fit, and the clip's tolerance cancels out.
"""

from __future__ import annotations

import math

from manifold3d import CrossSection, Manifold

from hardware.body import layout
from hardware.bracket import mirror_y_mm
from hardware.measures import Measures, Unbuildable
from hardware.solids import section

_HALF_ANGLE = math.radians(15.0)
PIN_MM = 1.0
_STEM_MM = 5.0
_PIN_OUT_MM = 4.0  # how far the pin stands out of the stem; it ends 1 mm before the card's struck face


def plug_body(m: Measures, *, aperture_mm: float) -> Manifold:
    """Return the plug for an aperture, standing on its small end, its axis along z.

    Raises
    ------
    Unbuildable
        If the aperture is smaller than 3 mm or wider than the clip leaves open.
    """
    free = _widest_mm(m)
    if not 3.0 <= aperture_mm <= free:
        raise Unbuildable(f"aperture {aperture_mm:g}: it must be 3 to {free:g} for this mount")
    half = min(1.5, aperture_mm / 6)
    rise = half / math.tan(_HALF_ANGLE)
    small, large = aperture_mm / 2 - half, aperture_mm / 2 + half
    stem = min(_STEM_MM / 2, large)
    tip = rise + to_card_mm(m) + 1.0 - _PIN_OUT_MM
    slope = 2 * rise + min(large - stem, 4.0)
    if tip < slope + 2.0:
        raise Unbuildable(f"aperture {aperture_mm:g}: no room for the plug between mount and card")
    outline = [(0, 0), (small, 0), (large, 2 * rise), (stem, slope), (stem, tip), (0, tip)]
    body = Manifold.revolve(section(outline), 96)
    return body - CrossSection.circle(PIN_MM / 2, 24).extrude(14.0).translate((0, 0, tip - 12.0))


def _widest_mm(m: Measures) -> float:
    """Widest aperture whose plug, 1.5 mm larger all round, still passes through the clip."""
    if m.mount == "nozzle":
        return m.tip_diameter_mm
    return m.mount_mm - (8.0 if m.mount == "round" else 2 * m.magnet_mm[0] + 13.5)


def profile_line(mount: str, before_mm: float) -> str:
    """The line for the laser's profile, for a card so far before a mount or below a nozzle's tip."""
    if mount == "nozzle":
        return f"in the laser's profile, under [card]: before_mount_mm = {{ nozzle = {-before_mm:.1f} }}"
    said = f"in the laser's profile, under [card]: before_mount_mm = {{ mirror-N = {before_mm:.1f} }}"
    behind = ", plus how far the mirror's middle lies behind the mount's face"
    return said + ("" if mount == "bracket" else behind)


def to_card_mm(m: Measures) -> float:
    """`before_mount_mm`: distance from the mount's face (bracket: mirror; nozzle: tip) to the card's face."""
    if m.mount == "nozzle":
        return m.gap_mm
    if m.mount == "bracket":
        return mirror_y_mm(m, layout(m).back)
    wall = 3.0 if m.mount == "round" else 2.8 + m.magnet_mm[1]
    return layout(m).back + wall

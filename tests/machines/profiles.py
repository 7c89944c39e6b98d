"""Two invented lasers, as measured with a ruler, with mirror 1 at either corner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

CORNERS = ("back-left", "back-right")
TOLERANCE = {"overlap_mm": 1.0, "centre_mm": 1.5, "lens_mm": 2.0, "nozzle_mm": 0.4}


def _mount(mirror: int, pitch_mm: float, *contacts: tuple[str, Sequence[float], bool]) -> dict[str, Any]:
    rows = []
    for name, at_mm, is_screw in contacts:
        row: dict[str, Any] = {"name": name, "at_mm": list(at_mm)}
        rows.append(row | ({"screw_pitch_mm": pitch_mm, "clockwise": 1} if is_screw else {}))
    return {"mirror": mirror, "contact": rows}


def _pivot_below(mirror: int, arm_mm: float, pitch_mm: float, *, corner_screw: bool) -> dict[str, Any]:
    """Pivot (or third screw) below the top screw: top tips the beam up and down, side left and right."""
    a = arm_mm / 2
    return _mount(
        mirror,
        pitch_mm,
        ("top", (-a, a), True),
        ("side", (a, -a), True),
        ("corner", (-a, -a), corner_screw),
    )


def _pivot_above(mirror: int, arm_mm: float, pitch_mm: float, *, corner_screw: bool) -> dict[str, Any]:
    """A mount the other way round: the pivot beside the top screw and above the bottom one."""
    a = arm_mm / 2
    return _mount(
        mirror,
        pitch_mm,
        ("top", (-a, a), True),
        ("bottom", (a, -a), True),
        ("corner", (a, a), corner_screw),
    )


def _large(corner: str) -> dict[str, Any]:
    return {
        "name": "large bench machine",
        "bed": {"width_mm": 1600.0, "depth_mm": 1000.0},
        "path": {
            "corner": corner,
            "tube_to_mirror_1_mm": 150.0,
            "mirror_1_to_2_mm": [120.0, 1120.0],
            "mirror_2_to_3_mm": [90.0, 1690.0],
            "mirror_3_to_lens_mm": 60.0,
            "lens_focal_mm": 63.5,
            "lens_to_nozzle_tip_mm": 55.0,
        },
        "beam": {"wavelength_um": 10.6, "diameter_mm": 7.0, "divergence_mrad": 2.2},
        "aperture": {
            "mirror_1_mm": 25.0,
            "mirror_2_mm": 25.0,
            "mirror_3_mm": 25.0,
            "lens_mm": 18.0,
            "nozzle_mm": 4.0,
        },
        "tolerance": dict(TOLERANCE),
        "tube": {"exit_mount_mm": 200.0, "far_mount_mm": 1200.0},
        "mount": [
            _pivot_below(1, 36.0, 0.7, corner_screw=False),
            _pivot_above(2, 36.0, 0.7, corner_screw=True),
            _pivot_below(3, 36.0, 0.7, corner_screw=True),
        ],
    }


def _small(corner: str) -> dict[str, Any]:
    return {
        "name": "small bench machine",
        "bed": {"width_mm": 600.0, "depth_mm": 400.0},
        "path": {
            "corner": corner,
            "tube_to_mirror_1_mm": 100.0,
            "mirror_1_to_2_mm": [80.0, 480.0],
            "mirror_2_to_3_mm": [70.0, 670.0],
            "mirror_3_to_lens_mm": 45.0,
            "lens_focal_mm": 50.8,
            "lens_to_nozzle_tip_mm": 44.0,
        },
        "beam": {"wavelength_um": 10.6, "diameter_mm": 5.0, "divergence_mrad": 3.0},
        "aperture": {
            "mirror_1_mm": 20.0,
            "mirror_2_mm": 20.0,
            "mirror_3_mm": 20.0,
            "lens_mm": 16.0,
            "nozzle_mm": 4.0,
        },
        "tolerance": dict(TOLERANCE),
        "tube": {"exit_mount_mm": 120.0, "far_mount_mm": 720.0},
        "mount": [
            _pivot_below(1, 30.0, 0.5, corner_screw=True),
            _pivot_above(2, 30.0, 0.5, corner_screw=False),
            _pivot_below(3, 30.0, 0.5, corner_screw=True),
        ],
    }


PROFILES = {"1600": _large, "600": _small}


def profile(name: str, corner: str = "back-left") -> dict[str, Any]:
    """A fresh profile as plain JSON values; name is '1600' or '600', corner 'back-left' or 'back-right'."""
    return PROFILES[name](corner)

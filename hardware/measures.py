"""What somebody measures before a clip is printed, and what follows from it.

Lengths in mm, angles in degrees. The clip's frame, used in all files of this folder: x = u (right) and
z = v (up) of the card, y along the beam, origin in the middle of the card's struck face. The clip is printed
as it stands in this frame, z up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import SIZES, card_sheet

Floats = NDArray[np.floating[Any]]

MOUNTS = ("round", "square", "nozzle")
CARDS = ("small", "standard")  # the large one is for searching, without a clip
# Degrees across and down, of Camera Module 3 and its wide variant: Raspberry Pi documentation, "Hardware
# specification" of the cameras <https://www.raspberrypi.com/documentation/accessories/camera.html>
CAMERAS = {"standard": (66.0, 41.0), "wide": (102.0, 67.0)}
BED_MM = 200.0
BEHIND_LENS_MM = 3.5  # from the front of the lens back to the plate: the board stands behind it
BELOW_LENS_MM = 11.0  # from the lens down to the peak of that plate's lower edges, which fall at 45°
_QUIET_MM = 1.2  # of the white around the markers that stays in view
_IN_VIEW = 0.96  # of the field of view that the card may fill


class Unbuildable(ValueError):
    """These measurements make no clip; one line that says why and what to change."""


@dataclass(frozen=True)
class Measures:
    """What somebody measured.

    mount, mount_mm : the shape that the clip sits on, and its outside diameter or side.
    grip_mm : how much of a round collar or nozzle is free to sit on.
    tip_mm, tip_diameter_mm, gap_mm : of a nozzle: from its tip up to where it has its full diameter; how wide
    the tip is; from the tip down to the card.
    card : the card's size, one of `CARDS`.
    card_mm, stop_mm : thickness of the card's board and of the beam stop.
    tilt_deg : between the camera's axis and the card's normal; camera : one of `CAMERAS`.
    magnet_mm : diameter and thickness of the magnets.
    """

    mount: str = "round"
    mount_mm: float = 40.0
    grip_mm: float = 12.0
    tip_mm: float = 8.0
    tip_diameter_mm: float = 8.0
    gap_mm: float = 15.0
    card: str = "standard"
    card_mm: float = 3.0
    stop_mm: float = 3.0
    tilt_deg: float = 30.0
    camera: str = "standard"
    magnet_mm: tuple[float, float] = (8.0, 3.0)

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("mount", self.mount_mm, *((12, 60) if self.mount != "square" else (36, 80))),
            ("grip", self.grip_mm, self.magnet_mm[0] + 3.5, 20),
            ("tip", self.tip_mm, 0, 20),
            ("tip diameter", self.tip_diameter_mm, 3, 15),
            ("gap", self.gap_mm, 10, 25),
            ("card thickness", self.card_mm, 0.5, 6),
            ("stop thickness", self.stop_mm, 1.5, 8),
            ("tilt", self.tilt_deg, 25, 35),
            ("magnet diameter", self.magnet_mm[0], 4, 12),
            ("magnet thickness", self.magnet_mm[1], 1, 6),
        ):
            if not low <= value <= high:
                raise Unbuildable(f"{name} {value:g}: it must be {low:g} to {high:g}")

    @property
    def scale(self) -> float:
        """Size of the card, 1 for the standard one."""
        return SIZES[self.card]

    @property
    def card_size_mm(self) -> tuple[float, float]:
        """Width and height of the card."""
        sheet = card_sheet("mirror-1", self.card)
        return sheet.width_mm, sheet.height_mm

    @property
    def window_mm(self) -> float:
        """Diameter of the card's window."""
        return card_sheet("mirror-1", self.card).window_diameter_mm

    @property
    def corridor_mm(self) -> float:
        """Diameter of the straight cylinder around the nominal beam in which there is no plastic.

        The window and 2 mm around it: a beam of 7 mm at the edge of what the card can read (20 mm off) still
        passes.
        """
        return self.window_mm + 4.0

    @cached_property
    def markers_mm(self) -> Floats:
        """Corners (16, 3) of the four markers, with the white that must stay in view around them."""
        corners = np.array(list(card_sheet("mirror-1", self.card).markers.values()))
        middles = corners.mean(axis=1, keepdims=True)
        half = abs(corners - middles).max()
        u, v = ((corners - middles) * (1 + _QUIET_MM * self.scale / half) + middles).reshape(-1, 2).T
        return np.column_stack([u, np.zeros_like(u), v])

    @cached_property
    def distance_mm(self) -> float:
        """From the lens to the card's middle: the least at which the card fits the view.

        It then fills 96 % of the field of view, or less where the plate would reach into the beam's corridor.
        """
        near, far = 40.0, 400.0
        for _ in range(40):
            middle = (near + far) / 2
            near, far = (near, middle) if self.in_view(middle) <= _IN_VIEW else (middle, far)
        return math.ceil(max(far, self._clear_of_the_beam_mm()))

    def _clear_of_the_beam_mm(self) -> float:
        """Least distance at which the lower edges of the lens's plate pass 1 mm outside the corridor."""
        sin, cos = math.sin(math.radians(self.tilt_deg)), math.cos(math.radians(self.tilt_deg))
        rise = (self.corridor_mm / 2 + 1.0) * math.hypot(1.0, cos)
        return (rise + BELOW_LENS_MM * cos) / sin - BEHIND_LENS_MM

    def in_view(self, distance_mm: float) -> float:
        """How much of the half field of view the markers fill at a distance, as a ratio of tangents."""
        across, down = (math.tan(math.radians(full / 2)) for full in CAMERAS[self.camera])
        right, up, ahead = camera_axes(self.tilt_deg)
        seen = self.markers_mm + distance_mm * ahead
        depth = seen @ ahead
        return float(max((abs(seen @ right) / depth / across).max(), (abs(seen @ up) / depth / down).max()))

    @property
    def lens_mm(self) -> Floats:
        """Where the lens is, (3,)."""
        return -self.distance_mm * camera_axes(self.tilt_deg)[2]


def camera_axes(tilt_deg: float) -> tuple[Floats, Floats, Floats]:
    """Return the camera's right, its up and its line of sight as unit vectors (3,); it looks from above."""
    sin, cos = math.sin(math.radians(tilt_deg)), math.cos(math.radians(tilt_deg))
    return np.array([1.0, 0.0, 0.0]), np.array([0.0, sin, cos]), np.array([0.0, cos, -sin])

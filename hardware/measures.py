"""The measurements for a clip, and the lengths and directions computed from them.

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

from hardware.boards import BOARDS, LENS_TO_FAR_EDGE_MM, PLATE_MM, Board
from vision import SIZES, card_sheet

Floats = NDArray[np.floating[Any]]

MOUNTS = ("round", "square", "bracket", "nozzle")
CARDS = ("small", "standard")  # the large one is for searching, without a clip
CAMERAS = ("wide", "standard", "module-2", "none")  # none: only a holder for card and beam stop
BED_MM = 200.0
WALL_MM, RIB_MM, FLOOR_MM, DISC_MM = 3.0, 2.4, 3.0, 0.8
PLAY_MM = 0.4  # clearance of the boards in their slots
COOLING_GAP_MM = 12.0  # between the card's back and the beam stop, for the standard card
SMALL_GAP_MM = 8.0  # the same for the small card, whose clip has to be short; also open above and below
BELOW_LENS_MM = 10.0  # from the lens down to the peak of its plate's lower edges, which fall at 45°
FILLED = 0.88  # share of the field of view that the card may fill
AXIS_OFF_DEG = 3.0  # a lens's axis may be off by this much with the card still in the picture
_QUIET_MM = 1.2  # width of the white around the markers that must stay in view
_CLEAR_MM = 1.0  # least distance from the beam's corridor to the plate and the board


class Unbuildable(ValueError):
    """No clip fits these measurements; one line that says why and what to change."""


@dataclass(frozen=True)
class Measures:
    """The measurements for one clip.

    mount, mount_mm : the shape that the clip sits on, and its outside diameter or side.
    grip_mm : free length of a round collar or nozzle on which the clip can sit.
    tip_mm, tip_diameter_mm, gap_mm : of a nozzle: height from its tip to its full diameter; diameter of the
        tip; distance from the tip down to the card.
    deflects : of a bracket: to which side its mirror sends the beam, as seen along the beam.
    card : the card's size, one of `CARDS`.
    card_mm, stop_mm : thickness of the card with its board, and of the beam stop.
    tilt_deg : angle between the card's normal and the line from the card's middle to the lens.
    camera : one of `CAMERAS`.
    magnet_mm : diameter and thickness of the magnets.
    """

    mount: str = "round"
    mount_mm: float = 40.0
    grip_mm: float = 12.0
    tip_mm: float = 8.0
    tip_diameter_mm: float = 8.0
    gap_mm: float = 15.0
    deflects: str = "right"
    card: str = "small"
    card_mm: float = 3.0
    stop_mm: float = 3.0
    tilt_deg: float = 35.0
    camera: str = "wide"
    magnet_mm: tuple[float, float] = (8.0, 3.0)

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("mount", self.mount_mm, *((12, 60) if self.mount in ("round", "nozzle") else (36, 80))),
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
    def air_mm(self) -> float:
        """Distance between the card's back and the beam stop."""
        return COOLING_GAP_MM if self.card == "standard" else SMALL_GAP_MM

    @property
    def corridor_mm(self) -> float:
        """Diameter of the straight cylinder around the nominal beam in which there is no plastic.

        The window and 2 mm around it: a 7 mm beam at the edge of what the card can read (20 mm off) passes.
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

    @property
    def board(self) -> Board:
        """The camera's board; a holder without a camera is laid out as for the wide one."""
        return BOARDS["wide" if self.camera == "none" else self.camera]

    @cached_property
    def distance_mm(self) -> float:
        """Distance from the lens to the card's middle, in whole mm: the shortest that meets all conditions.

        The card fills at most 88 % of the field of view, and is still in it with the lens's axis 3° off; the
        lens can focus there; plate and board are clear of the beam.
        """
        near = math.ceil(self.board.nearest_mm)
        return float(next(d for d in range(near, 400) if self.fits(d) and self._clear(d)))

    def fits(self, distance_mm: float) -> bool:
        """Whether the card is in the picture with enough margin."""
        off = self.in_view(distance_mm, off_deg=AXIS_OFF_DEG)
        return self.in_view(distance_mm) <= FILLED and off <= 1.0

    def _clear(self, distance_mm: float) -> bool:
        """Whether plate and board stay out of the beam's corridor, checked at points on their lower edges."""
        x = np.linspace(0.0, 40.0, 81)
        plate = -self.board.lens_before_plate_mm
        rear = -self.board.lens_mm[1] - self.board.thick_mm - self.board.socket_mm[2]
        edges = [
            np.column_stack([x, -BELOW_LENS_MM - x, np.full_like(x, plate - d)]) for d in (0.0, PLATE_MM)
        ]
        low = -LENS_TO_FAR_EDGE_MM - 1.0
        edges += [
            np.column_stack([x[x <= 12.5], 0 * x[x <= 12.5] + low, 0 * x[x <= 12.5] + d])
            for d in (plate, rear)
        ]
        points = self.lens_at(distance_mm) + np.vstack(edges) @ np.array(self.axes_at(distance_mm))
        return bool(np.hypot(points[:, 0], points[:, 2]).min() >= self.corridor_mm / 2 + _CLEAR_MM)

    def in_view(self, distance_mm: float, *, off_deg: float = 0.0) -> float:
        """How much of the half field of view the markers fill at a distance, as a ratio of tangents.

        off_deg : the most that they fill when the lens's axis is off by that, up, down or to a side.
        """
        across, down = (math.tan(math.radians(full / 2)) for full in self.board.field_deg)
        seen = (self.markers_mm - self.lens_at(distance_mm)) @ np.array(self.axes_at(distance_mm)).T
        flat, off = np.arctan2(abs(seen[:, :2]), seen[:, 2:]), math.radians(off_deg)
        return float(np.max(np.tan(flat + off) / (across, down)))

    def lens_at(self, distance_mm: float) -> Floats:
        """Where the lens is at a distance from the card's middle, (3,)."""
        return -distance_mm * camera_axes(self.tilt_deg)[2]

    def axes_at(self, distance_mm: float) -> tuple[Floats, Floats, Floats]:
        """The camera's axes at a distance: it looks half-way between the card's upper and lower edge."""
        _, y, z = self.lens_at(distance_mm)
        high = abs(self.markers_mm[:, 2]).max()
        angles = [math.degrees(math.atan2(z - edge, -y)) for edge in (-high, high)]
        return camera_axes(sum(angles) / 2)

    @property
    def axes(self) -> tuple[Floats, Floats, Floats]:
        """The camera's right, its up and its line of sight."""
        return self.axes_at(self.distance_mm)

    @property
    def axis_tilt_deg(self) -> float:
        """Angle between camera axis and card normal; less than `tilt_deg`, which a reading reports."""
        return math.degrees(math.acos(self.axes[2][1]))

    @property
    def lens_mm(self) -> Floats:
        """Where the lens is, (3,)."""
        return self.lens_at(self.distance_mm)

    @property
    def dioptres(self) -> float:
        """The lens's setting in dioptres, 1 / distance in metres, as libcamera's LensPosition."""
        return 1000.0 / self.distance_mm

    @property
    def blur(self) -> float:
        """Blur at the farthest marker's corner with the card's middle in focus, in marker modules.

        Thin lens, published focal length and F number: on the object, aperture × |s − s₀| / s₀.
        """
        depth = (self.markers_mm - self.lens_mm) @ self.axes[2]
        middle = float(-self.lens_mm @ self.axes[2])
        spread = self.board.focal_mm / self.board.f_number * abs(depth - middle).max() / middle
        return float(spread / (3.0 * self.scale))


def camera_axes(tilt_deg: float) -> tuple[Floats, Floats, Floats]:
    """Return right, up and line of sight of a camera that looks down by `tilt_deg`, as unit vectors (3,)."""
    sin, cos = math.sin(math.radians(tilt_deg)), math.cos(math.radians(tilt_deg))
    return np.array([1.0, 0.0, 0.0]), np.array([0.0, sin, cos]), np.array([0.0, cos, -sin])

"""Faults that no screw can correct: a gantry that racks, a rail that bows, a mount that is loose.

Sizes are chosen so that the fault alone exceeds the profile's overlap tolerance 1.5 to 5 times, whatever the
screws do:

- gantry-racking: the gantry and all it carries yaw about Z, evenly with y. In the gantry's frame the beam at
  mirror 3 swings by the yaw times the leg, so 2 … 6 mm between front and back at the far end (some 2 mrad on
  a 1.6 m gantry: a belt that is a tooth off on one side, or rails that are not parallel).
- rail-bow: the middle of a rail is 1.5 … 3 mm off the line through its ends, a parabola. On the Y rail
  the gantry is carried sideways (X). On the X rail the head is carried up or back, and follows the rail's
  slope with mirror, lens, nozzle.
- loose-mount: at each pulse a mirror lies a little differently; the mark at the next station's far end
  scatters by 1.5 … 4 mm sd (mirror 3: 0.6 … 1.2 mm at the nozzle). Until it is tightened nothing counts as
  aligned.

Left out: a rail bowed up and down under one end of the gantry (it pitches mirror 2 as well), wear along the
rail.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.machines.optics import Array, Carried, Layout

CAUSES = ("gantry-racking", "rail-bow", "loose-mount")


@dataclass(frozen=True)
class Fault:
    """what: 'yaw', 'y-rail', 'x-rail-up', 'x-rail-back' or the loose mirror's number; size: rad, mm, rad."""

    cause: str
    what: str
    size: float
    curable: bool = True

    def carried(self, layout: Layout, head_mm: Array) -> Carried | None:
        """The displacement of gantry and head with the head at (…, 2); None if this fault moves neither."""
        along_y, along_x = head_mm[..., 1] / layout.depth_mm, head_mm[..., 0] / layout.width_mm
        none = np.zeros((*along_y.shape, 3))
        if self.what == "yaw":
            return Carried(_vector(z=self.size * (along_y - 0.5)), none, none, none)
        if self.what == "y-rail":
            return Carried(none, _vector(x=_bow(self.size, along_y)), none, none)
        slope = 4 * self.size * (1 - 2 * along_x) / layout.width_mm
        if self.what == "x-rail-up":
            return Carried(none, none, _vector(y=-slope), _vector(z=_bow(self.size, along_x)))
        if self.what == "x-rail-back":
            return Carried(none, none, _vector(z=slope), _vector(y=_bow(self.size, along_x)))
        return None

    def scatter_mm(self, layout: Layout, rng: np.random.Generator) -> Array:
        """(3, 3) displacement of the contact points of a loose mount at this pulse, mm along the normal."""
        scatter = np.zeros((3, 3))
        if self.cause == "loose-mount":
            k = int(self.what) - 1
            scatter[k] = layout.at_mm[k] @ rng.normal(0, self.size, 2)
        return scatter

    def cured(self, rng: np.random.Generator) -> Fault:
        """What is left after a repair: a twentieth of the racking or bow, and no looseness."""
        left = 0.0 if self.cause == "loose-mount" else rng.uniform(-0.05, 0.05)
        return replace(self, size=self.size * left)


def _vector(*, x: Array | float = 0.0, y: Array | float = 0.0, z: Array | float = 0.0) -> Array:
    return np.stack(np.broadcast_arrays(x, y, z), axis=-1).astype(float)


def _bow(middle_mm: float, along: Array) -> Array:
    return 4 * middle_mm * along * (1 - along)


def draw_fault(profile: dict[str, Any], rng: np.random.Generator, *, cause: str, curable: bool) -> Fault:
    """A fault of that cause, with a size as described at the top."""
    sign = rng.choice([-1.0, 1.0])
    far_2, far_3 = profile["path"]["mirror_1_to_2_mm"][1], profile["path"]["mirror_2_to_3_mm"][1]
    if cause == "gantry-racking":
        return Fault(cause, "yaw", sign * rng.uniform(2, 6) / far_3, curable)
    if cause == "rail-bow":
        what = str(rng.choice(["y-rail", "x-rail-up", "x-rail-back"]))
        return Fault(cause, what, sign * rng.uniform(1.5, 3), curable)
    mirror = int(rng.integers(1, 4))
    swing_mm = rng.uniform(0.6, 1.2) if mirror == 3 else rng.uniform(1.5, 4)
    arm_mm = {1: far_2, 2: far_3, 3: profile["path"]["lens_focal_mm"]}[mirror]
    return Fault(cause, str(mirror), swing_mm / (2 * arm_mm), curable)

"""Disturbances: how a workshop differs from the model in cards, pulses, hands and profiles.

Sizes are our own guesses of what workshops see (common practice, no source). None of it changes how a machine
is drawn: the same seed gives the same machine with and without a disturbance.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.machines.optics import STATIONS, Array

ARRANGEMENTS = ("turned", "mirrored", "two-screw", "dead-screw")
HANGING_LAWS = ("uniform", "normal")
KNOCKED_MM = 8.0  # a reading that slips is off by up to so much


@dataclass(frozen=True)
class Disturbance:
    """One disturbance, or several together.

    hanging_mm, hanging_deg : error of each hanging of a card in u, v and roll, as ``hanging_law`` says:
        'uniform' to either side, or a 'normal' sd; only at the stations in ``hanging_at``.
    jitter_mrad : sd of the beam's direction from pulse to pulse, per axis.
    tape_mm : sd of a mark's distance from the beam.
    sigma_factor : the true error of a reading, in units of the sigma that it reports.
    locknut_mrad : sd of a mirror's tilt when its screw is locked after a turn.
    lens_mm : how far the lens is off its axis, in any direction.
    slips : probability of each kind of slip.
    arrangement : how one mount's screws differ from the profile, one of ARRANGEMENTS, 'renamed' (each has the
        next one's place) or 'any' of ARRANGEMENTS; arrangement_share : share of machines.
    bases : 'free', 'fixed' (the profile does not say so) or 'said' (it does).
    mode_share : share of pulses in another transverse mode, whose mark is off by mode_part of the diameter.
    bow_mm : how far the middle of a rail is off its line; too small to be found by an inspection.
    profile_part : lengths in the profile are off by up to this part.
    below : the profile says that the lens comes out.
    eye_differences : each further mark on one tape also comes as a difference, with this sd (mm).
    """

    hanging_mm: float = 0.0
    hanging_deg: float = 0.0
    hanging_law: str = "uniform"
    hanging_at: tuple[str, ...] = (*STATIONS, "below")
    jitter_mrad: float = 0.0
    tape_mm: float = 0.0
    sigma_factor: float = 1.0
    locknut_mrad: float = 0.0
    lens_mm: float = 0.0
    slips: float = 0.0
    arrangement: str = ""
    arrangement_share: float = 1.0
    bases: str = "free"
    mode_share: float = 0.0
    mode_part: float = 0.15
    bow_mm: float = 0.0
    profile_part: float = 0.0
    below: bool = False
    eye_differences: float = 0.0  # sd of a difference, mm; 0: none are made

    def hung(self, station: str, rng: np.random.Generator) -> Array:
        """(3,) the error in u, v (mm) and roll (rad) of one hanging."""
        size = np.array([self.hanging_mm, self.hanging_mm, np.radians(self.hanging_deg)])
        drawn = rng.normal(size=3) if self.hanging_law == "normal" else rng.uniform(-1, 1, 3)
        return np.asarray(size * drawn * (station in self.hanging_at))

    def rearranged(self, true: dict[str, Any], rng: np.random.Generator) -> tuple[int, str] | None:
        """Change one mount of the true profile; returns the (mirror, screw) that does nothing, if any."""
        if not self.arrangement or rng.random() >= self.arrangement_share:
            return None
        kind = self.arrangement if self.arrangement != "any" else str(rng.choice(ARRANGEMENTS))
        mount = true["mount"][int(rng.integers(3))]
        screws = [c["name"] for c in mount["contact"] if "screw_pitch_mm" in c]
        if kind in ("two-screw", "dead-screw"):
            which = -1 if kind == "two-screw" else int(rng.integers(2))
            return (mount["mirror"], screws[which])
        if kind == "renamed":
            places = [contact["at_mm"] for contact in mount["contact"]]
            for contact, at_mm in zip(mount["contact"], [*places[1:], places[0]], strict=True):
                contact["at_mm"] = at_mm
            return None
        for contact in mount["contact"]:
            r, t = contact["at_mm"]
            contact["at_mm"] = [-t, r] if kind == "turned" else [-r, t]
        return None

    def remeasured(self, true: dict[str, Any], rng: np.random.Generator) -> None:
        """Change the lengths that the ruler got wrong; those that must fit the bed change together."""
        for part, key in (("path", "tube_to_mirror_1_mm"), ("path", "mirror_3_to_lens_mm")):
            true[part][key] *= 1 + self.profile_part * rng.uniform(-1, 1)
        for key in ("mirror_1_to_2_mm", "mirror_2_to_3_mm"):
            near, far = true["path"][key]
            by = near * self.profile_part * rng.uniform(-1, 1)
            true["path"][key] = [near + by, far + by]


def _tuesday() -> Disturbance:
    return Disturbance(
        hanging_mm=0.7, hanging_deg=1.5, jitter_mrad=0.05, tape_mm=0.15, locknut_mrad=0.2, lens_mm=0.5,
        sigma_factor=1.5, slips=0.03, profile_part=0.03, arrangement="any", arrangement_share=0.25,
        below=True,
    )  # fmt: skip


MIRRORS = STATIONS[:3]
DISTURBANCES = {
    "none": Disturbance(),
    "tape 0.3": Disturbance(tape_mm=0.3),
    "jitter 0.1": Disturbance(jitter_mrad=0.1),
    "jitter 0.2": Disturbance(jitter_mrad=0.2),
    "sigma x3": Disturbance(sigma_factor=3.0),
    "locknut 0.5": Disturbance(locknut_mrad=0.5),
    "hung 1 mirrors": Disturbance(hanging_mm=1.0, hanging_deg=1.5, hanging_at=MIRRORS),
    "hung 1 all": Disturbance(hanging_mm=1.0, hanging_deg=1.5),
    "hung 2 mirrors": Disturbance(hanging_mm=2.0, hanging_deg=2.0, hanging_at=MIRRORS),
    "hung 0.7 normal": Disturbance(hanging_mm=0.7, hanging_deg=1.5, hanging_law="normal"),
    "turned": Disturbance(arrangement="turned"),
    "mirrored": Disturbance(arrangement="mirrored"),
    "renamed": Disturbance(arrangement="renamed"),
    "two-screw": Disturbance(arrangement="two-screw"),
    "dead-screw": Disturbance(arrangement="dead-screw"),
    "bases fixed": Disturbance(bases="fixed"),
    "bases said": Disturbance(bases="said"),
    "lens 1": Disturbance(lens_mm=1.0, below=True),
    "lens 1 blind": Disturbance(lens_mm=1.0),
    "bow 0.3": Disturbance(bow_mm=0.3),
    "mode 20 %": Disturbance(mode_share=0.2),
    "slips 3 %": Disturbance(slips=0.03),
    "profile 3 %": Disturbance(profile_part=0.03),
    "tuesday": _tuesday(),
}


def disturbance(name: str, **changes: Any) -> Disturbance:
    """A named disturbance, with changes."""
    return replace(copy.copy(DISTURBANCES[name]), **changes)

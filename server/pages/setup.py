"""A profile from nine questions; what is not asked is as in the practice laser's profile."""

from __future__ import annotations

import copy
from typing import Annotated, Literal

import numpy as np
from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from server import solver
from server.log import Json
from server.pages.bodies import Body
from server.pages.units import MM, with_point
from server.practice import default_profile
from server.session.session import Refused
from server.solver.words import station_words

__all__ = ["CORNERS", "PITCHES", "Answers", "doubts", "drawing", "in_words", "profile_from", "what_matters"]


Length = Annotated[float, BeforeValidator(with_point), Field(gt=0, allow_inf_nan=False)]
# a side of the bed and the distance before it add up to one distance of the profile, at most 20 m
LONGEST_MM, LONGEST_BED_MM = 5_000.0, 15_000.0
# Coarse pitches of ISO 261 (M3–M6), fine M6 of the same table; 1/4"-20 of ASME B1.1: 25.4 mm / 20
PITCHES = {
    "M3": 0.5,
    "M4": 0.7,
    "M5": 0.8,
    "M6": 1.0,
    "M6 fine": 0.75,
    '1/4"-20': 1.27,
}
# the fixed corner of a mount as seen from its knobs: right and up of its middle
CORNERS = {
    "bottom-left": (-1, -1),
    "bottom-right": (1, -1),
    "top-left": (-1, 1),
    "top-right": (1, 1),
}
Corner = Literal["bottom-left", "bottom-right", "top-left", "top-right"]
# A length outside these limits (mm) is asked about again; common practice, no source
ORDINARY = {
    "width_mm": ("The bed's width", 200, 3000),
    "depth_mm": ("The bed's depth", 200, 2500),
    "tube_to_mirror_1_mm": ("From the tube to mirror 1", 20, 1500),
    "mirror_1_to_2_mm": ("From mirror 1 to mirror 2", 30, 800),
    "mirror_2_to_3_mm": ("From mirror 2 to mirror 3", 20, 500),
    "lever_mm": ("Between two screws", 15, 90),
    "focal_mm": ("The focal length of the lens", 25, 160),
}
TIP_BEFORE_FOCUS_MM = 8.5  # as in the practice laser's profile
SIXTEENTH = 1 / 16


class Answers(Body):
    """What the form asks; lengths in ``units``."""

    units: Literal["mm", "inch"] = "mm"

    name: Annotated[str, Field(min_length=1, max_length=200)]
    corner: Literal["back-left", "back-right"]
    width_mm: Length
    depth_mm: Length
    tube_to_mirror_1_mm: Length
    mirror_1_to_2_mm: Length
    mirror_2_to_3_mm: Length
    mount: Literal["two-screws", "three-screws"]
    lever_mm: Length
    pitch: str
    focal_mm: Length = 63.5
    fixed_1: Corner = "bottom-left"
    fixed_2: Corner = "bottom-left"
    fixed_3: Corner = "bottom-left"

    @field_validator(*ORDINARY)
    @classmethod
    def _not_too_long(cls, length: float, known: ValidationInfo) -> float:
        units = known.data.get("units", "mm")
        limit_mm = LONGEST_BED_MM if known.field_name in ("width_mm", "depth_mm") else LONGEST_MM
        if length * MM[units] > limit_mm:
            raise ValueError(f"must be at most {_shown(limit_mm, units)}")
        return length

    def mm(self, name: str) -> float:
        """Return the length of that name in millimetres."""
        return round(float(getattr(self, name)) * MM[self.units], 3)


def profile_from(answers: Answers) -> Json:
    """Return the profile as JSON, not yet checked."""
    profile = copy.deepcopy(solver.profile_as_json(default_profile(answers.corner)))
    width, depth, focal = answers.mm("width_mm"), answers.mm("depth_mm"), answers.mm("focal_mm")
    profile["name"] = answers.name
    profile["bed"] = {**profile["bed"], "width_mm": width, "depth_mm": depth}
    near_2, near_3 = answers.mm("mirror_1_to_2_mm"), answers.mm("mirror_2_to_3_mm")
    path = profile["path"]
    path["tube_to_mirror_1_mm"] = answers.mm("tube_to_mirror_1_mm")
    path["mirror_1_to_2_mm"] = [near_2, near_2 + depth]
    path["mirror_2_to_3_mm"] = [near_3, near_3 + width]
    path["lens_focal_mm"] = focal
    path["lens_to_nozzle_tip_mm"] = max(focal - TIP_BEFORE_FOCUS_MM, focal / 2)
    fixed = (answers.fixed_1, answers.fixed_2, answers.fixed_3)
    profile["mount"] = [
        {"mirror": mirror, "contact": _contacts(answers, CORNERS[corner])}
        for mirror, corner in enumerate(fixed, start=1)
    ]
    return profile


def _contacts(answers: Answers, fixed: tuple[int, int]) -> list[Json]:
    """Return the screws above (or below) and beside the fixed corner, and the contact in that corner."""
    half_mm, pitch_mm = answers.mm("lever_mm") / 2, PITCHES.get(answers.pitch, PITCHES["M4"])
    right, up = fixed
    points = {"top" if up < 0 else "bottom": (right, -up), "side": (-right, up), "corner": fixed}
    contacts: list[Json] = []
    for name, (across, high) in points.items():
        contact: Json = {"name": name, "at_mm": [across * half_mm, high * half_mm]}
        if name != "corner" or answers.mount == "three-screws":
            contact |= {"screw_pitch_mm": pitch_mm, "clockwise": 1}
        contacts.append(contact)
    return contacts


def doubts(answers: Answers) -> list[str]:
    """Return a question for each unusual length, in the units of the answers."""
    asked = []
    for name, (words, low, high) in ORDINARY.items():
        if not low <= (length := answers.mm(name)) <= high:
            usual = f"usual are {_shown(low, answers.units)} to {_shown(high, answers.units)}"
            asked.append(f"{words} is {_shown(length, answers.units)}? {usual[:1].upper()}{usual[1:]}.")
    return asked


def in_words(fault: Refused) -> str:
    """Return a refusal that names what was asked, not the field: 'The bed's width must be a number.'"""
    asked = "The name" if fault.path == "name" else ORDINARY.get(fault.path, ("",))[0]
    return f"{asked} {fault.message.removeprefix(f'{fault.path}: ')}." if asked else fault.message


def drawing(answers: Answers) -> Json:
    """Return the laser from above, to scale, back at the top: places in mm, and the words beside them."""
    width, depth = answers.mm("width_mm"), answers.mm("depth_mm")
    near_2, near_3 = answers.mm("mirror_1_to_2_mm"), answers.mm("mirror_2_to_3_mm")
    tube, left = answers.mm("tube_to_mirror_1_mm"), answers.corner == "back-left"

    def at(x: float) -> float:
        return x if left else width - x

    size, units = max(width, depth), answers.units
    first, exit_mm = (at(-near_3), -near_2), at(-near_3 + tube)
    far = exit_mm + (1 if left else -1) * 0.5 * size
    edges = [first[0], exit_mm, far, 0.0, width]
    text = 0.06 * size
    return {
        "view": [
            min(edges) - 4 * text,
            -near_2 - 4 * text,
            max(edges) - min(edges) + 8 * text,
            depth + near_2 + 8 * text,
        ],
        "text": text,
        "bed": [width, depth],
        "tube": [min(exit_mm, far), first[1], abs(far - exit_mm)],
        "beam": [[exit_mm, first[1]], list(first), [first[0], 0.0], [at(0.0), 0.0]],
        "mirrors": [[*first, "1"], [first[0], 0.0, "2"], [at(0.0), 0.0, "3"]],
        "words": [
            [width / 2, depth + 1.6 * text, f"{_shown(width, units)} wide"],
            [width / 2, depth / 2, f"{_shown(depth, units)} deep"],
            [width / 2, depth + 3.2 * text, "front: you stand here"],
        ],
        "list": [
            ["Tube to mirror 1", _shown(tube, units)],
            ["Mirror 1 to mirror 2, gantry at the back", _shown(near_2, units)],
            ["Mirror 2 to mirror 3, head next to it", _shown(near_3, units)],
            ["Lens", f"{_shown(answers.mm('focal_mm'), units)} focal length"],
            ["Screws", f"{answers.pitch}, {_shown(answers.mm('lever_mm'), units)} apart"],
        ],
        "fixed": [[*CORNERS[corner]] for corner in (answers.fixed_1, answers.fixed_2, answers.fixed_3)],
        "screws": 3 if answers.mount == "three-screws" else 2,
    }


def _shown(length_mm: float, units: str) -> str:
    """Return '1 300.5 mm' or '51.2 in'; thousands are set apart, so that a digit too many is seen."""
    if units == "inch":
        return f"{length_mm / MM['inch']:.4g} in"
    return f"{length_mm:,.6g} mm".replace(",", "\u202f")


def what_matters(machine: Json) -> list[str]:
    """Return how far 1/16 turn moves the mark with the head far away, by the exact trace, largest first."""
    profile = solver.parse_profile(machine)
    moves = []
    for mount in (1, 2):
        contact = next(c for c in profile.mount[mount - 1].contact if c.screw_pitch_mm is not None)
        station, moved_mm = f"mirror-{mount + 1}", _moved(machine, mount, contact.name)
        words = f"1/16 turn at mirror {mount} moves the mark at {station_words(station)}"
        moves.append((moved_mm, f"{words} by {moved_mm:.1f} mm, head far away."))
    return [words for _, words in sorted(moves, reverse=True)]


def _moved(machine: Json, mount: int, screw: str) -> float:
    profile = solver.parse_profile(machine)
    far_x = machine["bed"]["width_mm"] if machine["path"]["corner"] == "back-left" else 0.0
    state = solver.State.nominal()
    index = profile.contact_index(mount, screw)
    state.contact_mm[mount - 1, index] += solver.screw_step(profile, mount, screw, SIXTEENTH)
    mark = solver.trace(profile, state, np.array([far_x, 0.0]))[f"mirror-{mount + 1}"]
    return float(np.hypot(*mark))

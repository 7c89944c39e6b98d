"""Eight questions to a profile; what is not asked has the practice laser's values."""

from __future__ import annotations

import copy
from typing import Annotated, Literal

import numpy as np
from pydantic import BeforeValidator, Field

from server import solver
from server.log import Json
from server.pages.bodies import Body
from server.practice import default_profile
from server.solver.words import station_words

__all__ = ["PITCHES", "Answers", "profile_from", "what_matters"]


def _with_point(typed: object) -> object:
    """Return a typed number with a point where a comma stands for it: 1300,5 is 1300.5."""
    if not isinstance(typed, str):
        return typed
    return typed.strip().replace(",", ".") if typed.count(",") == 1 else typed.strip()


Length = Annotated[float, BeforeValidator(_with_point), Field(gt=0, le=20_000, allow_inf_nan=False)]
# Coarse pitches of ISO 261 (M3–M6), fine M6 of the same table; 1/4"-20 of ASME B1.1: 25.4 mm / 20
PITCHES = {
    "M3": 0.5,
    "M4": 0.7,
    "M5": 0.8,
    "M6": 1.0,
    "M6 fine": 0.75,
    '1/4"-20': 1.27,
}
_POINTS = {"top": (-1, 1), "side": (1, -1), "corner": (-1, -1)}
SIXTEENTH = 1 / 16


class Answers(Body):
    """What the form asks; lengths in mm."""

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


def profile_from(answers: Answers) -> Json:
    """Return the profile as JSON; checked by nobody yet."""
    profile = copy.deepcopy(solver.profile_as_json(default_profile(answers.corner)))
    profile["name"] = answers.name
    profile["bed"] = {**profile["bed"], "width_mm": answers.width_mm, "depth_mm": answers.depth_mm}
    near_2, near_3 = answers.mirror_1_to_2_mm, answers.mirror_2_to_3_mm
    profile["path"]["tube_to_mirror_1_mm"] = answers.tube_to_mirror_1_mm
    profile["path"]["mirror_1_to_2_mm"] = [near_2, near_2 + answers.depth_mm]
    profile["path"]["mirror_2_to_3_mm"] = [near_3, near_3 + answers.width_mm]
    profile["mount"] = [{"mirror": mirror, "contact": _contacts(answers)} for mirror in (1, 2, 3)]
    return profile


def _contacts(answers: Answers) -> list[Json]:
    half_mm, pitch_mm = answers.lever_mm / 2, PITCHES.get(answers.pitch, PITCHES["M4"])
    contacts: list[Json] = []
    for name, (right, up) in _POINTS.items():
        contact: Json = {"name": name, "at_mm": [right * half_mm, up * half_mm]}
        if name != "corner" or answers.mount == "three-screws":
            contact |= {"screw_pitch_mm": pitch_mm, "clockwise": 1}
        contacts.append(contact)
    return contacts


def what_matters(machine: Json) -> list[str]:
    """Return, by the exact trace, what a sixteenth of a turn does far out, largest first."""
    profile = solver.parse_profile(machine)
    told = []
    for mount in (1, 2):
        contact = next(c for c in profile.mount[mount - 1].contact if c.screw_pitch_mm is not None)
        station, moved_mm = f"mirror-{mount + 1}", _moved(machine, mount, contact.name)
        words = f"1/16 turn at mirror {mount} moves the mark at {station_words(station)}"
        told.append((moved_mm, f"{words} by {moved_mm:.1f} mm, head far away."))
    return [words for _, words in sorted(told, reverse=True)]


def _moved(machine: Json, mount: int, screw: str) -> float:
    profile = solver.parse_profile(machine)
    far_x = machine["bed"]["width_mm"] if machine["path"]["corner"] == "back-left" else 0.0
    state = solver.State.nominal()
    index = profile.contact_index(mount, screw)
    state.contact_mm[mount - 1, index] += solver.screw_step(profile, mount, screw, SIXTEENTH)
    mark = solver.trace(profile, state, np.array([far_x, 0.0]))[f"mirror-{mount + 1}"]
    return float(np.hypot(*mark))

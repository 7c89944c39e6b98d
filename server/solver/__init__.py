"""Marks → what the beam does → the next step. Pure numbers."""

from .answering import answer, explain, next_step
from .cost import PlaceCost, five_costs, kerf_lean, tolerance_for_thickness
from .documents import DocumentError, parse_alignment, parse_profile
from .events import Alignment
from .profile import STATIONS, Profile, profile_as_json, screw_step
from .steps import Step
from .trace import State, trace

__all__ = [
    "STATIONS",
    "Alignment",
    "DocumentError",
    "PlaceCost",
    "Profile",
    "State",
    "Step",
    "answer",
    "explain",
    "five_costs",
    "kerf_lean",
    "next_step",
    "parse_alignment",
    "parse_profile",
    "profile_as_json",
    "screw_step",
    "tolerance_for_thickness",
    "trace",
]

"""Marks → what the beam does → the next step. Pure numbers."""

from .answering import answer, next_step
from .documents import DocumentError, parse_alignment, parse_profile
from .events import Alignment
from .profile import STATIONS, Profile, profile_as_json, screw_step
from .steps import Step
from .trace import State, trace

__all__ = [
    "STATIONS",
    "Alignment",
    "DocumentError",
    "Profile",
    "State",
    "Step",
    "answer",
    "next_step",
    "parse_alignment",
    "parse_profile",
    "profile_as_json",
    "screw_step",
    "trace",
]

"""From marks to what the beam does and the next step; pure functions."""

from server.solver.answering import answer, explain, next_step
from server.solver.decide.cost import kerf_lean
from server.solver.documents import DocumentError, check_events, parse_alignment, parse_profile
from server.solver.events import Alignment
from server.solver.machine.profile import STATIONS, Profile, profile_as_json, screw_step
from server.solver.machine.trace import State, trace
from server.solver.steps import Forecast, Step

__all__ = [
    "STATIONS",
    "Alignment",
    "DocumentError",
    "Forecast",
    "Profile",
    "State",
    "Step",
    "answer",
    "check_events",
    "explain",
    "kerf_lean",
    "next_step",
    "parse_alignment",
    "parse_profile",
    "profile_as_json",
    "screw_step",
    "trace",
]

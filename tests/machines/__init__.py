"""A simulated laser for the tests: its true state is known, so that every alignment can be judged by it.

It is a second, independent implementation of the project's frames and signs, and imports none of its code.
"""

from tests.machines.disturbances import DISTURBANCES, Disturbance, disturbance
from tests.machines.draw import SEVERITIES, draw_machine
from tests.machines.faults import CAUSES, Fault
from tests.machines.hands import Screw
from tests.machines.machine import Machine, Truth
from tests.machines.optics import STATIONS, Misalignment, offsets
from tests.machines.profiles import PROFILES, profile

__all__ = [
    "CAUSES",
    "DISTURBANCES",
    "PROFILES",
    "SEVERITIES",
    "STATIONS",
    "Disturbance",
    "Fault",
    "Machine",
    "Misalignment",
    "Screw",
    "Truth",
    "disturbance",
    "draw_machine",
    "offsets",
    "profile",
]

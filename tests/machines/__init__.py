"""A laser of the tests' own: every number in it is known, so that whatever aligns it can be judged by the
truth.

It is a second, independent reading of the project's frames and signs. It imports nothing of the program.
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

"""Seeded machines of three severities, with a ruler's errors in their profile.

Sizes follow what happens to such machines (common practice, no source):

- drifted: months of heat and vibration. Mirrors tilted 0.5 … 2.5 mrad (a sixteenth of a turn of a 0.7 mm
  screw on a 36 mm arm is 1.2 mrad), contact points settled evenly by 0.1 mm sd, tube ends 0.6 mm sd (0.8
  mrad over a metre); the mounts have not moved. The near corner still cuts; the far one is several mm off
  or, in some, past the lens's edge.
- rebuilt: a new tube or mirrors taken out for cleaning. Mirrors tilted 5 … 10 mrad, tube ends 3 mm sd per
  axis, contact points 0.4 mm evenly, mounts 1 and 2 are off by 2 mm sd per axis (3 … 4 mm in all). Mount 3
  sits in the head's own casting: 0.3 mm (the bolts' clearance). It cannot be more: no mark shows its place
  over the lens, so the beam's offset at the lens could not be known any better. Redrawn until each mirror's
  nearest card is hit.
- missed: rebuilt, and one of tube, mirror 1, 2, 3 is moved further. The tube, mirror 1 and 2 are moved until
  the beam misses the card of mirror 1, 2 or 3, or the mirror before it, with the head as near as it can be;
  mirror 3 until it alone makes the beam miss the nozzle's hole. The tube moves by at most 20 mm, a mirror
  tilts by at most 80 mrad (four turns); if that is not enough, another part is taken.

The profile's errors: each contact point's coordinates ± 15 % (even), one mount in four with the wrong
`clockwise`: half of these with all its screws, half with one of them. Pitches are true. Play is 1/32 turn,
taken up anywhere at the start.
"""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

from tests.machines.disturbances import Disturbance
from tests.machines.faults import CAUSES, Fault, draw_fault
from tests.machines.hands import PLAY_TURNS, Screw
from tests.machines.machine import Machine
from tests.machines.optics import STATIONS, Array, Layout, Misalignment, offsets, reaches
from tests.machines.profiles import CORNERS, profile

SEVERITIES = ("drifted", "rebuilt", "missed")
ARM_ERROR = 0.15
WRONG_CLOCKWISE = 0.25
FAULTY = 1 / 3
CURABLE = 0.9
# Mirror 3 and the lens are in one head; no card shows their distance from each other.
UNDISTURBED = Disturbance()
MOUNT_SD_MM = np.array([[2.0], [2.0], [0.3]])


def draw_machine(
    seed: int,
    *,
    severity: str,
    bed: str = "1600",
    corner: str | None = None,
    sigma_mm: float = 0.05,
    fault: str | None = "draw",
    disturbed: Disturbance = UNDISTURBED,
) -> Machine:
    """A machine that depends on these arguments only; fault: 'draw' (a third have one), None, or a cause.

    Disturbances are drawn separately, so that the machine is the same with and without them.
    """
    rng = np.random.default_rng([seed, SEVERITIES.index(severity), int(bed)])
    given = profile(bed, corner or str(rng.choice(CORNERS)))
    true = _true_profile(given, rng)
    layout = Layout(true)
    screws = _screws(true, rng)
    state = _draw_state(layout, severity, rng)
    drawn = _draw_fault(given, rng)
    chosen = drawn if fault == "draw" else fault and draw_fault(given, rng, cause=fault, curable=True)
    machine = Machine(given, layout, state, screws, chosen or None, sigma_mm, rng, disturbed=disturbed)
    return _disturb(machine, true, np.random.default_rng([seed, SEVERITIES.index(severity), int(bed), 77]))


def _disturb(machine: Machine, true: dict[str, Any], chance: np.random.Generator) -> Machine:
    """The machine with the permanent changes of its disturbance."""
    by, given = machine.disturbed, machine.profile
    machine.chance, machine.dead = chance, by.rearranged(true, chance)
    by.remeasured(true, chance)
    machine.layout, machine.true_profile = Layout(true), true
    way = chance.uniform(0, 2 * np.pi)
    machine.layout.lens_off_mm = by.lens_mm * np.array([np.cos(way), np.sin(way)])
    what, side = str(chance.choice(["y-rail", "x-rail-up", "x-rail-back"])), chance.choice([-1.0, 1.0])
    machine.bow = Fault("rail-bow", what, side * by.bow_mm) if by.bow_mm else None
    if by.below:
        given["lens"] = {"comes_out": True}
    if by.bases == "said":
        for mount in given["mount"]:
            mount["base"] = "fixed"
    return machine


def _draw_fault(given: dict[str, Any], rng: np.random.Generator) -> Any:
    """Draw a fault, even if it is not used: so the machine is otherwise the same without it."""
    fault = draw_fault(given, rng, cause=str(rng.choice(CAUSES)), curable=bool(rng.random() < CURABLE))
    return fault if rng.random() < FAULTY else None


def _true_profile(given: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    true = copy.deepcopy(given)
    for mount in true["mount"]:
        turning = [c for c in mount["contact"] if "screw_pitch_mm" in c]
        for contact in mount["contact"]:
            scale = rng.uniform(1 - ARM_ERROR, 1 + ARM_ERROR, 2)
            contact["at_mm"] = [float(a) for a in np.array(contact["at_mm"]) * scale]
        wrong, all_of_them, which = (
            rng.random() < WRONG_CLOCKWISE,
            rng.random() < 0.5,
            rng.choice(len(turning)),
        )
        for contact in turning if wrong and all_of_them else [turning[which]] if wrong else []:
            contact["clockwise"] = -contact["clockwise"]
    return true


def _screws(true: dict[str, Any], rng: np.random.Generator) -> dict[tuple[int, str], Screw]:
    return {
        (mount["mirror"], c["name"]): Screw(
            c["screw_pitch_mm"], c["clockwise"], float(rng.uniform(0, PLAY_TURNS)), 0.0
        )
        for mount in true["mount"]
        for c in mount["contact"]
        if "screw_pitch_mm" in c
    }


def _tilted(layout: Layout, tilt_rad: Array) -> Array:
    """(3 mirrors, 3 contacts) travel along the normal, for slopes (3, 2) along r and t."""
    return np.asarray(np.einsum("mcr,mr->mc", layout.at_mm, tilt_rad))


def _draw_state(layout: Layout, severity: str, rng: np.random.Generator) -> Misalignment:
    if severity == "drifted":
        return _drifted(layout, rng)
    state = _rebuilt(layout, rng)
    while misses_a_nearest_mirror(layout, state):
        state = _rebuilt(layout, rng)
    return _until_missed(layout, state, rng) if severity == "missed" else state


def _drifted(layout: Layout, rng: np.random.Generator) -> Misalignment:
    tilt = _direction(rng, 3) * rng.uniform(0.5e-3, 2.5e-3, (3, 1))
    even_mm = rng.normal(0, 0.1, (3, 1))
    return Misalignment(rng.normal(0, 0.6, (2, 2)), _tilted(layout, tilt) + even_mm, np.zeros((3, 3)))


def _rebuilt(layout: Layout, rng: np.random.Generator) -> Misalignment:
    tilt = _direction(rng, 3) * rng.uniform(5e-3, 10e-3, (3, 1))
    contact_mm = _tilted(layout, tilt) + rng.normal(0, 0.4, (3, 1))
    return Misalignment(rng.normal(0, 3, (2, 2)), contact_mm, rng.normal(0, 1, (3, 3)) * MOUNT_SD_MM)


def _direction(rng: np.random.Generator, count: int) -> Array:
    angle = rng.uniform(0, 2 * np.pi, count)
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _until_missed(layout: Layout, state: Misalignment, rng: np.random.Generator) -> Misalignment:
    for part in rng.permutation(4):
        direction = _direction(rng, 1)[0]
        for step in range(1, 41):
            worse = state.copy()
            if part == 0:
                worse.tube_mm[...] += direction * step * 0.5
            else:
                worse.contact_mm[part - 1] += layout.at_mm[part - 1] @ (direction * step * 2e-3)
            missed = _misses_nozzle if part == 3 else misses_a_nearest_mirror
            if missed(layout, worse):
                return worse
    raise AssertionError("no part could be put far enough off")


def _found_nearest(layout: Layout, state: Misalignment) -> dict[str, Array]:
    near_x = 0.0 if layout.incoming[2, 0] > 0 else layout.width_mm
    return offsets(layout, state, np.array([near_x, layout.depth_mm]))


def misses_a_nearest_mirror(layout: Layout, state: Misalignment) -> bool:
    """Whether mirror 1, 2 or 3 gets no mark with the head as near to it as possible."""
    found = _found_nearest(layout, state)
    return not all(bool(reaches(layout, found, station)) for station in STATIONS[:3])


def _misses_nozzle(layout: Layout, state: Misalignment) -> bool:
    """Whether the nozzle gets no mark, and would get none even if everything but mirror 3 were right."""
    only = Misalignment.none()
    only.contact_mm[2] = state.contact_mm[2]
    return not any(bool(reaches(layout, _found_nearest(layout, each), "nozzle")) for each in (only, state))

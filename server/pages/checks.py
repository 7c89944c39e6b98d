"""The list to go through when the mirrors are right and the cut is not; common practice, no source."""

from __future__ import annotations

__all__ = ["CHECKS"]

# what, how to check it, what it looks like when it fails
CHECKS = (
    (
        "Mirrors and lens clean and whole",
        "Look across each surface with a lamp, beam off: no haze, pit or crack; the lens the right way up.",
        "Weak everywhere alike; a mirror or the lens gets warm; the mark has a hole or a smear in it.",
    ),
    (
        "Coolant clean, cool and moving",
        "The flow is visible, no bubbles in the tube, temperature as the tube's maker says.",
        "Strong when cold, weak after some minutes; power rises and falls slowly; worse on hot days.",
    ),
    (
        "Bed level, and the same focus everywhere",
        "Focus gauge or a ramp cut at each corner: the narrowest line at the same height.",
        "Sharp in one corner, wide and burnt in another, though the marks are centred in both.",
    ),
    (
        "Head square, nozzle on the axis",
        "Card at the nozzle, or a cut through thick material: the kerf stands upright on all four sides.",
        "Edges slant to one side; the mark at the nozzle is a half-moon; the nozzle gets hot.",
    ),
    (
        "Gantry square, belts even",
        "Push the gantry to the back: both ends touch at once. Measure both diagonals of a cut square.",
        "Marks wander in a bow or a step as the head travels, and no screw cures it.",
    ),
    (
        "Rails and mounts tight",
        "Supply off: press lightly on each mount and carriage. Nothing gives way, no lock nut turns by hand.",
        "The mark lands elsewhere although nothing was turned.",
    ),
    (
        "Supply and the tube's age",
        "Hours run, current against its setting, power by meter. Only licensed people open it.",
        "Weak everywhere, worse over months; needs more current for the same cut; fires late or stutters.",
    ),
    (
        "Extraction and air",
        "Fan and hose clear; you can feel the air at the nozzle.",
        "Haze between mirrors takes power on the long path: weak at the far corner only, worse with smoke.",
    ),
)

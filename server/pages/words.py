"""Where the head stands on a laser's bed, in the words of ``server.solver.words``."""

from __future__ import annotations

from collections.abc import Sequence

from server.solver import words
from server.solver.machine.profile import Bed

__all__ = ["controller_words", "head_words", "the_place"]


def head_words(head_mm: Sequence[float], bed: Bed) -> str:
    """Return where the head stands: 'front left', 'centre', or its coordinates from the front left."""
    return words.head_words(head_mm, bed.width_mm, bed.depth_mm)


def the_place(head_mm: Sequence[float], bed: Bed) -> str:
    """Return where the head stands as part of a sentence: 'the front left', '120 mm from the left, …'."""
    return words.the_place(head_mm, bed.width_mm, bed.depth_mm)


def controller_words(head_mm: Sequence[float], bed: Bed) -> str:
    """Return the place in the controller's coordinates, from the corner that it calls zero: 'X 320, Y 0'."""
    x_mm = head_mm[0] if bed.zero.endswith("left") else bed.width_mm - head_mm[0]
    y_mm = head_mm[1] if bed.zero.startswith("front") else bed.depth_mm - head_mm[1]
    return f"X {x_mm:.0f}, Y {y_mm:.0f}"

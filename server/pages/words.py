"""Numbers as words for somebody with gloves on: eighths of a turn, towards the back, front left."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

__all__ = [
    "axis_words",
    "controller_words",
    "direction_words",
    "fraction_of_turn",
    "head_words",
    "move_parts",
    "move_words",
    "part_name",
    "station_name",
    "the_place",
    "turn_words",
]

_AXIS_WORDS = {
    "+X": "to machine right",
    "-X": "to machine left",
    "+Y": "to the back",
    "-Y": "to the front",
    "+Z": "up",
    "-Z": "down",
}
# u = d × v at the four stations; shared with the frames of the data
_U_AXIS = {
    "back-left": {"mirror-1": "+Y", "mirror-2": "-X", "mirror-3": "-Y", "nozzle": "+X"},
    "back-right": {"mirror-1": "-Y", "mirror-2": "-X", "mirror-3": "+Y", "nozzle": "+X"},
}
_PARTS = {
    "tube": "the tube, both ends alike",
    "tube-exit": "the tube's mount at the exit end",
    "tube-far": "the tube's mount at the far end",
    "mirror-1": "the whole mount of mirror 1",
    "mirror-2": "the whole mount of mirror 2",
    "mirror-3": "the whole mount of mirror 3",
}


def station_name(station: str) -> str:
    """Return 'mirror 2' or 'the nozzle'."""
    return "the nozzle" if station == "nozzle" else station.replace("-", " ")


def part_name(part: str) -> str:
    """Return what a shift moves, in words."""
    return _PARTS.get(part, part.replace("-", " "))


def fraction_of_turn(turns: float) -> str:
    """Return the size of a turn as the nearest 64th in lowest terms: '3/16', '1 1/8', '2'."""
    nearest = Fraction(round(abs(turns) * 64), 64)
    whole, rest = divmod(nearest, 1)
    if rest == 0:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def turn_words(turns: float) -> str:
    """Return '3/16 turn anticlockwise'."""
    unit = "turns" if abs(turns) > 1 else "turn"
    way = "clockwise" if turns > 0 else "anticlockwise"
    return f"{fraction_of_turn(turns)} {unit} {way}"


def axis_words(station: str, corner: str) -> dict[str, str]:
    """Return where +u, −u, +v and −v of a card point, in words of the machine."""
    u_axis = _U_AXIS[corner][station]
    v_axis = "+Y" if station == "nozzle" else "+Z"
    return {
        "right": _AXIS_WORDS[u_axis],
        "left": _AXIS_WORDS[_opposite(u_axis)],
        "up": _AXIS_WORDS[v_axis],
        "down": _AXIS_WORDS[_opposite(v_axis)],
    }


def direction_words(station: str, corner: str, move_mm: tuple[float, float]) -> str:
    """Return a move on the card in words: '2.1 mm right (to the back), 0.4 mm down'."""
    words = axis_words(station, corner)
    parts = []
    for value, plus, minus in ((move_mm[0], "right", "left"), (move_mm[1], "up", "down")):
        side = plus if value > 0 else minus
        if abs(value) >= 0.05:
            machine = "" if words[side] == side else f" ({words[side]})"
            parts.append(f"{abs(value):.1f} mm {side}{machine}")
    return ", ".join(parts) or "no way to go"


def move_words(move_mm: list[float]) -> list[str]:
    """Return a shift in the machine frame as one phrase per axis that moves: ['up 1.2 mm']."""
    return [f"{way} {mm:.1f} mm" for way, mm in move_parts(move_mm)]


def move_parts(move_mm: list[float]) -> list[tuple[str, float]]:
    """Return a shift in the machine frame as way and length in mm, one for each axis that moves."""
    moves = zip("XYZ", move_mm, strict=True)
    return [(_AXIS_WORDS[("+" if mm > 0 else "-") + axis], abs(mm)) for axis, mm in moves if abs(mm) >= 0.005]


def head_words(head_mm: list[float], bed: dict[str, Any]) -> str:
    """Return where the head stands: 'front left', 'centre', or its coordinates from the front left."""
    across = _third(head_mm[0], float(bed["width_mm"]), ("left", "middle", "right"))
    along = _third(head_mm[1], float(bed["depth_mm"]), ("front", "middle", "back"))
    if across is None or along is None:
        return _edge_words(head_mm, across, along)
    if across == along == "middle":
        return "centre"
    if "middle" in (across, along):
        return f"{across if along == 'middle' else along} edge, half-way"
    return f"{along} {across}"


def the_place(head_mm: list[float], bed: dict[str, Any]) -> str:
    """Return where the head stands as part of a sentence: 'the front left', '120 mm from the left, …'."""
    words = head_words(head_mm, bed)
    return words if words[0].isdigit() else f"the {words}"


def controller_words(head_mm: list[float], bed: dict[str, Any]) -> str:
    """Return the place as the controller counts it, from the corner that it calls zero: 'X 320, Y 0'."""
    zero = bed.get("zero", "front-left")
    x_mm = head_mm[0] if zero.endswith("left") else bed["width_mm"] - head_mm[0]
    y_mm = head_mm[1] if zero.startswith("front") else bed["depth_mm"] - head_mm[1]
    return f"X {x_mm:.0f}, Y {y_mm:.0f}"


def _edge_words(head_mm: list[float], across: str | None, along: str | None) -> str:
    left, front = f"{head_mm[0]:.0f} mm from the left", f"{head_mm[1]:.0f} mm from the front"
    if along in ("front", "back"):
        return f"{along} edge, {left}"
    if across in ("left", "right"):
        return f"{across} edge, {front}"
    return f"{left}, {front}"


def _third(value: float, full: float, names: tuple[str, str, str]) -> str | None:
    for name, at in zip(names, (0.0, full / 2, full), strict=True):
        if abs(value - at) <= 1.0:
            return name
    return None


def _opposite(axis: str) -> str:
    return ("-" if axis[0] == "+" else "+") + axis[1]

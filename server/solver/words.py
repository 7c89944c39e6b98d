"""Words for stations, parts, turns, directions and places, for the solver and the pages alike.

Every function is pure and knows nothing of a step; ``say`` and the pages make sentences of these.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

STATION_WORDS = {
    "mirror-1": "mirror 1",
    "mirror-2": "mirror 2",
    "mirror-3": "mirror 3",
    "nozzle": "the nozzle",
    "below": "the card below the nozzle",
}
PART_WORDS = {
    "tube": "the whole tube (both mounts evenly)",
    "tube-exit": "the tube's exit mount alone",
    "tube-far": "the tube's far mount alone",
    "mirror-1": "the whole mount of mirror 1, unturned,",
    "mirror-2": "the whole mount of mirror 2, unturned,",
    "mirror-3": "the whole mount of mirror 3, unturned,",
}
# The direction of a number in the machine frame: (positive, negative).
AXIS_WORDS = {"X": ("to the right", "to the left"), "Y": ("to the back", "to the front"), "Z": ("up", "down")}
LEAST_MM = 0.05  # smaller numbers round to 0.0 mm and are left out


def station_words(station: str) -> str:
    """'mirror 2', 'the nozzle', as part of a sentence."""
    return STATION_WORDS[station]


def part_words(part: str) -> str:
    """What a shift moves, as the object of a sentence."""
    return PART_WORDS[part]


def fraction_of_turn(turns: float) -> str:
    """The size of a turn as the nearest 64th in lowest terms: '3/16', '1 1/8', '2'."""
    whole, rest = divmod(Fraction(round(abs(turns) * 64), 64), 1)
    if rest == 0:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def turn_size_words(turns: float) -> str:
    """'3/16 turn', '1 1/8 turns'."""
    return f"{fraction_of_turn(turns)} {'turns' if abs(turns) > 1 else 'turn'}"


def turn_way_words(turns: float) -> str:
    """'clockwise' if ``turns`` > 0, else 'anticlockwise', as seen from the knob side."""
    return "clockwise" if turns > 0 else "anticlockwise"


def turns_words(turns: float) -> str:
    """'3/16 turn clockwise'."""
    return f"{turn_size_words(turns)} {turn_way_words(turns)}"


def move_words(move_mm: Sequence[float]) -> str:
    """A move in the machine frame: '1.2 mm up', '0.4 mm to the back and 1.2 mm up'."""
    ways = moving_axes(move_mm)
    return " and ".join(f"{abs(v):.1f} mm {AXIS_WORDS[axis][v < 0]}" for axis, v in ways) or "not at all"


def offset_words(offset_mm: Sequence[float]) -> str:
    """Where a mark lies on its card: '0.4 mm right and 0.1 mm above', of the card's centre."""
    u, v = offset_mm
    side, height = "right" if u >= 0 else "left", "above" if v >= 0 else "below"
    return f"{abs(u):.1f} mm {side} and {abs(v):.1f} mm {height}"


def head_words(head_mm: Sequence[float], width_mm: float, depth_mm: float) -> str:
    """Where the head stands: 'front left', 'centre', 'left edge, half-way', or millimetres from the edges."""
    across = _third(head_mm[0], width_mm, ("left", "middle", "right"))
    along = _third(head_mm[1], depth_mm, ("front", "middle", "back"))
    if across is None or along is None:
        return _edge_words(head_mm, across, along)
    if across == along == "middle":
        return "centre"
    if "middle" in (across, along):
        return f"{across if along == 'middle' else along} edge, half-way"
    return f"{along} {across}"


def the_place(head_mm: Sequence[float], width_mm: float, depth_mm: float) -> str:
    """Where the head stands as part of a sentence: 'the front left', '120 mm from the left, …'."""
    words = head_words(head_mm, width_mm, depth_mm)
    return words if words[0].isdigit() else f"the {words}"


def place_words(station: str, head_mm: Sequence[float], width_mm: float, depth_mm: float) -> str:
    """Station and head position: 'mirror 2, head at the front left'; the station alone for mirror 1."""
    if station == "mirror-1":
        return station_words(station)
    return f"{station_words(station)}, head at {the_place(head_mm, width_mm, depth_mm)}"


def _edge_words(head_mm: Sequence[float], across: str | None, along: str | None) -> str:
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


# The cards' axes: u = d × v at the four stations, as in the frames of the data; v is +Z, at the nozzle +Y.
_U_AXIS = {
    "back-left": {"mirror-1": "+Y", "mirror-2": "-X", "mirror-3": "-Y", "nozzle": "+X"},
    "back-right": {"mirror-1": "-Y", "mirror-2": "-X", "mirror-3": "+Y", "nozzle": "+X"},
}
# In a sentence that also has the card's right and left, the machine's are called "the machine's".
_MACHINE_WORDS = AXIS_WORDS | {"X": ("to the machine's right", "to the machine's left")}
PART_NAMES = {
    "tube": "the tube, both ends alike",
    "tube-exit": "the tube's mount at the exit end",
    "tube-far": "the tube's mount at the far end",
    "mirror-1": "the whole mount of mirror 1",
    "mirror-2": "the whole mount of mirror 2",
    "mirror-3": "the whole mount of mirror 3",
}


def part_name(part: str) -> str:
    """What a shift moves, as a name that stands alone."""
    return PART_NAMES.get(part, part.replace("-", " "))


def axis_way_words(axis: str, value: float) -> str:
    """Which way a number on axis X, Y or Z of the machine points: "to the machine's right", "up"."""
    return _MACHINE_WORDS[axis][value < 0]


def move_phrases(move_mm: Sequence[float]) -> list[str]:
    """A move in the machine frame, one phrase per axis: ["to the machine's right 0.5 mm", "up 1.2 mm"]."""
    return [f"{axis_way_words(axis, value)} {abs(value):.1f} mm" for axis, value in moving_axes(move_mm)]


def moving_axes(move_mm: Sequence[float]) -> list[tuple[str, float]]:
    """The axes along which a move is at least LEAST_MM, each with how far."""
    return [(axis, value) for axis, value in zip("XYZ", move_mm, strict=True) if abs(value) >= LEAST_MM]


def card_axis_words(station: str, corner: str) -> dict[str, str]:
    """Where a card's right, left, up and down point on the machine, in words."""
    u_axis, v_axis = _U_AXIS[corner][station], "Y" if station == "nozzle" else "Z"
    u_way = 1.0 if u_axis[0] == "+" else -1.0
    return {
        "right": axis_way_words(u_axis[1], u_way),
        "left": axis_way_words(u_axis[1], -u_way),
        "up": axis_way_words(v_axis, 1.0),
        "down": axis_way_words(v_axis, -1.0),
    }


def direction_words(station: str, corner: str, move_mm: Sequence[float]) -> str:
    """A displacement on the card in words: '2.1 mm right (to the back), 0.4 mm down'."""
    machine = card_axis_words(station, corner)
    parts = []
    for value, (plus, minus) in zip(move_mm, (("right", "left"), ("up", "down")), strict=True):
        side = plus if value > 0 else minus
        if abs(value) >= LEAST_MM:
            beside = "" if machine[side] == side else f" ({machine[side]})"
            parts.append(f"{abs(value):.1f} mm {side}{beside}")
    return ", ".join(parts) or "no way to go"

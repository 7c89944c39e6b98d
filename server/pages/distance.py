"""What is read from two metres: one act in very few words, where, which way, how much."""

from __future__ import annotations

from typing import Any

from server.pages.buttons import placed
from server.pages.marks import near
from server.pages.words import controller_words, fraction_of_turn, head_words, move_parts, station_name

__all__ = ["distance"]

Json = dict[str, Any]
_PLACES = {
    "tube": "Tube",
    "tube-exit": "Tube exit",
    "tube-far": "Tube far end",
    "mirror-1": "Mount 1",
    "mirror-2": "Mount 2",
    "mirror-3": "Mount 3",
}


def distance(snapshot: Json) -> Json:
    """Return ``{"kind", "what", "where", "amount", "unit"}``: the act, its place, what is done there.

    ``kind``: read, hang, walk, pulse, look, turn, shift, inspect, done, fault. ``what`` and ``where`` are a
    word or two. ``amount``: lines of ``{"way", "value", "unit"}``; ``way`` is clockwise, anticlockwise, a
    direction of the machine, or empty.
    """
    step = snapshot["step"]
    return _mark(snapshot) if step["do"] == "mark" else _OTHERS[step["do"]](step)


def _act(kind: str, what: str, where: str, *amount: Json) -> Json:
    return {"kind": kind, "what": what, "where": where, "amount": list(amount)}


def _line(value: str, unit: str = "", way: str = "") -> Json:
    return {"way": way, "value": value, "unit": unit}


# the steps that ask for a mark


def _mark(snapshot: Json) -> Json:
    step = snapshot["step"]
    where = _station(step["station"])
    if not snapshot["cautions_acknowledged"]:
        return _act("read", "Read", "")
    if snapshot["source"] == "offline":
        return _act("pulse", "Pulse", where, *_head(snapshot))
    if snapshot["candidates"]:
        return _act("look", "Look", f"{len(snapshot['candidates'])} marks")
    if snapshot["missed"]:
        return _act("look", "Look", "No mark")
    if placed(snapshot):
        return _act("pulse", "Pulse", where, _line("lid closed"))
    return _hang(snapshot, where)


def _hang(snapshot: Json, where: str) -> Json:
    step, place = snapshot["step"], snapshot["place"]
    if place is None or place["station"] != step["station"]:
        return _act("hang", "Hang", where, *_head(snapshot))
    if near(place["head_mm"], step["head_mm"]):
        return _act("hang", "Tape", where, _line("fresh"))
    return _act("walk", "Head", where, *_head(snapshot))


def _head(snapshot: Json) -> list[Json]:
    """Return where the head goes: a corner by its name, any other place as the controller counts it."""
    head_mm, bed = snapshot["step"]["head_mm"], snapshot["machine"]["bed"]
    words = head_words(head_mm, bed)
    if "," in words or words[0].isdigit():
        return [_line(part.strip()) for part in controller_words(head_mm, bed).split(",")]
    return [_line(words)]


def _station(station: str) -> str:
    return station_name(station).removeprefix("the ").capitalize()


# the others


def _turn(step: Json) -> Json:
    turns = step["turns"]
    way = "clockwise" if turns > 0 else "anticlockwise"
    unit = "turns" if abs(turns) > 1 else "turn"
    return _act("turn", "Turn", f"Mirror {step['mount']}", _line(fraction_of_turn(turns), unit, way))


def _shift(step: Json) -> Json:
    lines = [_line(f"{mm:.1f}", "mm", way.split()[-1]) for way, mm in move_parts(step["move_mm"])]
    return _act("shift", "Move", str(_PLACES.get(step["part"], step["part"])), *lines)


def _inspect(step: Json) -> Json:
    first, _, rest = step["cause"].capitalize().partition("-")
    return _act("inspect", "Look", first, *([_line(rest.replace("-", " "))] if rest else []))


def _done(step: Json) -> Json:
    spans = ((step.get("verdict") or {}).get("overlap_mm") or {}).values()
    known = [value for value in spans if value is not None]
    return _act(
        "done", "Done", "Overlap" if known else "Good", *([_line(f"{max(known):.1f}", "mm")] if known else [])
    )


def _fault(step: Json) -> Json:
    return _act("fault", "Fault", "Read below")


_OTHERS = {"turn": _turn, "shift": _shift, "inspect": _inspect, "done": _done, "stop": _fault}

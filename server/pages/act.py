"""The step in a few large words, to be read from two metres: what to do, where, which way, how much."""

from __future__ import annotations

from server.log import Json
from server.pages.check_outcome import as_act, check_outcome
from server.pages.outcome import worst
from server.pages.words import controller_words, head_words
from server.session.snapshot import Snapshot, marked_place
from server.solver.machine.profile import Profile
from server.solver.steps import Step
from server.solver.words import axis_way_words, fraction_of_turn, moving_axes, station_words, turn_way_words
from server.sources.base import Place

__all__ = ["act"]

_PLACES = {
    "tube": "Tube",
    "tube-exit": "Tube exit",
    "tube-far": "Tube far end",
    "mirror-1": "Mount 1",
    "mirror-2": "Mount 2",
    "mirror-3": "Mount 3",
}


def act(snapshot: Snapshot) -> Json:
    """Return ``{"kind", "what", "where", "amount"}``: what to do now, where, and how much.

    ``kind``: read, hang, walk, pulse, look, wrong (another card is in view), turn, shift, inspect, done,
    nearly (done, but a number is beyond what is allowed), fault. ``what`` and ``where``: a word or two.
    ``amount``: lines of ``{"way", "value", "unit"}``; ``way`` is clockwise, anticlockwise, a direction of
    the machine, or empty.
    """
    place = marked_place(snapshot.step)
    if snapshot.check is not None and snapshot.checked:
        return as_act(check_outcome(snapshot.check, snapshot.counted, snapshot.machine, snapshot.shapes))
    if snapshot.step.do == "done":
        return _done(snapshot.step, snapshot.machine)
    return _mark(snapshot, place) if place else _OTHERS[snapshot.step.do](snapshot.step)


def _as_json(kind: str, what: str, where: str, *amount: Json) -> Json:
    return {"kind": kind, "what": what, "where": where, "amount": list(amount)}


def _line(value: str, unit: str = "", way: str = "") -> Json:
    return {"way": way, "value": value, "unit": unit}


# the steps that ask for a mark


def _mark(snapshot: Snapshot, wanted: Place) -> Json:
    where = _station(wanted.station)
    if not snapshot.cautions:
        return _as_json("read", "Read", "")
    if snapshot.source == "offline":
        return _as_json("pulse", "Pulse", where, *_head(snapshot, wanted))
    if snapshot.candidates:
        return _as_json("look", "Look", f"{len(snapshot.candidates)} marks")
    if snapshot.wrong_card is not None:
        return _as_json("wrong", "Wrong", "card", _line(where))
    if snapshot.misses:
        return _as_json("look", "Look", "No mark")
    if snapshot.card_is_ready:
        return _as_json("pulse", "Pulse", where, _line("lid closed"))
    return _hang(snapshot, wanted, where)


def _hang(snapshot: Snapshot, wanted: Place, where: str) -> Json:
    if snapshot.place is None or not snapshot.hangs_there:
        return _as_json("hang", "Hang", where, *_head(snapshot, wanted))
    if not snapshot.card_stays:
        head = [] if snapshot.place.head_near(wanted) else _head(snapshot, wanted)
        return _as_json("hang", "Hang", "again", _line(where), *head)
    if snapshot.place.agrees(wanted):
        return _as_json("hang", "Tape", where, _line("fresh"))
    return _as_json("walk", "Head", where, *_head(snapshot, wanted))


def _head(snapshot: Snapshot, wanted: Place) -> list[Json]:
    """Return where the head goes: a corner by its name, any other place in the controller's coordinates."""
    bed = snapshot.machine.bed
    words = head_words(wanted.head_mm, bed)
    if "," in words or words[0].isdigit():
        return [_line(part.strip()) for part in controller_words(wanted.head_mm, bed).split(",")]
    return [_line(words)]


def _station(station: str) -> str:
    return station_words(station).removeprefix("the ").capitalize()


# all other steps


def _turn(step: Step) -> Json:
    turns = step.turns or 0.0
    unit = "turns" if abs(turns) > 1 else "turn"
    amount = _line(fraction_of_turn(turns), unit, turn_way_words(turns))
    return _as_json("turn", "Turn", f"Mirror {step.mount}", amount)


def _shift(step: Step) -> Json:
    moves = moving_axes(step.move_mm or ())
    lines = [_line(f"{abs(mm):.1f}", "mm", axis_way_words(axis, mm).split()[-1]) for axis, mm in moves]
    return _as_json("shift", "Move", _PLACES.get(step.part or "", step.part or ""), *lines)


def _inspect(step: Step) -> Json:
    first, _, rest = (step.cause or "").capitalize().partition("-")
    return _as_json("inspect", "Look", first, *([_line(rest.replace("-", " "))] if rest else []))


def _done(step: Step, machine: Profile) -> Json:
    if step.verdict is None:
        return _as_json("done", "Done", "Good")
    beyond = worst(step.verdict, machine.tolerance)
    if beyond is not None:
        return _as_json("nearly", "Nearly", beyond.short, _line(f"{beyond.value_mm:.1f}", "mm"))
    return _as_json("done", "Done", "Overlap", _line(f"{max(step.verdict.overlap_mm.values()):.1f}", "mm"))


def _fault(step: Step) -> Json:
    return _as_json("fault", "Fault", "Read below")


_OTHERS = {"turn": _turn, "shift": _shift, "inspect": _inspect, "stop": _fault}

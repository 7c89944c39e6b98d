"""The step in one sentence for a person, and why in two."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from server.solver.decide.faults import causes
from server.solver.decide.policy import rough
from server.solver.decide.proof import unproved
from server.solver.decide.situation import Choice, Place, View, next_sigma
from server.solver.estimate import samples as o
from server.solver.estimate.hypotheses import loose_shares
from server.solver.events import MarkSeen, Shift, Turn
from server.solver.machine.power import percent
from server.solver.machine.profile import STATIONS, Profile
from server.solver.steps import Expect, Verdict

PLACES = (
    *o.FIVE,
    "left edge, half-way",
    "right edge, half-way",
    "front edge, half-way",
    "back edge, half-way",
    "left edge, near the back",
    "back edge, towards the left",
    "back edge, towards the right",
)
STATION_WORDS = {
    "mirror-1": "mirror 1",
    "mirror-2": "mirror 2",
    "mirror-3": "mirror 3",
    "nozzle": "the nozzle",
}
PULSE = "lid closed, eyewear on, one short pulse at the lowest power that marks"
CAUSE_WORDS = {
    "gantry-racking": (
        "the gantry racks: its two ends do not run level. With the supply off, push the gantry against "
        "both stops, measure both ends, and square it (belts, couplings, pulleys)"
    ),
    "rail-bow": (
        "a rail is bowed: the mark leaves the line half-way. With the supply off, lay a straightedge "
        "along the rail, look for loose fixings and dirt under it"
    ),
    "loose-mount": (
        "a mirror or its mount is loose: the mark lands elsewhere although nothing was turned. "
        "With the supply off, press lightly on each mirror's mount, mirror {mirror}'s first, and tighten "
        "only what gives (lock nuts, springs)"
    ),
}


def place_words(profile: Profile, place: Place) -> str:
    """Station and head position in words, as 'mirror 2, head at the front left'."""
    station = ("mirror-1", "mirror-2", "mirror-3", "nozzle")[place.station]
    if place.station == 0:
        return STATION_WORDS[station]
    return f"{STATION_WORDS[station]}, head at the {PLACES[place.position]}"


def turns_words(turns: float) -> str:
    """A fraction of a turn as a person says it, with its direction: '3/16 turn clockwise'."""
    part = Fraction(abs(turns)).limit_denominator(64)
    whole, rest = divmod(part, 1)
    number = f"{whole} {rest}" if whole and rest else str(whole or rest)
    unit = "turns" if part > 1 else "turn"
    return f"{number} {unit} {'clockwise' if turns > 0 else 'anticlockwise'}"


def move_words(move_mm: tuple[float, float, float]) -> str:
    """A move in the machine frame as a person says it: '1.2 mm up and 0.4 mm to the back'."""
    names = (("to the right", "to the left"), ("to the back", "to the front"), ("up", "down"))
    parts = [f"{abs(v):.1f} mm {n[v < 0]}" for v, n in zip(move_mm, names, strict=True) if v]
    return " and ".join(parts)


def say(view: View, choice: Choice, expect: Expect | None, verdict: Verdict | None) -> str:
    """One sentence for a person."""
    prefix = _noticed(view)
    if choice.do == "mark" and choice.place is not None:
        return prefix + _say_mark(view, choice, choice.place)
    if isinstance(choice.event, Turn):
        turn = choice.event
        goal = _goal(expect)
        size = turns_words(turn.turns)
        return f"{prefix}Turn the '{turn.screw}' screw of mirror {turn.mount} by {size}{goal}."
    if isinstance(choice.event, Shift):
        part = {"tube": "the whole tube (both mounts evenly)", "tube-exit": "the tube's exit mount alone"}
        part |= {"tube-far": "the tube's far mount alone"}
        name = part.get(
            choice.event.part, f"the whole mount of {choice.event.part.replace('-', ' ')}, unturned,"
        )
        goal = _goal(expect)
        move = move_words(choice.event.move_mm)
        return f"{prefix}With the supply off and discharged, move {name} {move}{goal}."
    if choice.do == "inspect":
        words = CAUSE_WORDS[choice.cause].format(mirror=1 + int(np.argmax(loose_shares(view.bank))))
        return f"It looks as if {words}; then say what you found."
    if choice.do == "stop":
        return _say_stop(choice)
    power = f", the weakest corner gets {percent(verdict.worst_power)} % of the power" if verdict else ""
    return f"Done: the beam is aligned over the whole bed{power}."


def _say_mark(view: View, choice: Choice, place: Place) -> str:
    where = place_words(view.profile, place)
    if choice.why == "doubt":
        return f"Mark {where} once more, on a clear spot: {PULSE}."
    if choice.why == "blank":
        return f"A mark was almost sure there. See how the card hangs, then mark {where}, once more: {PULSE}."
    if choice.why == "fault":
        return f"Something is odd, so mark {where}, once more: {PULSE}."
    seen = [e for e in view.alignment.events if isinstance(e, MarkSeen)]
    if choice.why == "proof":
        left = len(unproved(view))
        return f"Prove it over the bed ({left} to go): mark {where}: {PULSE}."
    verb = "Mark" if seen else "Hang a card and mark"
    return f"{verb} {where}: {PULSE}."


def _goal(expect: Expect | None) -> str:
    if expect is None:
        return ""
    u, v = expect.offset_mm
    side = f"{abs(u):.1f} mm {'right' if u >= 0 else 'left'}"
    height = f"{abs(v):.1f} mm {'above' if v >= 0 else 'below'}"
    return f"; the next mark at {STATION_WORDS[expect.station]} should land {side} and {height} of the centre"


def _noticed(view: View) -> str:
    """What the best hypothesis supposes to have gone wrong since the last move."""
    notes = view.bank.notes[view.bank.best]
    events = view.alignment.events
    if not notes or not events or not isinstance(events[-1], MarkSeen) or not view.bank.fresh_note:
        return ""
    kind, *rest = notes[-1].split(":")
    match kind:
        case "screw":
            return (
                f"The mark went another way: it looks as if the '{rest[1]}' screw of mirror {rest[0]} "
                f"was turned instead of '{rest[2]}'; look which one it was. "
            )
        case "way":
            return f"It looks as if the '{rest[1]}' screw of mirror {rest[0]} was turned the other way. "
        case "backwards":
            return f"It looks as if the '{rest[1]}' screw of mirror {rest[0]} works the other way round. "
        case "none":
            return f"It looks as if the '{rest[1]}' screw of mirror {rest[0]} was not turned or slips. "
        case "upset":
            return (
                "The marks before no longer fit: something seems to have moved, so they are not relied on. "
            )
        case _:
            return "That mark does not fit the others, so it is not counted yet. "


def _say_stop(choice: Choice) -> str:
    if choice.cause:
        words = CAUSE_WORDS[choice.cause].split(":")[0]
        return f"Stop: {words}, and as long as it does, no screw makes this better."
    return f"Stop: {choice.reason}; check the pulse, the card and the profile's measurements before going on."


MARK_WHY = {
    "doubt": "Nothing explains the last mark, so it is made again before anything is built on it.",
    "blank": "A mark was almost sure here: maybe a bad pulse, so it is made again before a screw is turned.",
    "fault": "A mark here tells best whether there is a fault that no screw cures.",
    "search": "The beam was missed, and here it is most probably caught.",
    "proof": "All is probably good, but this position has shown no mark that still holds.",
    "moved": "The beam at the nozzle was carried by the last moves, and no mark has shown where to.",
}


WHY = {
    "turn": "This screw takes away most of the error that is left, upstream first.",
    "shift": "A move of this part takes away an offset that no single screw can.",
    "inspect": "No setting of the screws explains the marks, this cause does.",
    "done": "Every number is within tolerance, and the five positions prove it.",
    "stop": "Nothing that can be done from here makes it better.",
}


def why(view: View, choice: Choice) -> str:
    """The numbers that were weighed, in two sentences."""
    chance = [
        f"{name} {p:.0%}"
        for name, p in zip(("mirror 1", "leg 1–2", "leg 2–3", "nozzle"), _odds(view), strict=True)
    ]
    fault = max(causes(view.bank).items(), key=lambda item: item[1])
    within = f"Probability of being within tolerance: {', '.join(chance)}"
    first = f"{within}; most probable fault: {fault[0]} {fault[1]:.0%}."
    if choice.do == "mark":
        return f"{first} {MARK_WHY.get(choice.why) or _why_a_mark(view, choice.place)}"
    if choice.why == "search":
        return f"{first} The beam was missed, and after this move it is most probably caught."
    return f"{first} {WHY[choice.do]}"


def _why_a_mark(view: View, place: Place | None) -> str:
    if place is not None and rough(view) and STATIONS[place.station] in _marked_since_move(view):
        return f"One reading errs by {next_sigma(view):.1f} mm, too much by itself, so several are averaged."
    return "A mark here tells most of what is still unknown."


def _marked_since_move(view: View) -> list[str]:
    """Stations of the marks since anything was moved."""
    found: list[str] = []
    for event in reversed(view.alignment.events):
        if isinstance(event, Turn | Shift):
            break
        if isinstance(event, MarkSeen):
            found.append(event.station)
    return found


def _odds(view: View) -> list[float]:
    return [float((view.numbers[:, lo:hi] <= 1).all(1).mean()) for lo, hi in ((0, 1), (1, 3), (3, 5), (5, 7))]

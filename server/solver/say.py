"""The step in parts and in one sentence for a person, and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from server.solver.decide.faults import causes
from server.solver.decide.moves import room
from server.solver.decide.next_step import rough
from server.solver.decide.proof import unproved
from server.solver.decide.situation import Choice, Place, View, pulse_sd
from server.solver.estimate import samples as o
from server.solver.estimate.belief import believe
from server.solver.estimate.hypotheses import Mixture, Note, loose_shares
from server.solver.estimate.screws import BEFORE, DEAD, NEXT
from server.solver.events import MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.power import percent
from server.solver.machine.profile import BELOW, Profile
from server.solver.steps import Expect, Parts, Verdict
from server.solver.words import (
    move_words,
    offset_words,
    part_name,
    part_words,
    place_words,
    station_words,
    the_place,
    turn_size_words,
    turn_way_words,
    turns_words,
)

LENS_OUT = "with the lens out, the bed clear and a card lying {:.0f} mm below the seat of the nozzle's tip"
LENS_UNSEEN = "no mark has shown where the beam meets the lens, so the lens is assumed centred in its head"
PULSE = "lid closed, eyewear on, one short pulse at the lowest power that marks"
# What is added to the order for a mark that is made again, by the reason.
AGAIN = {"doubt": " once more, on a clear spot"} | dict.fromkeys(
    ("first", "blank", "fault", "long"), " once more"
)
# What to look at, and how.
CAUSE_WORDS = {
    "gantry-racking": (
        "look whether the gantry racks, one end running ahead of the other",
        "with the supply off, push the gantry against both stops, measure both ends, and square it "
        "(belts, couplings, pulleys); then say what you found",
    ),
    "rail-bow": (
        "look whether a rail is bowed, because half-way the mark is off the line",
        "with the supply off, lay a straightedge along the rail, look for loose fixings and dirt under it; "
        "then say what you found",
    ),
    "loose-mount": (
        "look whether a mirror or its mount is loose, because the mark moves although nothing was turned",
        "with the supply off, press lightly on each mirror's mount, mirror {mirror}'s first, and tighten "
        "only what gives (lock nuts, springs); then say what you found",
    ),
}
STOPPED = {
    "gantry-racking": "the gantry racks",
    "rail-bow": "a rail is bowed",
    "loose-mount": "a mirror or its mount is loose",
}


def parts(view: View, choice: Choice, expect: Expect | None, verdict: Verdict | None) -> Parts:
    """The step's sentence in parts."""
    made = _made(view, choice, verdict)
    return replace(made, then=_then(view, expect), why=why(view, choice), noticed=_noticed(view))


def _made(view: View, choice: Choice, verdict: Verdict | None) -> Parts:
    """The parts of the order itself, without the reason and what comes next."""
    event = choice.event
    if choice.do == "mark" and choice.place is not None:
        return _mark_parts(view, choice, choice.place)
    if isinstance(event, Turn):
        what = f"turn the '{event.screw}' screw of mirror {event.mount}"
        size, way = turn_size_words(event.turns), turn_way_words(event.turns)
        return Parts(what, how_much=size, way=way, care=_near_its_end(view, event))
    if isinstance(event, Shift):
        what = f"move {part_words(event.part)}"
        return Parts(what, first="with the supply off and discharged", how_much=move_words(event.move_mm))
    if choice.do == "inspect":
        what, care = CAUSE_WORDS[choice.cause]
        return Parts(what, care=care.format(mirror=1 + int(np.argmax(loose_shares(view.mixture)))))
    if choice.do == "stop":
        return _stop_parts(choice)
    power = f", the weakest corner gets {percent(verdict.worst_power)} % of the power" if verdict else ""
    below = any(isinstance(e, MarkSeen) and e.station == BELOW for e in view.alignment.events)
    return Parts(f"done: the beam is aligned over the whole bed{power}", care="" if below else LENS_UNSEEN)


def _near_its_end(view: View, turn: Turn) -> str:
    """A warning if the turn brings the screw near the end of its thread, else ""."""
    contact = view.profile.contact_index(turn.mount, turn.screw)
    back, on = room(view.profile, view.mixture, turn.mount, contact)
    if back + NEAR_END < turn.turns < on - NEAR_END:
        return ""
    net = view.mixture.net_turns[3 * (turn.mount - 1) + contact] + turn.turns
    return f"it will then be {turns_words(net)} from where it was found, so watch for the end of its thread"


def _mark_parts(view: View, choice: Choice, place: Place) -> Parts:
    station, head = m.station_name(place.station), o.grid(view.profile)[place.position]
    bed = view.profile.bed
    where = "" if place.station == 0 else f"head at {the_place(head, bed.width_mm, bed.depth_mm)}"
    seen = any(isinstance(e, MarkSeen | NoMark) for e in view.alignment.events)
    verb = "mark" if seen else "hang a card and mark"
    verb = "take the card off, hang it again and mark" if place.anew else verb
    first = LENS_OUT.format(m.BELOW_MM) if place.station == m.BELOW_AT else ""
    what = f"{verb} {station_words(station)}{AGAIN.get(choice.why, '')}"
    return Parts(what, first=first, where=where, care=PULSE)


def _stop_parts(choice: Choice) -> Parts:
    if choice.cause:
        return Parts(f"stop: {STOPPED[choice.cause]}, and until that is repaired no screw makes it better")
    return Parts(f"stop: {choice.reason}", care="check the pulse, the card and the profile's measurements")


def _then(view: View, expect: Expect | None) -> str:
    if expect is None:
        return ""
    bed = view.profile.bed
    where = place_words(expect.station, expect.head_mm, bed.width_mm, bed.depth_mm)
    where = where if expect.station == "mirror-1" else f"{where},"
    return f"the next mark at {where} should land {offset_words(expect.offset_mm)} the centre"


def _noticed(view: View) -> str:
    """What the best hypothesis supposes to have gone wrong since the last move, as sentences, or ""."""
    learnt = _learnt(view)
    if learnt:
        return learnt
    notes = view.mixture.notes[view.mixture.best]
    events = view.alignment.events
    if not notes or not events or not isinstance(events[-1], MarkSeen):
        return ""
    marks = [i for i, e in enumerate(events[:-1]) if isinstance(e, MarkSeen)]
    newest = events[max(marks, default=0) :]
    moves = [e for e in newest if isinstance(e, Turn | Shift)]
    since = [(e.mount, e.screw) if isinstance(e, Turn) else (0, e.part) for e in moves]
    note = notes[-1]
    if note.kind == "upset":
        before = believe(replace(view.alignment, events=events[:-1]))
        fresh = _knocked_share(view.mixture) > 0.5 > _knocked_share(before)
    else:
        fresh = (note.mount, note.asked) in since if note.asked else view.mixture.fresh_note
    return NOTICED[note.kind](note) if fresh else ""


def _knocked_share(mixture: Mixture) -> float:
    """Probability that something was knocked."""
    return float(mixture.weight @ [any(note.kind == "upset" for note in notes) for notes in mixture.notes])


def _learnt(view: View) -> str:
    """A sentence if the newest mark has shown that a screw does not work as in the profile, or that a mount
    does not move; else ""."""
    events = view.alignment.events
    if not events or not isinstance(events[-1], MarkSeen):
        return ""
    before = believe(replace(view.alignment, events=events[:-1]))
    for event in reversed(events):
        if isinstance(event, Turn):
            k = 3 * (event.mount - 1) + view.profile.contact_index(event.mount, event.screw)
            what = f"Mirror {event.mount}'s '{event.screw}' screw"
        elif isinstance(event, Shift) and event.part.startswith("mirror-"):
            k, what = 8 + int(event.part[-1]), f"The mount of mirror {event.part[-1]}"
        else:
            continue
        code = int(view.mixture.sign[view.mixture.best, k])
        if code not in (0, 1) and _share(view.mixture, k, code) > SURE_OF_IT >= _share(before, k, code):
            return f"{what} {_works(view.profile, k, code) if k < 9 else 'does not move'}: noted."
    return ""


def _works(profile: Profile, k: int, code: int) -> str:
    """How a screw works, where not as the profile says."""
    contacts = profile.mount[k // 3].contact
    other = {NEXT: contacts[(k + 1) % 3].name, BEFORE: contacts[(k + 2) % 3].name}.get(code)
    return (
        WORKS_WORDS[code] if other is None else f"does what '{other}' should, so their names may be mixed up"
    )


def _share(mixture: Mixture, k: int, code: int) -> float:
    """Probability that a screw or base works as a code says."""
    return float(mixture.weight @ (mixture.sign[:, k] == code))


NEAR_END, SURE_OF_IT = 0.25, 0.9  # turns; probability
WORKS_WORDS = {
    -1: "works the other way round",
    2: "moves the mark across, a quarter turn round",
    -2: "moves the mark across, a quarter turn round",
    DEAD: "moves nothing",
}
NOTICED: dict[str, Callable[[Note], str]] = {
    "screw": lambda n: (
        f"The mark went another way: it looks as if the '{n.screw}' screw of mirror {n.mount} "
        f"was turned instead of '{n.asked}'; check which one it was."
    ),
    "way": lambda n: f"It looks as if the '{n.screw}' screw of mirror {n.mount} was turned the other way.",
    "none": lambda n: f"It looks as if the '{n.screw}' screw of mirror {n.mount} was not turned or slips.",
    "moved": lambda n: f"It looks as if {part_name(n.asked)} was moved in another direction than asked.",
    "left": lambda n: f"It looks as if {part_name(n.asked)} was not moved.",
    "upset": lambda n: (
        "The earlier marks no longer fit: something seems to have moved, so they are not relied on."
    ),
    "reading": lambda n: "That mark does not fit the others, so it is not counted yet.",
}


MARK_WHY = {
    "doubt": "nothing explains the last mark, so it is made again before it is relied on",
    "blank": "a mark was almost certain here: check how the card hangs, and try again before turning a screw",
    "first": "a pulse can fail, and repeating it costs less than moving anything",
    "fault": "a mark here tells best whether there is a fault that no screw cures",
    "long": "the next move is long, and it rests on a single mark that may be misread",
    "search": "the beam missed the card, and here it is most likely to be caught",
    "lost": (
        "the beam missed the card several times, so the search goes outwards from where it was last seen; "
        "tape over the mirror's own frame, or a sheet larger than the card, catches it beside the card"
    ),
    "hung": "the card has hung here only once, and a second hanging shows how far off it may hang",
    "moved": "the last moves shifted the beam here, and no mark has shown yet where it is now",
}
WHY = {
    "turn": "this screw takes away most of the error that is left, upstream first",
    "shift": "moving this part removes an offset that no single screw can remove",
    "inspect": "no setting of the screws explains the marks, but this fault does",
    "done": "every number is within tolerance, and the five positions prove it",
    "stop": "nothing that can be done from here makes it better",
}


def why(view: View, choice: Choice) -> str:
    """The reason in one plain sentence, without its full stop."""
    if choice.do == "mark":
        return MARK_WHY.get(choice.why) or _why_a_mark(view, choice)
    if choice.why == "dead":
        return "this screw seemed to do nothing, but without it the rest cannot be brought within tolerance"
    if choice.why == "search":
        return "the beam missed the card, and after this move it is most likely to be caught"
    return WHY[choice.do]


def weighed(view: View) -> str:
    """The probabilities that decided the step, in one sentence."""
    chance = [
        f"{name} {p:.0%}"
        for name, p in zip(("mirror 1", "leg 1–2", "leg 2–3", "nozzle"), _odds(view), strict=True)
    ]
    fault = max(causes(view.mixture).items(), key=lambda item: item[1])
    within = f"Probability of being within tolerance: {', '.join(chance)}"
    return f"{within}; most probable fault: {fault[0]} {fault[1]:.0%}."


def _why_a_mark(view: View, choice: Choice) -> str:
    place = choice.place
    if choice.why == "proof":
        left = len(unproved(view))
        return f"all is probably good, but this position has shown no mark that still holds ({left} to go)"
    if place is not None and place.station == m.BELOW_AT:
        return "no other mark shows where the beam meets the lens"
    if place is not None and place.anew:
        return "each hanging puts the card a little elsewhere, so the mean of several tells more than one"
    if place is not None and rough(view) and m.station_name(place.station) in _marked_since_move(view):
        return f"one reading errs by {pulse_sd(view):.1f} mm, too much by itself, so several are averaged"
    return "a mark here tells most of what is still unknown"


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

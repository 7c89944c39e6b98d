"""The solver's entry points: an alignment in, the next step out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from server.solver.decide.forecast import forecast
from server.solver.decide.next_step import choose
from server.solver.decide.situation import Choice, Place, View, after_moves, look
from server.solver.decide.verdict import estimate, verdict
from server.solver.documents import parse_alignment
from server.solver.estimate import samples as o
from server.solver.events import Alignment, Difference, MarkSeen, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS
from server.solver.say import parts, weighed
from server.solver.steps import Expect, Parts, Step

MOST_EVENTS = 2000
# Only the newest events of a long alignment count, between COUNTED − BLOCK and COUNTED of them: older ones
# add nothing, and 2000 would take too long. They are dropped in whole blocks, so that the list usually still
# begins with the same event and the belief computed before can be extended.
COUNTED, BLOCK = 240, 80


def next_step(alignment: Alignment) -> Step:
    """The one thing to do next. Pure: the same alignment gets the same step."""
    if len(alignment.events) > MOST_EVENTS:
        return _too_long(len(alignment.events))
    view = look(_recent(alignment))
    choice = choose(view)
    judged = verdict(view, aligned=choice.do == "done")
    expect = _expect(view, choice)
    return Step(
        do=choice.do,
        **_fields(view, choice),
        expect=expect,
        parts=parts(view, choice, expect, judged),
        weighed=weighed(view),
        estimate=estimate(view),
        verdict=judged,
        forecast=forecast(view, choice),
    )


def _recent(alignment: Alignment) -> Alignment:
    """The alignment without the events that are too old to add anything."""
    over = len(alignment.events) - COUNTED
    if over <= 0:
        return alignment
    return replace(alignment, events=alignment.events[-(-over // BLOCK) * BLOCK :])


def explain(document: dict[str, Any]) -> str:
    """Why this is the next step: the probabilities that decided it and the reason, in two sentences.

    Raises DocumentError as ``answer`` does.
    """
    step = next_step(parse_alignment(document))
    return f"{step.weighed} {step.why}".strip()


def _too_long(count: int) -> Step:
    reason = f"{count} events are more than one alignment can have (at most {MOST_EVENTS})"
    return Step(
        do="stop",
        reason=reason,
        parts=Parts(f"stop: {reason}", then="start a new alignment", why=f"{reason}; nothing was estimated"),
    )


def answer(document: dict[str, Any]) -> dict[str, Any]:
    """``next_step`` on plain JSON values. Raises DocumentError if the document cannot be read."""
    return next_step(parse_alignment(document)).as_json()


def _fields(view: View, choice: Choice) -> dict[str, Any]:
    event = choice.event
    if isinstance(event, Turn):
        return {"mount": event.mount, "screw": event.screw, "turns": event.turns}
    if isinstance(event, Shift):
        return {"part": event.part, "move_mm": event.move_mm}
    if choice.do == "mark" and choice.place is not None:
        return _mark_fields(view, choice.place)
    if choice.do == "inspect":
        return {"cause": choice.cause}
    return {"reason": choice.reason} if choice.do == "stop" else {}


def _mark_fields(view: View, place: Place) -> dict[str, Any]:
    """The fields of a mark: where, on which tape, and whether the card is to be hung again."""
    head, last = o.grid(view.profile)[place.position], (None, *view.alignment.events)[-1]
    same = isinstance(last, MarkSeen | Difference) and last.head_mm != head
    same = same and place.station == view.here and not place.anew
    fields: dict[str, Any] = {"station": m.station_name(place.station), "head_mm": head}
    fields |= {"tape": "same" if same else "fresh"} | ({"hang": "anew"} if place.anew else {})
    below = {"below_mm": m.BELOW_MM, "lens": "out"} if place.station == m.BELOW_AT else {}
    return fields | below


def _expect(view: View, choice: Choice) -> Expect | None:
    """Where a mark will be after a move: the median over the drawn machines, errors of the hand included."""
    if choice.event is None or choice.do not in ("turn", "shift"):
        return None
    after = after_moves(view, [choice.event])
    place = _place(view, after, choice)
    marks = after.rays.offset_mm[:, place.position, place.station]
    middle = np.median(marks, axis=0)
    spread = np.median(np.abs(marks - middle), axis=0) * 1.4826
    sigma = float(np.hypot(*spread) / np.sqrt(2))
    head = o.grid(view.profile)[place.position]
    offset = (float(middle[0]), float(middle[1]))
    return Expect(STATIONS[place.station], head, offset, max(sigma, 0.01))


def _place(view: View, after: View, choice: Choice) -> Place:
    """Where a mark shows best what the move did: the farthest place of its leg where one is probable."""
    far = 4 if view.profile.path.corner == "back-left" else 1
    near = 0 if view.profile.path.corner == "back-left" else 3
    wishes = {
        0: [Place(0, near)],
        1: [Place(1, 1), Place(1, 5), Place(1, 0)],
        2: [Place(2, far), Place(2, 2), Place(2, near)],
        3: [Place(3, 2)],
    }
    event = choice.event
    stage = min(choice.stage, 3)
    if stage == 3 and isinstance(event, Turn) and event.mount < 3:
        stage = event.mount
    for place in wishes[stage]:
        if o.hits(view.profile, after.rays, place.station)[:, place.position].mean() > 0.5:
            return place
    return wishes[stage][-1]

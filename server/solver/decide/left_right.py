"""Whether left and right are exchanged: in all readings, or as the profile has the tube at the other corner.

Moves then seem to slip, and screws to work the other way round, at every mirror. The same events are believed
with left and right exchanged, and the evidence compared (Bayes factors: Kass & Raftery, J. Am. Stat. Assoc.
90, 1995).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, View
from server.solver.estimate import screws
from server.solver.estimate.belief import believe
from server.solver.events import Alignment, Difference, Event, MarkSeen, Shift, Turn
from server.solver.machine.profile import Corner

EXCHANGED = 0.01  # probability of each kind before anything is known: our guess (common practice, no source)
OTHER: dict[Corner, Corner] = {"back-left": "back-right", "back-right": "back-left"}


def exchanged(view: View) -> Choice | None:
    """Stop where the events are far more probable with left and right exchanged; None elsewhere."""
    if not _odd(view):
        return None
    path, read, built = view.profile.path, _read_exchanged(view.alignment), _other_corner(view.alignment)
    gains = np.array([believe(way).evidence - view.mixture.evidence for way in (built, read)])
    odds = EXCHANGED * np.exp(np.minimum(gains, 700.0))
    if odds.sum() / (1.0 + odds.sum()) < POLICY.exchanged:
        return None
    checks = [
        f"the tube is at the {OTHER[path.corner].replace('-', ' ')}, not where the profile has it",
        "offsets are noted with left and right exchanged (right is as seen when facing the card)",
    ]
    likely = [check for check, odd in zip(checks, odds, strict=True) if odd > EXCHANGED * odds.max()]
    return Choice(
        "stop", reason=f"marks go left where they should go right: check whether {', or '.join(likely)}"
    )


def _odd(view: View) -> bool:
    """Whether a mark after a move is new, and the best hypothesis has a move slip or a screw work otherwise
    than in the profile. Only such a thing can have this cause, and after many events it would be known."""
    events, best = view.alignment.events, view.mixture.best
    if not events or not isinstance(events[-1], MarkSeen) or len(events) > POLICY.exchanged_events:
        return False
    works = np.isin(view.mixture.sign[best, :9], (screws.UNKNOWN, 1)).all()
    moved = any(isinstance(event, Turn | Shift) for event in events)
    return moved and (not works or bool(view.mixture.notes[best]))


def _read_exchanged(alignment: Alignment) -> Alignment:
    """The alignment with the u of all offsets taken the other way."""

    def other(event: Event) -> Event:
        if not isinstance(event, MarkSeen | Difference):
            return event
        return replace(event, offset_mm=(-event.offset_mm[0], event.offset_mm[1]))

    return replace(alignment, events=tuple(other(event) for event in alignment.events))


def _other_corner(alignment: Alignment) -> Alignment:
    """The alignment of a laser whose tube is at the other back corner."""
    path = alignment.machine.path
    path = replace(path, corner=OTHER[path.corner])
    return replace(alignment, machine=replace(alignment.machine, path=path))

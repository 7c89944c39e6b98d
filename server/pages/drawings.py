"""The numbers behind the drawings: the card, the mount from its knobs, the machine from above."""

from __future__ import annotations

import math
from collections.abc import Sequence

from server.log import Json
from server.pages.marks import is_mark_at
from server.pages.words import controller_words, head_words
from server.session.snapshot import Snapshot, marked_place
from server.solver import Profile, Step
from server.solver.machine.profile import Point
from server.solver.steps import Expect
from server.solver.words import card_axis_words, direction_words, move_phrases, part_name, station_words
from server.sources.base import Place

__all__ = ["card_view", "mount_of", "mount_view", "plan_view", "shift_view"]


def card_view(snapshot: Snapshot) -> Json | None:
    """Return what the card shows: its marks and where they should go; None without a card."""
    place = _place_shown(snapshot)
    if place is None:
        return None
    corner, aim, seen = snapshot.machine.path.corner, snapshot.expect, snapshot.seen
    trail = [event.offset_mm for event in snapshot.counted if is_mark_at(event, place)]
    shown_aim = aim if aim and place.agrees(aim) else None
    return {
        "station": place.station,
        "name": station_words(place.station),
        "head": head_words(place.head_mm, snapshot.machine.bed),
        "axes": card_axis_words(place.station, corner),
        "trail": [list(offset_mm) for offset_mm in trail],
        "mark": seen.as_json() if seen and place.agrees(seen) else None,
        "aim": shown_aim.as_json() if shown_aim else None,
        "words": _card_words(trail, shown_aim, place.station, corner),
    }


def _place_shown(snapshot: Snapshot) -> Place | None:
    step = snapshot.step
    for held in (step.expect, marked_place(step), snapshot.seen, snapshot.place):
        if held is not None:
            return Place.of(held)
    return None


def _card_words(trail: Sequence[Point], aim: Expect | None, station: str, corner: str) -> str:
    if not trail:
        return "No mark here yet."
    u_mm, v_mm = trail[-1]
    said = f"The mark is {direction_words(station, corner, (u_mm, v_mm))} of the centre."
    if math.hypot(u_mm, v_mm) < 0.05:
        said = "The mark is on the centre."
    if aim is None:
        return said
    goal = (aim.offset_mm[0] - u_mm, aim.offset_mm[1] - v_mm)
    return f"{said} It has to move {direction_words(station, corner, goal)}."


def mount_view(machine: Profile, step: Step) -> Json | None:
    """Return the mount and the screw that the step turns; None for any other step."""
    if step.mount is None:
        return None
    return {**mount_of(machine, step.mount), "screw": step.screw, "turns": step.turns}


def mount_of(machine: Profile, mirror: int) -> Json:
    """Return the contact points of one mirror mount, as its drawing needs them."""
    mount = next(mount for mount in machine.mount if mount.mirror == mirror)
    contacts = [
        {"name": point.name, "at_mm": list(point.at_mm), "turns": point.screw_pitch_mm is not None}
        for point in mount.contact
    ]
    return {"mirror": mirror, "contacts": contacts}


def shift_view(step: Step) -> Json | None:
    """Return the part that the step moves, and in which directions; None for any other step."""
    if step.part is None or step.move_mm is None:
        return None
    return {"part": step.part, "name": part_name(step.part), "moves": move_phrases(step.move_mm)}


def plan_view(snapshot: Snapshot) -> Json:
    """Return the bed from above: where the head and the card are, and where they should be."""
    bed, wanted = snapshot.machine.bed, snapshot.wanted
    return {
        "width_mm": bed.width_mm,
        "depth_mm": bed.depth_mm,
        "corner": snapshot.machine.path.corner,
        "head_mm": list(snapshot.place.head_mm) if snapshot.place else None,
        "wanted_mm": list(wanted.head_mm) if wanted else None,
        "station": wanted.station if wanted else None,
        "words": head_words(wanted.head_mm, bed) if wanted else "",
        "controller": controller_words(wanted.head_mm, bed) if wanted else "",
    }

"""The numbers behind the drawings: the card, the mount from its knobs, the machine from above."""

from __future__ import annotations

import math
from typing import Any

from server.pages.marks import counted, is_mark_at, same_place
from server.pages.words import (
    axis_words,
    controller_words,
    direction_words,
    head_words,
    move_words,
    part_name,
    station_name,
)

__all__ = ["card_view", "mount_of", "mount_view", "plan_view", "shift_view"]

Json = dict[str, Any]


def card_view(snapshot: Json) -> Json | None:
    """What the card shows: its marks and where they should go; None without a card."""
    station, head_mm = _station_shown(snapshot)
    if station is None:
        return None
    corner, aim = snapshot["machine"]["path"]["corner"], snapshot["expect"]
    place = {"station": station, "head_mm": head_mm}
    trail = [event["offset_mm"] for event in counted(snapshot["events"]) if is_mark_at(event, place)]
    shown_aim = aim if aim and same_place(aim, place) else None
    seen = snapshot["seen"]
    fresh = seen if seen and same_place(seen, place) else None
    return {
        "station": station,
        "name": station_name(station),
        "head": head_words(head_mm, snapshot["machine"]["bed"]),
        "axes": axis_words(station, corner),
        "trail": trail,
        "mark": fresh,
        "aim": shown_aim,
        "words": _card_words(trail, shown_aim, station, corner),
    }


def _station_shown(snapshot: Json) -> tuple[str | None, list[float]]:
    for holder in (snapshot["step"].get("expect"), snapshot["step"], snapshot["seen"], snapshot["place"]):
        if holder and holder.get("station"):
            return holder["station"], holder["head_mm"]
    return None, [0.0, 0.0]


def _card_words(trail: list[list[float]], aim: Json | None, station: str, corner: str) -> str:
    if not trail:
        return "No mark here yet."
    u_mm, v_mm = trail[-1]
    said = f"The mark is {direction_words(station, corner, (u_mm, v_mm))} of the centre."
    if math.hypot(u_mm, v_mm) < 0.05:
        said = "The mark is on the centre."
    if aim is None:
        return said
    goal = (aim["offset_mm"][0] - u_mm, aim["offset_mm"][1] - v_mm)
    return f"{said} It has to move {direction_words(station, corner, goal)}."


def mount_view(machine: Json, step: Json) -> Json | None:
    """The mount and the screw that the step turns; None for any other step."""
    if step["do"] != "turn":
        return None
    return {**mount_of(machine, step["mount"]), "screw": step["screw"], "turns": step["turns"]}


def mount_of(machine: Json, mirror: int) -> Json:
    """The contact points of one mirror mount, as its drawing needs them."""
    mount = next(mount for mount in machine["mount"] if mount["mirror"] == mirror)
    contacts = [
        {
            "name": contact["name"],
            "at_mm": contact["at_mm"],
            "turns": contact.get("screw_pitch_mm") is not None,
        }
        for contact in mount["contact"]
    ]
    return {"mirror": mirror, "contacts": contacts}


def shift_view(step: Json) -> Json | None:
    """The part that the step moves, and in which directions; None for any other step."""
    if step["do"] != "shift":
        return None
    return {"part": step["part"], "name": part_name(step["part"]), "moves": move_words(step["move_mm"])}


def plan_view(snapshot: Json) -> Json:
    """The bed from above: where the head and the card are, and where they should be."""
    machine, step, place = snapshot["machine"], snapshot["step"], snapshot["place"]
    wanted = step if step["do"] == "mark" else step.get("expect")
    return {
        "width_mm": machine["bed"]["width_mm"],
        "depth_mm": machine["bed"]["depth_mm"],
        "corner": machine["path"]["corner"],
        "head_mm": place["head_mm"] if place else None,
        "wanted_mm": wanted["head_mm"] if wanted else None,
        "station": wanted["station"] if wanted else None,
        "words": head_words(wanted["head_mm"], machine["bed"]) if wanted else "",
        "controller": controller_words(wanted["head_mm"], machine["bed"]) if wanted else "",
    }

"""A session's snapshot made ready for the page: one sentence, one number, one button."""

from __future__ import annotations

from typing import Any

from server.pages.buttons import buttons, placed
from server.pages.chain import chain_view
from server.pages.distance import distance
from server.pages.drawings import card_view, mount_of, mount_view, plan_view, shift_view
from server.pages.figures import big
from server.pages.finish import finish
from server.pages.landing import landing
from server.pages.lists import reading_row, verdict_rows
from server.pages.marks import near
from server.pages.way import follow, way
from server.pages.words import station_name, the_place

__all__ = ["CAUTIONS", "page_state"]

Json = dict[str, Any]
CAUTIONS = (
    ("Eyes", "Eyewear rated for this laser's wavelength, on everybody in the room. The beam cannot be seen."),
    ("Lid", "Lid and panels closed before every pulse. Never defeat an interlock."),
    ("Power", "The lowest power that still leaves a mark, and the shortest pulse."),
    ("Fire", "Tape and card can burn: stay with it, never alone with a flame, extinguisher at hand."),
    (
        "Supply",
        "The tube's supply kills: switched off, unplugged and discharged before hands go near the tube.",
    ),
    (
        "Rules",
        "Local rules and licensed people come first. Spotwright never fires the laser and protects nobody.",
    ),
)


def page_state(snapshot: Json) -> Json:
    """Return what the page draws, as plain JSON: words, primary button, drawings' numbers, lists."""
    machine, step = snapshot["machine"], snapshot["step"]
    followed = follow(snapshot)
    return {
        **{key: snapshot[key] for key in ("version", "run", "source", "alignment", "said", "missed")},
        "step": snapshot["step_name"],
        "cautions_acknowledged": snapshot["cautions_acknowledged"],
        "laser": machine.get("name", ""),
        "do": step["do"],
        "now": _now(snapshot),
        "fires": step["do"] == "mark",
        "follow": followed,
        "way": way(followed, (snapshot.get("rig") or {}).get("live")),
        "near_tube": step["do"] == "shift" and str(step.get("part", "")).startswith("tube"),
        "act": distance(snapshot),
        "say": _sentence(snapshot),
        "why": step["say"],
        **buttons(snapshot),
        "big": big(snapshot),
        "landing": landing(snapshot),
        "finish": finish(snapshot),
        "card": card_view(snapshot),
        "picture": snapshot["card"],
        "mount": mount_view(machine, step),
        "shift": shift_view(step),
        "plan": plan_view(snapshot),
        "rig": snapshot.get("rig"),
        "chain": chain_view(snapshot),
        "verdict": verdict_rows(step.get("verdict"), machine),
        "readings": [reading_row(row, machine) for row in reversed(snapshot["events"])],
        "mounts": [mount_of(machine, mount["mirror"]) for mount in machine["mount"]],
    }


# the sentence


def _now(snapshot: Json) -> str:
    """Return what the hands do: hang, pulse, or the step itself."""
    step = snapshot["step"]
    if step["do"] != "mark":
        return str(step["do"])
    return "pulse" if placed(snapshot) else "hang"


def _split(sentence: str) -> list[str]:
    """Return the order itself, to be read from afar, and what is said beside it."""
    for mark in ("; ", ": "):
        order, found, rest = sentence.partition(mark)
        if found and len(order) > 12:
            return [order + (":" if mark == ": " else "."), rest]
    return [sentence, ""]


def _sentence(snapshot: Json) -> list[str]:
    step = snapshot["step"]
    if step["do"] == "mark" and not snapshot["cautions_acknowledged"]:
        return ["Before the first pulse: read these, and keep to them.", ""]
    if step["do"] != "mark":
        return _split(str(step["say"]))
    if snapshot["source"] == "offline":
        return [_hang_words(snapshot), f"{step['say']} Then send its photo, or tap the mark below."]
    if snapshot["candidates"]:
        return ["More than one mark. Put fresh tape on and fire again, or choose the newest.", ""]
    if snapshot["missed"]:
        return ["No mark on the card. Did the laser fire?", ""]
    if placed(snapshot):
        watching = "The camera watches: the mark is read by itself." if snapshot["watch"] else ""
        return ["Lid closed? Fire one short pulse at the card.", watching]
    return [_hang_words(snapshot), str(step["say"])]


def _hang_words(snapshot: Json) -> str:
    step, place = snapshot["step"], snapshot["place"]
    where = the_place(step["head_mm"], snapshot["machine"]["bed"])
    if place is None or place["station"] != step["station"]:
        return f"Hang the card at {station_name(step['station'])}, fresh tape on it, head at {where}."
    if near(place["head_mm"], step["head_mm"]):
        return "Fresh tape on the card. Nothing else moves."
    return f"Move the head to {where}, and put fresh tape on the card."

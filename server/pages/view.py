"""A session's snapshot made ready for the page: one sentence, one number, one button."""

from __future__ import annotations

import math
from typing import Any

from server.pages.chain import chain_view
from server.pages.drawings import card_view, mount_of, mount_view, near, plan_view, shift_view
from server.pages.landing import landing
from server.pages.lists import reading_row, verdict_rows
from server.pages.way import follow, way
from server.pages.words import (
    fraction_of_turn,
    head_words,
    move_words,
    station_name,
    turn_words,
)
from server.solver.power import percent

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
        "cautions_acknowledged": snapshot["cautions_acknowledged"],
        "laser": machine.get("name", ""),
        "do": step["do"],
        "now": _now(snapshot),
        "fires": step["do"] == "mark",
        "follow": followed,
        "way": way(followed, (snapshot.get("rig") or {}).get("live")),
        "near_tube": step["do"] == "shift" and str(step.get("part", "")).startswith("tube"),
        "say": _sentence(snapshot),
        "why": step["say"],
        **_buttons(snapshot),
        "big": _big(snapshot),
        "landing": landing(snapshot),
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


# the sentence and the buttons


def _placed(snapshot: Json) -> bool:
    step, place = snapshot["step"], snapshot["place"]
    if place is None or snapshot["used"] or step["do"] != "mark" or place["station"] != step["station"]:
        return False
    return near(place["head_mm"], step["head_mm"])


def _now(snapshot: Json) -> str:
    """Return what the hands do: hang, pulse, or the step itself."""
    step = snapshot["step"]
    if step["do"] != "mark":
        return str(step["do"])
    return "pulse" if _placed(snapshot) else "hang"


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
    if step["do"] != "mark" or snapshot["source"] == "offline":
        return _split(str(step["say"]))
    if snapshot["candidates"]:
        return ["More than one mark. Put fresh tape on and fire again, or choose the newest.", ""]
    if snapshot["missed"]:
        return ["No mark on the card. Did the laser fire?", ""]
    if _placed(snapshot):
        watching = "The camera watches: the mark is read by itself." if snapshot["watch"] else ""
        return ["Lid closed? Fire one short pulse at the card.", watching]
    return [_hang_words(snapshot), str(step["say"])]


def _hang_words(snapshot: Json) -> str:
    step, place = snapshot["step"], snapshot["place"]
    if place is None or place["station"] != step["station"]:
        return f"Hang the card at {station_name(step['station'])}, fresh tape on it."
    if near(place["head_mm"], step["head_mm"]):
        return "Fresh tape on the card. Nothing else moves."
    return "Move the head, and put fresh tape on the card."


def _buttons(snapshot: Json) -> Json:
    step, source = snapshot["step"], snapshot["source"]
    if step["do"] == "mark":
        if not snapshot["cautions_acknowledged"]:
            return _set(_button("I have read them and keep to them", "acknowledge"))
        return _set(None) if source == "offline" else _mark_buttons(snapshot)
    practice = source == "practice"
    if step["do"] == "turn":
        return _turn_buttons(snapshot, step)
    if step["do"] == "shift":
        body = {key: step[key] for key in ("part", "move_mm")}
        words = ", ".join(move_words(step["move_mm"]))
        return _set(_button(f"Move it {words}" if practice else f"I moved it {words}", "shift", body))
    if step["do"] == "inspect":
        return _inspect_buttons(step)
    return _set(_button("Begin a new alignment", "restart", {}))


def _turn_buttons(snapshot: Json, step: Json) -> Json:
    body = {key: step[key] for key in ("mount", "screw", "turns")}
    words = turn_words(step["turns"])
    by_page = snapshot["source"] == "practice" and not snapshot.get("turned")
    turned = _button(f"Turn it {words}" if by_page else f"I turned it {words}", "turn", body)
    aim = snapshot["expect"]
    if snapshot["source"] == "offline" or aim is None or follow(snapshot) is not None:
        return _set(turned)
    there = {"station": aim["station"], "head_mm": aim["head_mm"]}
    where = f"{station_name(aim['station'])}, head {head_words(aim['head_mm'], snapshot['machine']['bed'])}"
    return _set(turned, _button(f"To watch the mark: card at {where}", "hang", there))


def _mark_buttons(snapshot: Json) -> Json:
    practice = snapshot["source"] == "practice"
    if snapshot["candidates"]:
        return _set(_hang_button(snapshot), *_candidate_buttons(snapshot["candidates"]))
    if snapshot["missed"]:
        again = _button("Fire again" if practice else "It fired now: look again", "pulse")
        return _set(_button("It fired, and left no mark: save that", "no-mark"), again)
    if _placed(snapshot):
        fire = _button("Fire one pulse" if practice else "That was my pulse", "pulse")
        return _set(fire) if practice else _set(fire, _watch_button(snapshot))
    return _set(_hang_button(snapshot))


def _watch_button(snapshot: Json) -> Json:
    words = "Stop watching by itself" if snapshot["watch"] else "Watch by itself: hands stay free"
    return _button(words, "watch", {"on": not snapshot["watch"]})


def _hang_button(snapshot: Json) -> Json:
    step, place = snapshot["step"], snapshot["place"]
    body = {"station": step["station"], "head_mm": step["head_mm"]}
    practice = snapshot["source"] == "practice"
    if place is not None and place["station"] == step["station"] and near(place["head_mm"], step["head_mm"]):
        return _button("Put fresh tape on" if practice else "Fresh tape is on", "hang", body)
    return _button("Hang it there" if practice else "It hangs there, with fresh tape", "hang", body)


def _candidate_buttons(offsets: list[list[float]]) -> list[Json]:
    return [
        _button(f"Mark {index + 1}: {u:+.1f} right, {v:+.1f} up", "choose", {"index": index})
        for index, (u, v) in enumerate(offsets)
    ]


def _inspect_buttons(step: Json) -> Json:
    def outcome(label: str, value: str) -> Json:
        return _button(label, "inspected", {"cause": step["cause"], "outcome": value})

    choices = [
        outcome("I found nothing", "nothing-found"),
        outcome("I found it and fixed it", "fixed"),
        outcome("I found it and could not fix it", "not-fixed"),
    ]
    return _set(_button("I have looked: what did I find?", "look")) | {"choices": choices}


def _button(label: str, action: str, body: Json | None = None) -> Json:
    return {"label": label, "action": action, "body": body or {}}


def _set(primary: Json | None, *others: Json) -> Json:
    return {"primary": primary, "others": list(others), "choices": []}


# the big number


def _big(snapshot: Json) -> list[Json]:
    step = snapshot["step"]
    if step["do"] == "turn":
        way = "clockwise ↻" if step["turns"] > 0 else "anticlockwise ↺"
        unit = "turns" if abs(step["turns"]) > 1 else "turn"
        return [_figure(fraction_of_turn(step["turns"]), unit, way), *_to_go(snapshot)]
    if step["do"] == "shift":
        return [_move_figure(move) for move in move_words(step["move_mm"])]
    if step["do"] == "done" and step.get("verdict"):
        return [_power(step["verdict"])]
    if step["do"] == "mark" and snapshot["cautions_acknowledged"]:
        head = head_words(step["head_mm"], snapshot["machine"]["bed"])
        return [_figure(station_name(step["station"]).capitalize(), "", f"head {head}", kind="words")]
    return []


def _figure(value: str, unit: str, label: str, *, kind: str = "number") -> Json:
    return {"value": value, "unit": unit, "label": label, "kind": kind}


def _move_figure(move: str) -> Json:
    way, value, unit = move.rsplit(" ", 2)
    return _figure(value, unit, f"{way} {_ARROWS[way]}")


_ARROWS = {
    "up": "↑",
    "down": "↓",
    "to the back": "⇧",
    "to the front": "⇩",
    "to machine left": "←",
    "to machine right": "→",
}


def _to_go(snapshot: Json) -> list[Json]:
    seen, aim = _mark_at_aim(snapshot), snapshot["expect"]
    if seen is None or aim is None:
        return []
    gap = math.dist(seen, aim["offset_mm"])
    return [_figure(f"{gap:.1f}", "mm", "the mark has to go", kind="aside")]


def _mark_at_aim(snapshot: Json) -> list[float] | None:
    aim = snapshot["expect"]
    if aim is None:
        return None
    for row in reversed(snapshot["events"]):
        event = row["event"]
        if row["withdrawn"] or event["kind"] != "mark" or event["station"] != aim["station"]:
            continue
        if all(abs(a - b) <= 1.0 for a, b in zip(event["head_mm"], aim["head_mm"], strict=True)):
            return list(event["offset_mm"])
    return None


def _power(verdict: Json) -> Json:
    return {
        "value": percent(verdict["worst_power"]),
        "unit": "%",
        "label": "of the beam arrives, worst place",
    }

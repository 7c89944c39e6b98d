"""What the hands can press at each step: the one large button, and the few beside it."""

from __future__ import annotations

from typing import Any

from server.pages.marks import same_place
from server.pages.way import follow
from server.pages.words import head_words, move_words, station_name, turn_words

__all__ = ["buttons", "placed"]

Json = dict[str, Any]


def buttons(snapshot: Json) -> Json:
    """Return ``primary``, ``others`` and ``choices``: each a label, an action, the body that it sends."""
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
    if placed(snapshot):
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
    if place is not None and same_place(place, step):
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


def placed(snapshot: Json) -> bool:
    """Whether an unused card hangs, and the head stands, where the step wants its mark."""
    step, place = snapshot["step"], snapshot["place"]
    if place is None or snapshot["used"] or step["do"] != "mark":
        return False
    return same_place(place, step)

"""The buttons of each step: the large one, and the few beside it."""

from __future__ import annotations

from collections.abc import Iterable

from server.log import Json
from server.pages.check_outcome import check_outcome
from server.pages.symptoms import MONTHLY
from server.pages.way import follow
from server.pages.words import head_words
from server.session.mark_taking import BLANKS
from server.session.snapshot import Snapshot, marked_place
from server.solver import Step
from server.solver.machine.profile import Point
from server.solver.words import move_phrases, station_words, turns_words
from server.sources.base import Place

__all__ = ["buttons", "undo_button"]

OTHERWISE = ("What else it may be", "/checks")


def buttons(snapshot: Snapshot) -> Json:
    """Return ``primary``, ``others``, ``choices`` and ``again``: each a label, an action, what it sends.

    again : takes the place of ``primary`` while the mark goes the wrong way or has left the card; None where
    no mark is followed.
    """
    if snapshot.checked:
        return _checked_buttons(snapshot)
    made = _buttons(snapshot)
    if snapshot.checking and snapshot.cautions:
        made["others"].append(_button("Leave the check: align", "go-on"))
    return made


def _buttons(snapshot: Snapshot) -> Json:
    step = snapshot.step
    match step.do:
        case "mark" if not snapshot.cautions:
            return _set(_button("I have read them and keep to them", "acknowledge"))
        case "mark":
            return _set(None) if snapshot.source == "offline" else _mark_buttons(snapshot)
        case "turn":
            return _turn_buttons(snapshot)
        case "shift":
            return _shift_buttons(snapshot)
        case "inspect":
            return _inspect_buttons(step)
        case _:
            return _set(_button("Begin a new alignment", "restart", {}))


def undo_button(snapshot: Snapshot) -> Json | None:
    """Return the button that takes the newest event back, None where nothing can be taken back."""
    return _button("That was wrong: take it back", "undo") if snapshot.may_undo else None


def _checked_buttons(snapshot: Snapshot) -> Json:
    assert snapshot.check is not None
    outcome = check_outcome(snapshot.check, snapshot.counted, snapshot.machine, snapshot.shapes)
    if outcome.kind == "off":
        return _set(_button("Align from here", "go-on"))
    after = ("Set the next check", "/log#upkeep") if snapshot.check.name == MONTHLY else OTHERWISE
    return _set(_link(*after), _button("Align all the same", "go-on"))


def _turn_buttons(snapshot: Snapshot) -> Json:
    step, aim = snapshot.step, snapshot.expect
    words = turns_words(step.turns or 0.0)
    by_page = snapshot.source == "practice" and not snapshot.turned
    body = {"mount": step.mount, "screw": step.screw, "turns": step.turns}
    turned = _button(f"Turn it {words}" if by_page else f"I turned it {words}", "turn", body)
    if follow(snapshot) is not None:
        fire = "Fire one pulse, and read it" if snapshot.source == "practice" else "That was a pulse: read it"
        return _set(turned) | {"again": _button(fire, "pulse")}
    if snapshot.source == "offline" or aim is None or (snapshot.source == "camera" and not snapshot.film):
        return _set(turned)
    where = f"{station_words(aim.station)}, head {head_words(aim.head_mm, snapshot.machine.bed)}"
    return _set(turned, _button(f"To watch the mark: card at {where}", "hang", Place.of(aim).as_json()))


def _shift_buttons(snapshot: Snapshot) -> Json:
    move_mm = snapshot.step.move_mm or (0.0, 0.0, 0.0)
    words, body = ", ".join(move_phrases(move_mm)), {"part": snapshot.step.part, "move_mm": list(move_mm)}
    return _set(
        _button(f"Move it {words}" if snapshot.source == "practice" else f"I moved it {words}", "shift", body)
    )


def _mark_buttons(snapshot: Snapshot) -> Json:
    practice = snapshot.source == "practice"
    if snapshot.candidates:
        return _set(_hang_button(snapshot), *_candidate_buttons(snapshot.candidates))
    if snapshot.misses and snapshot.wrong_card is None:
        again = _button("Fire again" if practice else "It fired now: look again", "pulse")
        blank = _button(f"It fired {snapshot.misses} times and left no mark: save that", "no-mark")
        return _set(again, _hang_button(snapshot), *([blank] if snapshot.misses >= BLANKS else []))
    if snapshot.card_is_ready:
        fire = _button("Fire one pulse" if practice else "That was my pulse", "pulse")
        return _set(fire) if practice else _set(fire, _watch_button(snapshot))
    return _set(_hang_button(snapshot))


def _watch_button(snapshot: Snapshot) -> Json:
    words = "Stop watching by itself" if snapshot.watch else "Watch by itself: hands stay free"
    return _button(words, "watch", {"on": not snapshot.watch})


def _hang_button(snapshot: Snapshot) -> Json:
    wanted = marked_place(snapshot.step)
    assert wanted is not None  # only a mark's step hangs a card
    practice = snapshot.source == "practice"
    if snapshot.wrong_card is not None:
        label = f"The card for {station_words(wanted.station)} hangs there now"
    elif snapshot.card_stays and snapshot.place is not None and snapshot.place.agrees(wanted):
        label = "Put fresh tape on" if practice else "Fresh tape is on"
    elif snapshot.hangs_there and not snapshot.card_stays:
        label = "Hang it again" if practice else "It hangs again, with fresh tape"
    else:
        label = "Hang it there" if practice else "It hangs there, with fresh tape"
    return _button(label, "hang", wanted.as_json())


def _candidate_buttons(offsets: Iterable[Point]) -> list[Json]:
    return [
        _button(f"Mark {index + 1}: {u:+.1f} right, {v:+.1f} up", "choose", {"index": index})
        for index, (u, v) in enumerate(offsets)
    ]


def _inspect_buttons(step: Step) -> Json:
    def outcome(label: str, value: str) -> Json:
        return _button(label, "inspected", {"cause": step.cause, "outcome": value})

    choices = [
        outcome("I found nothing", "nothing-found"),
        outcome("I found it and fixed it", "fixed"),
        outcome("I found it and could not fix it", "not-fixed"),
    ]
    return _set(_button("I have looked: what did I find?", "look")) | {"choices": choices}


def _button(label: str, action: str, body: Json | None = None) -> Json:
    return {"label": label, "action": action, "body": body or {}}


def _link(label: str, address: str) -> Json:
    """Return a button that leads to another page."""
    return {"label": label, "action": "", "body": {}, "link": address}


def _set(primary: Json | None, *others: Json) -> Json:
    return {"primary": primary, "others": list(others), "choices": [], "again": None}

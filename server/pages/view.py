"""The state that a page draws, made from a session's snapshot: sentences, figures, buttons, lists."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from server.log import Json
from server.pages.act import act
from server.pages.buttons import buttons, undo_button
from server.pages.chain import chain_view
from server.pages.check_outcome import check_outcome
from server.pages.drawings import card_view, mount_of, mount_view, plan_view, shift_view
from server.pages.figures import big
from server.pages.finish import finish
from server.pages.landing import landing
from server.pages.lists import reading_row, verdict_rows
from server.pages.outcome import outcome_words
from server.pages.way import follow, way
from server.pages.words import the_place
from server.session.snapshot import Snapshot, marked_place
from server.solver.steps import Parts, Step
from server.solver.words import station_words
from server.sources.base import Place

__all__ = ["CAUTIONS", "page_state"]

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
OLD = timedelta(hours=12)  # after so long, readings may not hold: another day, another temperature
BURNT = "A burnt mark does not move: turn, step back, then fire a pulse and look."


def page_state(snapshot: Snapshot, now: datetime) -> Json:
    """Return what the page draws, as plain JSON; now : the time, to say how old the readings are."""
    if snapshot.checked:  # the page shows the outcome of the check, not what the solver would do next
        snapshot = replace(snapshot, step=Step("check", parts=Parts("the check is over")))
    machine, step = snapshot.machine, snapshot.step
    followed = follow(snapshot)
    return {
        "version": snapshot.version,
        "run": snapshot.run,
        "source": snapshot.source,
        "alignment": snapshot.alignment,
        "said": snapshot.said,
        "old": _old(snapshot, now),
        "missed": snapshot.misses > 0,
        "wrong_card": snapshot.wrong_card,
        "undo": undo_button(snapshot),
        "step": snapshot.step_name,
        "cautions_acknowledged": snapshot.cautions,
        "laser": machine.name,
        "do": step.do,
        "now": _now(snapshot),
        "fires": step.do == "mark",
        "follow": followed.as_json() if followed else None,
        "way": way(followed, snapshot.rig.live),
        "film": snapshot.film,
        "near_tube": (step.part or "").startswith("tube"),
        "act": act(snapshot),
        "say": _sentence(snapshot),
        "why": step.say,
        "parts": step.parts.as_json(),
        **buttons(snapshot),
        "big": big(snapshot),
        "landing": landing(snapshot),
        "finish": finish(snapshot),
        "card": card_view(snapshot),
        "picture": snapshot.card.as_json() if snapshot.card else None,
        "mount": mount_view(machine, step),
        "shift": shift_view(step),
        "plan": plan_view(snapshot),
        "rig": snapshot.rig.as_json(),
        "chain": chain_view(snapshot),
        "verdict": verdict_rows(step.verdict.as_json() if step.verdict else None, machine),
        "readings": [
            reading_row(entry, machine.bed) for entry in reversed(snapshot.events) if entry.kind != "undo"
        ],
        "mounts": [mount_of(machine, mount.mirror) for mount in machine.mount],
    }


def _old(snapshot: Snapshot, now: datetime) -> str:
    """Return a sentence if all that was read or moved lies more than OLD back, else ""."""
    when = [entry.when for entry in snapshot.events if not entry.withdrawn and entry.when]
    if snapshot.source == "practice" or not when:
        return ""
    age = now - datetime.fromisoformat(max(when))  # the log writes all of them alike, in UTC
    if age <= OLD:
        return ""
    days = round(age / timedelta(days=1))  # OLD counts as a day
    long = f"{days} days" if days > 1 else "a day"
    return f"The last reading is {long} old. Moved or knocked since? Then begin a new alignment."


# the sentence


def _now(snapshot: Snapshot) -> str:
    """Return what the person does now: hang, pulse, or the step itself."""
    if snapshot.step.do != "mark":
        return snapshot.step.do
    return "pulse" if snapshot.card_is_ready else "hang"


def _sentence(snapshot: Snapshot) -> list[str]:
    """Return two sentences: the order, in large letters, and what goes with it."""
    first, beside = _words(snapshot)
    if snapshot.check is None or not snapshot.checking or snapshot.checked:
        return [first, beside]
    count = len(snapshot.check.places)
    number = count - len(snapshot.check.left(snapshot.counted)) + 1
    return [first, f"Check, pulse {number} of {count}. {beside}".strip()]


def _words(snapshot: Snapshot) -> list[str]:
    step, place = snapshot.step, marked_place(snapshot.step)
    if snapshot.check is not None and snapshot.checked:
        outcome = check_outcome(snapshot.check, snapshot.counted, snapshot.machine, snapshot.shapes)
        return [outcome.words, outcome.rest]
    if step.do == "done":
        return [outcome_words(step.verdict, snapshot.machine.tolerance), ""]
    if place is None:
        burnt = BURNT if step.do == "turn" and snapshot.source == "camera" and not snapshot.film else ""
        return [f"{step.parts.order}.", f"{_beside(step.parts)} {burnt}".strip()]
    if not snapshot.cautions:
        return ["Before the first pulse: read these, and keep to them.", ""]
    if snapshot.source == "offline":
        return [_hang_words(snapshot, place), f"{step.say} Then send its photo, or tap the mark below."]
    if snapshot.candidates:
        return ["More than one mark. Put fresh tape on and fire again, or choose the newest.", ""]
    if snapshot.wrong_card is not None:
        return [_wrong_card_words(snapshot.wrong_card, place), _hang_words(snapshot, place)]
    if snapshot.misses:
        return ["No mark on the card. Did the laser fire?", ""]
    if snapshot.card_is_ready:
        watching = "The camera watches: the mark is read by itself." if snapshot.watch else ""
        return ["Lid closed? Fire one short pulse at the card.", watching]
    return [_hang_words(snapshot, place), step.say]


def _wrong_card_words(seen: str, wanted: Place) -> str:
    return f"That is the card for {station_words(seen)}. Hang the card for {station_words(wanted.station)}."


def _beside(parts: Parts) -> str:
    """Return what was noticed, what to take care of and what comes next, as sentences."""
    phrases = [f"{part[:1].upper()}{part[1:]}." for part in (parts.care, parts.then) if part]
    return " ".join(part for part in (parts.noticed, *phrases) if part)


def _hang_words(snapshot: Snapshot, wanted: Place) -> str:
    place, where = snapshot.place, the_place(wanted.head_mm, snapshot.machine.bed)
    if place is None or not snapshot.card_stays:
        hang = "Take the card off and hang it again" if snapshot.hangs_there else "Hang the card"
        return f"{hang} at {station_words(wanted.station)}, fresh tape on it, head at {where}."
    if place.head_near(wanted):
        return "Fresh tape on the card. Nothing else moves."
    return f"Move the head to {where}, and put fresh tape on the card."

"""The verdict and the saved entries as lines to read."""

from __future__ import annotations

from server.log import Json
from server.pages.outcome import headline
from server.pages.words import head_words
from server.session.events import (
    Difference,
    Entry,
    Event,
    Inspected,
    MarkSeen,
    NoMark,
    Shift,
    Turn,
    Undo,
)
from server.solver.machine.power import percent
from server.solver.machine.profile import Bed, Profile
from server.solver.words import move_phrases, part_name, station_words, turns_words

__all__ = [
    "entry_words",
    "event_words",
    "reading_row",
    "reminder_words",
    "saved_words",
    "verdict_in_short",
    "verdict_rows",
]


def verdict_rows(verdict: Json | None, machine: Profile) -> Json | None:
    """Return a verdict, as the log keeps it, as lines of name, value, limit, good; None without one."""
    if not verdict:
        return None
    tolerance, rows = machine.tolerance, []
    for station, value in (verdict.get("overlap_mm") or {}).items():
        rows.append(_measured(f"Overlap at {station_words(station)}", value, tolerance.overlap_mm))
    for station, value in (verdict.get("centre_mm") or {}).items():
        rows.append(_measured(f"Centre at {station_words(station)}", value, tolerance.centre_mm))
    rows.append(_measured("Offset at the lens", verdict.get("lens_mm"), tolerance.lens_mm))
    rows.append(_measured("Offset at the nozzle", verdict.get("nozzle_mm"), tolerance.nozzle_mm))
    worst, power = verdict.get("worst_at_head_mm"), verdict.get("worst_power")
    within = all(row["good"] or not row["known"] for row in rows)
    return {
        "aligned": verdict["aligned"],
        "headline": headline(aligned=verdict["aligned"], within=within),
        "good": verdict["aligned"] and within,
        "rows": rows,
        "reasons": verdict.get("reasons", []),
        "power": None if power is None else percent(power),
        "worst": head_words(worst, machine.bed) if worst else "",
    }


def verdict_in_short(verdict: Json | None, machine: Profile | None) -> tuple[str, str]:
    """Return what a list says of an alignment: the sign's class, and a word or two."""
    if not verdict:
        return "open", "none yet"
    if not verdict["aligned"]:
        return "no", "not yet"
    rows = verdict_rows(verdict, machine) if machine else None
    return ("no", "nearly") if rows and not rows["good"] else ("yes", "aligned")


def _measured(name: str, value: float | None, limit: float) -> Json:
    known = value is not None
    return {
        "name": name,
        "value": f"{value:.2f} mm" if known else "not measured",
        "limit": f"{limit:g} mm",
        "good": bool(known and value is not None and value <= limit),
        "known": known,
    }


def reminder_words(row: Json) -> str:
    """Return when a reminder is due, or how long it is overdue: 'in 12 days or 40 hours run'."""
    left = [(row["days_left"], "day"), (row["hours_left"], "hour")]
    known = [(value, unit) for value, unit in left if value is not None]
    if row["due"]:
        return "due" + "".join(f", {_span(-v, u)} over" for v, u in known if v <= -1)
    spans = [f"{_span(max(v, 1), u)}{' run' if u == 'hour' else ''}" for v, u in known]
    return "in " + " or ".join(spans)


def _span(value: float, unit: str) -> str:
    return f"{value:.0f} {unit}{'' if round(value) == 1 else 's'}"


def reading_row(entry: Entry, bed: Bed) -> Json:
    """Return one saved entry as the page lists it."""
    return {
        "id": entry.id,
        "when": entry.when,
        "kind": entry.kind,
        "withdrawn": entry.withdrawn,
        "has_picture": entry.has_picture,
        "words": entry_words(entry, bed),
    }


def saved_words(row: Json, bed: Bed | None) -> str:
    """Return one line for an entry as the log keeps it; ``bed`` is None where the laser is not known."""
    event: Json = row["event"]
    if event.get("kind") == "damaged":
        return "Damaged: this entry cannot be read any more, and does not count"
    try:
        if bed is not None:
            return entry_words(Entry.of(row), bed)
    except (LookupError, TypeError, ValueError):  # an event of another program
        pass
    return " ".join(f"{key}={value}" for key, value in event.items())


def entry_words(entry: Entry, bed: Bed) -> str:
    """Return one line for one saved entry, with the turn that was asked for if another was made."""
    asked = "" if entry.asked_turns is None else f" (asked: {turns_words(entry.asked_turns)})"
    return f"{event_words(entry.event, bed)}{asked}"


def event_words(event: Event, bed: Bed) -> str:
    """Return one line for one event."""
    match event:
        case Turn(mount=mount, screw=screw, turns=turns):
            return f"Mirror {mount}, screw {screw}: {turns_words(turns)}"
        case Shift(part=part, move_mm=move_mm):
            return f"Moved {part_name(part)}: {', '.join(move_phrases(move_mm)) or 'nothing'}"
        case Inspected(cause=cause, outcome=outcome):
            return f"Looked at {cause.replace('-', ' ')}: {outcome.replace('-', ' ')}"
        case NoMark(station=station, head_mm=head_mm):
            return f"No mark at {station_words(station)}, head {head_words(head_mm, bed)}"
        case MarkSeen(station=station, head_mm=head_mm, offset_mm=(u_mm, v_mm)):
            at = f"{station_words(station)}, head {head_words(head_mm, bed)}"
            return f"Mark at {at}: {u_mm:+.2f} right, {v_mm:+.2f} up (mm)"
        case Difference(station=station, offset_mm=(u_mm, v_mm)):
            return f"From mark to mark at {station_words(station)}: {u_mm:+.2f} right, {v_mm:+.2f} up (mm)"
        case Undo():
            return "The entry before was taken back"
        case _:
            return f"An entry of the kind {event.kind}"

"""The verdict and the saved entries as lines to read."""

from __future__ import annotations

from typing import Any

from server.pages.words import head_words, move_words, part_name, station_name, turn_words
from server.solver.machine.power import percent

__all__ = ["event_words", "reading_row", "reminder_words", "verdict_rows"]

Json = dict[str, Any]


def verdict_rows(verdict: Json | None, machine: Json) -> Json | None:
    """Return a verdict as lines of name, value, limit, good; None without one."""
    if not verdict:
        return None
    tolerance, rows = machine["tolerance"], []
    for station, value in (verdict.get("overlap_mm") or {}).items():
        rows.append(_measured(f"Overlap at {station_name(station)}", value, tolerance["overlap_mm"]))
    for station, value in (verdict.get("centre_mm") or {}).items():
        rows.append(_measured(f"Centre at {station_name(station)}", value, tolerance["centre_mm"]))
    rows.append(_measured("Offset at the lens", verdict.get("lens_mm"), tolerance["lens_mm"]))
    rows.append(_measured("Offset at the nozzle", verdict.get("nozzle_mm"), tolerance["nozzle_mm"]))
    worst, power = verdict.get("worst_at_head_mm"), verdict.get("worst_power")
    return {
        "aligned": verdict["aligned"],
        "rows": rows,
        "reasons": verdict.get("reasons", []),
        "power": None if power is None else percent(power),
        "worst": head_words(worst, machine["bed"]) if worst else "",
    }


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
    """Return how long a reminder has still to go, or how long it is over: 'in 12 days or 40 hours run'."""
    left = [(row["days_left"], "day"), (row["hours_left"], "hour")]
    known = [(value, unit) for value, unit in left if value is not None]
    if row["due"]:
        return "due" + "".join(f", {_span(-v, u)} over" for v, u in known if v <= -1)
    spans = [f"{_span(max(v, 1), u)}{' run' if u == 'hour' else ''}" for v, u in known]
    return "in " + " or ".join(spans)


def _span(value: float, unit: str) -> str:
    return f"{value:.0f} {unit}{'' if round(value) == 1 else 's'}"


def reading_row(row: Json, machine: Json) -> Json:
    """Return one saved entry as the page lists it."""
    event = row["event"]
    return {
        "id": row["id"],
        "when": row["when"],
        "kind": event["kind"],
        "withdrawn": bool(row["withdrawn"]),
        "has_picture": bool(row["has_picture"]),
        "words": event_words(event, machine),
    }


def event_words(event: Json, machine: Json) -> str:
    """Return one line for one event."""
    if event["kind"] == "damaged":
        return "Damaged: this entry cannot be read any more, and does not count"
    if event["kind"] == "turn":
        return f"Mirror {event['mount']}, screw {event['screw']}: {turn_words(event['turns'])}"
    if event["kind"] == "shift":
        return f"Moved {part_name(event['part'])}: {', '.join(move_words(event['move_mm'])) or 'nothing'}"
    if event["kind"] == "inspected":
        return f"Looked at {event['cause'].replace('-', ' ')}: {event['outcome'].replace('-', ' ')}"
    at = f"{station_name(event['station'])}, head {head_words(event['head_mm'], machine['bed'])}"
    if event["kind"] == "no-mark":
        return f"No mark at {at}"
    return f"Mark at {at}: {event['offset_mm'][0]:+.2f} right, {event['offset_mm'][1]:+.2f} up (mm)"

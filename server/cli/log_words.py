"""Rows of the log as lines for a person at a terminal."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from server.log import Json

__all__ = ["LIST_HEAD", "event_line", "listed", "shown_path"]

LIST_HEAD = "   no  begun             by        events  state     laser"


def listed(row: Json) -> str:
    """Return one alignment as a line of the list."""
    note = f" ({row['note']})" if row["note"] else ""
    numbers = f"{row['id']:5d}  {_local(row['started']):16}  {row['source']:8}  {row['events']:6d}"
    return f"{numbers}  {_state(row):8}  {row['machine'] or '?'}{note}"


def _state(row: Json) -> str:
    if row["damaged"]:
        return "damaged"
    if row["done"]:
        return "aligned" if (row["verdict"] or {}).get("aligned") else "stopped"
    return "open"


def event_line(place: int, row: Json, machine: Json) -> str:
    """Return one event as a line: its place, when (local time), what happened."""
    from server.pages.lists import saved_words  # loads the solver too, so only when needed

    words = saved_words(row, _bed(machine))
    taken_back = "  (withdrawn)" if row["withdrawn"] else ""
    return f"{place:4d}  {_local(row['when']):16}  {words}{taken_back}"


def _bed(machine: Json) -> Any:
    from server.solver import DocumentError, parse_profile

    try:
        return parse_profile(machine).bed
    except DocumentError:  # damaged, or of another program
        return None


def _local(when: str) -> str:
    """Return a moment in local time; any other text as it is."""
    try:
        return datetime.fromisoformat(when.replace("Z", "+00:00")).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return when


def shown_path(path: Path) -> str:
    """Return a path in printable form, whatever bytes are in its name."""
    return str(path).encode("utf-8", "backslashreplace").decode()

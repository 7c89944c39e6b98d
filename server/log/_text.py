"""Values as the tables keep them: JSON text and moments in UTC."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from server.log._errors import BadEntry

Json = dict[str, Any]


def utc_now() -> datetime:
    """The wall clock; only shown to people, never used to order anything."""
    return datetime.now(UTC)


def as_text(value: Any, *, what: str) -> str:
    """``value`` as JSON text; BadEntry for what JSON has no word for (NaN, infinity, other types)."""
    try:
        text = json.dumps(value, allow_nan=False, separators=(", ", ": "))
        if "\\ud" in text:  # half a surrogate pair has no UTF-8 and could never be read back
            json.dumps(value, ensure_ascii=False).encode()
        return text
    except (TypeError, ValueError, RecursionError) as error:
        raise BadEntry(f"not plain JSON ({error})", path=what) from error


def optional_text(value: Json | None, *, what: str) -> str | None:
    """As :func:`as_text`, None for None."""
    return None if value is None else as_text(value, what=what)


def as_value(text: str | None) -> Any:
    """What JSON text says, None for None."""
    return None if text is None else json.loads(text)


def event_text(event: Json) -> str:
    """An event as it is kept; BadEntry unless it is an object with a ``kind``."""
    if not isinstance(event, dict) or not isinstance(event.get("kind"), str):
        raise BadEntry("an event is an object with a 'kind'", path="event")
    return as_text(event, what="event")


def stamp(moment: datetime) -> str:
    """UTC in ISO 8601 with milliseconds: ``2025-01-31T08:30:00.000Z``."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

"""Convert values to and from what the tables hold: JSON text and times in UTC."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from server.log._errors import BadEntry

Json = dict[str, Any]
UUID = r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"
PICTURE = re.compile(
    r"[0-9a-f]{2}/[0-9a-f]{64}\.(jpg|png|bin)"
)  # the name of a file in the folder of pictures
NO_PROFILE = "{}"  # in place of a laser's profile that was damaged
MOMENT = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z"


def utc_now() -> datetime:
    """The wall clock; only shown to people, never used to order anything."""
    return datetime.now(UTC)


def as_text(value: Any, *, what: str) -> str:
    """Return ``value`` as JSON text; BadEntry for what JSON cannot express (NaN, infinity, other types)."""
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
    """The value of JSON text, None for None."""
    return None if text is None else json.loads(text)


@lru_cache(maxsize=64)
def name_in(machine: str) -> Any:
    """The name in a profile's text, None where it has none; alignments of one laser share one text."""
    return json.loads(machine).get("name")


def event_text(event: Json) -> str:
    """An event as it is kept; BadEntry unless it is an object with a ``kind``."""
    if not isinstance(event, dict) or not isinstance(event.get("kind"), str):
        raise BadEntry("an event is an object with a 'kind'", path="event")
    return as_text(event, what="event")


def stamp(moment: datetime) -> str:
    """UTC in ISO 8601 with milliseconds: ``2025-01-31T08:30:00.000Z``."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def moment(when: str) -> datetime:
    """The moment that :func:`stamp` wrote; ValueError for a day that no calendar has."""
    return datetime.fromisoformat(when.replace("Z", "+00:00"))

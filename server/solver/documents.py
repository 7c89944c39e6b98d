"""Read documents of JSON values as frozen dataclasses; a fault is one message with its path."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, TypeVar, get_args

from pydantic import TypeAdapter, ValidationError

from server.solver.events import Alignment, Event, EventList
from server.solver.machine.profile import Profile
from server.solver.shapes import Fault

T = TypeVar("T")


class DocumentError(ValueError):
    """A document that cannot be read: where (dotted path) and why, in one line."""

    def __init__(self, path: str, message: str) -> None:
        super().__init__(f"{path}: {message}" if path else message)
        self.path = path
        self.message = message

    def as_json(self) -> dict[str, Any]:
        """``{"error": {"path": …, "message": …}}``."""
        return {"error": {"path": self.path, "message": self.message}}


_PROFILE, _ALIGNMENT = TypeAdapter(Profile), TypeAdapter(Alignment)
_EVENTS = TypeAdapter(dict[str, EventList])
_TAGS = {shape.kind for shape in get_args(get_args(Event)[0])}  # Event is Annotated[A | B | …, …]
# Replaces pydantic's messages that would name one of our classes.
_PLAIN = {
    "unexpected_keyword_argument": "unknown key",
    "dataclass_type": "must be an object with named fields",
    "model_attributes_type": "must be an object with named fields",
    "union_tag_not_found": f"has no kind; kinds: {', '.join(sorted(_TAGS))}",
}


def parse_profile(data: Any) -> Profile:
    """A profile from the TOML file's content; DocumentError with the path inside the profile."""
    return _interned(_read(_PROFILE, data))


def parse_alignment(document: Any) -> Alignment:
    """An alignment document (JSON values) as frozen dataclasses; DocumentError says what and where."""
    read = _read(_ALIGNMENT, document)
    return Alignment(_interned(read.machine), read.events)


def check_events(events: Any) -> None:
    """Raise DocumentError if a list of events breaks a rule that holds on every machine."""
    _read(_EVENTS, {"events": events})


def _read(shape: TypeAdapter[T], data: Any) -> T:
    if not isinstance(data, Mapping):
        raise DocumentError("", f"must be an object, not {type(data).__name__}")
    try:
        return shape.validate_python(data)
    except ValidationError as error:
        raise _one_line(error) from None


def _one_line(error: ValidationError) -> DocumentError:
    """The first fault; for a field that takes a number or a pair, why the alternative tried last failed."""
    faults = error.errors()
    fault = faults[0]
    loc = list(fault["loc"])
    if len(loc) > 2 and loc[0] == "events" and loc[2] in _TAGS:
        del loc[2]
    loc = [
        part
        for part in loc
        if not (isinstance(part, str) and ("[" in part or part in ("float", "constrained-float")))
    ]
    inner = fault.get("ctx", {}).get("error")
    message = str(inner) if isinstance(inner, ValueError) else fault["msg"]
    if isinstance(inner, Fault):
        loc.append(inner.at)
    message = _PLAIN.get(fault["type"], message)
    return DocumentError(".".join(str(part) for part in loc), message[:300])


@lru_cache(maxsize=16)
def _interned(profile: Profile) -> Profile:
    """The equal profile that was read before, if there is one, so that caches find it fast, by identity."""
    return profile

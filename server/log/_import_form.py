"""The form of an export to be imported, checked one alignment at a time to keep memory small."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Protocol, TextIO, TypeVar

import pydantic

from server.log import _export
from server.log._errors import BadEntry
from server.log._json_stream import JsonStream
from server.log._text import MOMENT, PICTURE, UUID, Json, moment


def _on_the_calendar(text: str) -> str:
    moment(text)
    return text


_Uuid = Annotated[str, pydantic.StringConstraints(pattern=f"^{UUID}$")]
_When = Annotated[
    str, pydantic.StringConstraints(pattern=f"^{MOMENT}$"), pydantic.AfterValidator(_on_the_calendar)
]
_Picture = Annotated[str, pydantic.StringConstraints(pattern=f"^{PICTURE.pattern}$")]


class _Strict(pydantic.BaseModel):
    model_config = pydantic.ConfigDict(extra="forbid", strict=True, defer_build=True)


class EventIn(_Strict):
    """One event of an export."""

    uuid: _Uuid
    when: _When
    withdrawn: bool
    picture: _Picture | None
    event: Json
    reading: Json | None


class AlignmentIn(_Strict):
    """One alignment of an export."""

    uuid: _Uuid
    started: _When
    source: Literal["practice", "camera", "offline"]
    note: Annotated[str, pydantic.StringConstraints(max_length=2000)]
    done: bool
    machine: Json
    state: Json | None
    verdict: Json | None
    damaged: bool = False  # its head is only what could be read
    events: list[EventIn]


class EntryIn(_Strict):
    """One entry of an export: a test cut, upkeep, hours or a reminder."""

    uuid: _Uuid
    kind: Literal["cut", "upkeep", "hours", "reminder"]
    when: _When
    alignment: _Uuid | None
    withdrawn: bool
    picture: _Picture | None
    body: Json


class HeadIn(_Strict):
    """What an export says about itself."""

    format: Literal["spotwright-log"]
    version: Literal[1, 2]


_Model = TypeVar("_Model", bound=_Strict)


class Source(Protocol):
    """A source of alignments and then entries; neither is held in memory as a whole."""

    def alignments(self) -> Iterator[AlignmentIn]:
        """Each once, in order."""
        ...

    def entries(self) -> Iterator[EntryIn]:
        """Each once, asked for after the last alignment."""
        ...


class Tables:
    """A log's database."""

    def __init__(self, db: sqlite3.Connection, lost: list[str]) -> None:
        self._rows = _export.Rows(db, lost)

    def alignments(self) -> Iterator[AlignmentIn]:
        """Each once, in order."""
        return (_checked(AlignmentIn, _parse(text)) for text in _export.alignment_texts(self._rows))

    def entries(self) -> Iterator[EntryIn]:
        """Each once."""
        return (_checked(EntryIn, _parse(text)) for text in _export.entry_texts(self._rows))


class Parts:
    """An export, read piece by piece. Its entries are few, so they are kept until all alignments are read."""

    def __init__(self, stream: TextIO) -> None:
        self._json = JsonStream(stream)
        self._entries: list[EntryIn] = []

    def alignments(self) -> Iterator[AlignmentIn]:
        """Each once, in order; the rest of the document is checked on the way."""
        seen, head = set(), {}
        for key in self._json.members():
            if key in seen:
                raise BadEntry("is there twice", path=key)
            seen.add(key)
            if key == "alignments":
                yield from self._list(AlignmentIn, key)
            elif key == "entries":
                self._entries += self._list(EntryIn, key)
            else:
                head[key] = self._json.value()
        self._json.end()
        _checked(HeadIn, head)
        if "alignments" not in seen:
            raise BadEntry("Field required", path="alignments")

    def _list(self, model: type[_Model], key: str) -> Iterator[_Model]:
        for number, item in enumerate(self._json.items()):
            yield _checked(model, item, within=f"{key}.{number}")

    def entries(self) -> Iterator[EntryIn]:
        """Each once."""
        return iter(self._entries)


def _parse(text: str) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        raise BadEntry(f"not JSON: {error.msg}", path=f"line {error.lineno} column {error.colno}") from error
    except (ValueError, RecursionError) as error:
        raise BadEntry(f"not JSON that can be read: {error}") from error


def _checked(model: type[_Model], value: Any, *, within: str = "") -> _Model:
    try:
        return model.model_validate(value)
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        path = ".".join(map(str, ((within,) if within else ()) + first["loc"]))
        raise BadEntry(first["msg"], path=path or "export") from error

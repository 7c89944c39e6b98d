"""Check an alignment that is to be imported: it must look as this program writes it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from server.log import Json
from server.practice import PracticeMachine
from server.session.events import without_undo
from server.session.notes import Memory
from server.solver import DocumentError, check_events, parse_alignment

__all__ = ["check_alignment"]

Number = Annotated[float, Field(ge=-1e6, le=1e6)]
Text = Annotated[str, Field(max_length=1000)]
Station = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle"]
_MEMORY = TypeAdapter(Memory)


class _Verdict(BaseModel):
    """A verdict from the solver; unknown values may be missing."""

    model_config = ConfigDict(extra="forbid", strict=True)

    aligned: bool
    overlap_mm: dict[Station, Number] = {}
    centre_mm: dict[Station, Number] = {}
    lens_mm: Number | None = None
    nozzle_mm: Number | None = None
    worst_power: Annotated[float, Field(ge=0, le=1)] | None = None
    worst_at_head_mm: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None
    reasons: Annotated[list[Text], Field(max_length=100)] = []


def check_alignment(alignment: Json) -> None:
    """Raise DocumentError, with the path of the fault, if anything but the events' readings is unreadable.

    ``machine`` may be empty: the log that it comes from may have lost it and kept the events.
    """
    document = without_undo({"machine": alignment["machine"], "events": alignment["events"]})
    if alignment["machine"]:
        parse_alignment(document)
    else:
        check_events(document["events"])
    if alignment["verdict"] is not None:
        _check("verdict", _Verdict.model_validate, alignment["verdict"])
    if alignment["state"] is not None:
        _check_state(alignment["state"], practice=alignment["source"] == "practice")


def _check_state(state: Json, *, practice: bool) -> None:
    _check("state", _MEMORY.validate_python, {**state})
    source = state.get("source")
    if not isinstance(source, dict | None):
        raise DocumentError("state.source", "must be an object")
    if practice and source:
        try:
            PracticeMachine.from_json(source)
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
            raise DocumentError("state.source", "is not a practice laser of this program") from error


def _check(at: str, model: Any, value: Json) -> None:
    try:
        model(value)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, (at, *first["loc"])))
        raise DocumentError(where, first["msg"]) from None

"""The bodies of requests: checked field by field, refused in one line."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, TypeVar

from flask import request
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from server.errors import fault_line
from server.session.session import Refused
from server.sources.base import Place

__all__ = [
    "Action",
    "AnyPlace",
    "Bars",
    "CheckFor",
    "Choice",
    "Ease",
    "Hang",
    "Inspected",
    "Nothing",
    "Restart",
    "Shift",
    "Turn",
    "Typed",
    "Watch",
    "Withdraw",
    "json_body",
    "parse",
]

JSON_LIMIT = 2_000_000
Station = Literal["mirror-1", "mirror-2", "mirror-3", "nozzle"]
Number = Annotated[float, Field(allow_inf_nan=False)]
Bar = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=200)]  # as a profile may have
StepName = Annotated[str, Field(min_length=1, max_length=40)]
Key = Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9_-]*$")]
Model = TypeVar("Model", bound="Body")


class Body(BaseModel):
    """The base of all: unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Action(Body):
    """A press on a page: the step that it answers, and its own key (see ``server.pages.presses``)."""

    step: StepName
    key: Key


class Nothing(Action):
    """No other fields."""


class Hang(Action):
    """Where the card hangs and the head stands."""

    station: Station
    head_mm: tuple[Number, Number]

    def place(self) -> Place:
        """Return both together."""
        return Place(self.station, self.head_mm)


class AnyPlace(Action):
    """A place; without one, the place that is known."""

    station: Station | None = None
    head_mm: tuple[Number, Number] | None = None

    def place(self) -> Place | None:
        return Place(self.station, self.head_mm) if self.station and self.head_mm else None


class Typed(Hang):
    """A measured offset."""

    offset_mm: tuple[Number, Number]
    sigma_mm: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 0.5


class Turn(Action):
    """A screw and how far."""

    mount: int
    screw: Name
    turns: Number


class Ease(Action):
    """A virtual screw that is held, and its way: +1 clockwise from the knob side, 0 let go."""

    mount: int
    screw: Name
    way: Literal[-1, 0, 1]


class Shift(Action):
    """A part and how far."""

    part: Name
    move_mm: list[Number]


class Inspected(Action):
    """A cause and what was found."""

    cause: Name
    outcome: Name


class Choice(Action):
    """Which of several marks."""

    index: Annotated[int, Field(ge=0, le=100)]


class Withdraw(Action):
    """Which saved event."""

    event: int


class Watch(Action):
    """On or off: the camera looks for the mark by itself, or the card holds film."""

    on: bool


class Bars(Body):
    """What the check bars of the printed cards measure, mm: across, up; None if the print is true."""

    bars_mm: tuple[Bar, Bar] | None


class CheckFor(Action):
    """What is wrong today, by its name among the symptoms."""

    what: StepName


class Restart(Action):
    """How the next alignment begins; all fields are for the practice laser only."""

    seed: Annotated[int, Field(ge=0, le=2**31)] | None = None
    severity: Literal["drifted", "rebuilt"] = "drifted"
    corner: Literal["back-left", "back-right"] = "back-left"


def json_body() -> Any:
    """Return the request's JSON value; raises Refused with status 400 when it is none."""
    request.max_content_length = JSON_LIMIT
    try:
        return json.loads(request.get_data().decode("utf-8"))
    except (ValueError, RecursionError) as error:
        reason = str(error).splitlines()[0] if isinstance(error, ValueError) else "nested too deeply"
        raise Refused(f"The request is not JSON: {reason}", status=400) from error


def parse(model: type[Model], data: Any) -> Model:
    """Return ``data`` as ``model``; raises Refused naming the first field at fault."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        path = ".".join(str(part) for part in first["loc"])
        raise Refused(fault_line(path, first["msg"]), path=path) from error

"""What a recording's lines may say, checked before anything is played: it may come from anybody."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

__all__ = ["checked_line", "picture_in"]

Number = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[str, Field(max_length=80)]


class _Form(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True)


class _Place(_Form):
    station: Name
    head_mm: tuple[Number, Number]


class _Mark(_Place):
    kind: Literal["mark"]
    offset_mm: tuple[Number, Number]


class _NoMark(_Place):
    kind: Literal["no-mark"]


class _Turn(_Form):
    kind: Literal["turn"]
    mount: int
    screw: Name
    turns: Number


class _Shift(_Form):
    kind: Literal["shift"]
    part: Name
    move_mm: tuple[Number, Number, Number]


class _Inspected(_Form):
    kind: Literal["inspected"]
    cause: Name
    outcome: Name


class _Difference(_Place):
    kind: Literal["difference"]
    from_head_mm: tuple[Number, Number]
    offset_mm: tuple[Number, Number]


class _Event(_Form):
    kind: Literal["event"]
    event: Annotated[_Mark | _NoMark | _Turn | _Shift | _Inspected | _Difference, Field(discriminator="kind")]


class _Hang(_Form):
    kind: Literal["hang"]
    place: _Place


class _Begin(_Form):
    kind: Literal["begin"]
    machine: dict[str, Any]


class _Did(_Form):
    did: Annotated[_Begin | _Hang | _Event, Field(discriminator="kind")]


class _Picture(_Form):
    picture: Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,99}$")]
    time_s: Number
    number: Annotated[int, Field(ge=-(2**62), le=2**62)]


_PICTURE, _DID = TypeAdapter(_Picture), TypeAdapter(_Did)


def checked_line(text: str) -> dict[str, Any]:
    """Return the line's content; raises ValueError, one line, where it is no line of a recording.

    json.JSONDecodeError (a ValueError too) where it is not JSON at all: a torn one.
    """
    try:
        content = json.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(content, dict):
        raise ValueError("not an object with named fields")
    try:
        (_PICTURE if "picture" in content else _DID).validate_python(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{where}: {first['msg']}") from None
    return content


def picture_in(folder: Path, name: str) -> Path:
    """Return the path of that picture; raises ValueError where a link leads out of the folder."""
    path = folder / name
    if path.is_symlink() and path.resolve().parent != folder.resolve():
        raise ValueError(f"{path}: leads out of the recording")
    return path

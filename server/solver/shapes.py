"""Types that profiles and events share: frozen dataclasses whose annotations hold the limits.

A document is checked against them once, when ``documents`` reads it; what the solver makes is not checked.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, ClassVar

from pydantic import ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema


class Shape:
    """Base of the shapes: known keys only, finite numbers.

    Each field's type is strict by itself. Strict dataclasses would accept only instances, not JSON objects.
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)


class Fault(ValueError):
    """A fault found by a check over several fields; ``at`` is the path below the shape."""

    def __init__(self, at: str, message: str) -> None:
        super().__init__(message)
        self.at = at


class ReadAs:
    """Annotation for a type with another form in documents: ``make`` converts a ``written`` to the type."""

    def __init__(self, written: Any, make: Callable[[Any], Any]) -> None:
        self._written, self._make = written, make

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Called by pydantic, once for each annotation."""
        written = handler.generate_schema(self._written)
        return core_schema.no_info_after_validator_function(self._make, written)


TWO = Field(min_length=2, max_length=2)
THREE = Field(min_length=3, max_length=3)
Length = Annotated[float, Field(strict=True, gt=0, le=20_000)]
Distance = Annotated[float, Field(strict=True, ge=0, le=20_000)]
Number = Annotated[float, Field(strict=True, ge=-20_000, le=20_000)]
Pair = Annotated[tuple[float, float], ReadAs(Annotated[list[Number], TWO], tuple)]
LengthPair = Annotated[tuple[float, float], ReadAs(Annotated[list[Length], TWO], tuple)]
Triple = Annotated[tuple[float, float, float], ReadAs(Annotated[list[Number], THREE], tuple)]
MirrorNumber = Annotated[int, Field(strict=True, ge=1, le=3)]

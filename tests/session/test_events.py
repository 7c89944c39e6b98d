"""An entry of the log, whatever its reading holds."""

from __future__ import annotations

from typing import Any

import pytest

from server.session.events import Entry

EVENT = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": [0, 0],
    "offset_mm": [1.0, 2.0],
    "sigma_mm": [0.1, 0.1],
}
ROUND, DOUBLE = ({"offset_mm": at, "shape": shape} for at, shape in (([1, 2], "round"), ([4, 2], "double")))


@pytest.mark.parametrize(
    ("reading", "shape"),
    [
        (None, None),
        ({"marks": [DOUBLE, ROUND]}, "round"),
        (ROUND, "round"),
        ({"marks": [DOUBLE]}, None),
        ({"marks": "abc"}, None),
        ({"marks": [1]}, None),
        ({"marks": {"a": 1}}, None),
        ({"marks": [{"offset_mm": [1, 2, 3]}]}, None),
        ({"marks": [{"offset_mm": ["a", "b"]}]}, None),
        ({"offset_mm": "ab"}, None),
        ({"offset_mm": [1, 2], "shape": ["x"]}, None),
    ],
)
def test_the_shape_of_the_mark_that_was_taken(reading: dict[str, Any] | None, shape: str | None) -> None:
    row = {"id": 1, "uuid": "", "when": "", "withdrawn": False, "has_picture": False}
    assert Entry.of(row | {"event": EVENT, "reading": reading}).shape == shape

"""An entry of the log, whatever its reading holds."""

from __future__ import annotations

from typing import Any

import pytest

from server.session.events import (
    Difference,
    Entry,
    Event,
    Inspected,
    MarkSeen,
    NoMark,
    Shift,
    Turn,
    Undo,
    Unread,
    event_json,
    event_of,
    kind_of,
    without_undo,
)

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


AT: dict[str, Any] = {"station": "nozzle", "head_mm": [1.0, 2.0]}
READ: dict[str, Any] = {"offset_mm": [0.5, -0.5], "sigma_mm": [0.1, 0.2]}
WRITTEN: list[tuple[Event, dict[str, Any]]] = [
    (MarkSeen("nozzle", (1.0, 2.0), (0.5, -0.5), (0.1, 0.2)), {"kind": "mark"} | AT | READ),
    (
        MarkSeen("nozzle", (1.0, 2.0), (0.5, -0.5), (0.1, 0.2), 3, 145.0),
        {"kind": "mark"} | AT | READ | {"hanging": 3, "below_mm": 145.0},
    ),
    (NoMark("nozzle", (1.0, 2.0)), {"kind": "no-mark"} | AT),
    (NoMark("nozzle", (1.0, 2.0), 0), {"kind": "no-mark"} | AT | {"hanging": 0}),
    (Turn(2, "top", -0.25), {"kind": "turn", "mount": 2, "screw": "top", "turns": -0.25}),
    (Shift("tube", (0.0, 1.0, -2.0)), {"kind": "shift", "part": "tube", "move_mm": [0.0, 1.0, -2.0]}),
    (Inspected("gantry", "fixed"), {"kind": "inspected", "cause": "gantry", "outcome": "fixed"}),
    (
        Difference("nozzle", (0.0, 0.0), (1.0, 2.0), (0.5, -0.5), (0.1, 0.2)),
        {"kind": "difference", "from_head_mm": [0.0, 0.0]} | AT | READ,
    ),
    (Undo("some-uuid"), {"kind": "undo", "event": "some-uuid"}),
]


@pytest.mark.parametrize(("event", "written"), WRITTEN)
def test_an_event_is_written_without_what_is_usual_and_read_back_whole(
    event: Event, written: dict[str, Any]
) -> None:
    assert event_json(event) == written
    assert event_of(written) == event
    assert kind_of(event) == written["kind"]


def test_one_sigma_counts_for_both_axes() -> None:
    for sigma in (0.1, 1):
        event = event_of({"kind": "mark"} | AT | READ | {"sigma_mm": sigma})
        assert isinstance(event, MarkSeen) and event.sigma_mm == (sigma, sigma)


@pytest.mark.parametrize(
    "written", [{"kind": "of later"}, {"kind": "turn", "mount": 1}, {"kind": "mark"} | AT, {}]
)
def test_what_is_incomplete_or_of_a_later_version_is_known_by_its_kind(written: dict[str, Any]) -> None:
    event = event_of(written)
    assert event == Unread(str(written.get("kind"))) and kind_of(event) == str(written.get("kind"))


def test_only_what_was_noted_of_an_undo_is_left_out_of_the_document() -> None:
    document = {"machine": {"name": "x"}, "events": [written for _, written in WRITTEN]}
    left = without_undo(document)
    assert left == document | {"events": [each for each in document["events"] if each["kind"] != "undo"]}
    assert len(left["events"]) == len(WRITTEN) - 1


@pytest.mark.parametrize(("apart_mm", "shape"), [(0.009, "round"), (-0.009, "round"), (0.011, None)])
def test_a_mark_is_found_in_its_reading_to_the_hundredth(apart_mm: float, shape: str | None) -> None:
    row = {"id": 1, "uuid": "", "when": "", "withdrawn": False, "has_picture": False, "event": EVENT}
    kept = {"offset_mm": [1.0 + apart_mm, 2.0], "shape": "round"}
    assert Entry.of(row | {"reading": kept}).shape == shape
    assert Entry.of(row | {"event": {**EVENT, "kind": "no-mark"}, "reading": kept}).shape is None

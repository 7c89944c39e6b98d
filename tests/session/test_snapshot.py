"""What follows from what is known of an alignment: which card, which place, what is due."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from firmware.health import Finding
from server.session.check import Check
from server.session.events import Entry, Event, MarkSeen, NoMark, Turn
from server.session.services import card_in_picture
from server.session.snapshot import (
    CardInPicture,
    Hardware,
    LiveMark,
    RigSight,
    SeenMark,
    Snapshot,
    expect_of,
    marked_place,
)
from server.solver import Step
from server.sources.base import Place
from tests.pages.doubles import EXPECT, STEPS, VIEW
from tests.pages.test_view import snapshot

HERE, THERE = Place("mirror-2", (0.0, 0.0)), Place("mirror-2", (0.0, 900.0))
MARK = Step("mark", station="mirror-2", head_mm=(0.0, 0.0))


def known(step: Step = MARK, **more: Any) -> Snapshot:
    return replace(snapshot(STEPS[0]), **({"step": step, "source": "camera"} | more))


def card(station: str) -> CardInPicture:
    return card_in_picture(station, VIEW, (72, 128))


def entry(number: int, event: Event, *, withdrawn: bool = False, shape: str | None = None) -> Entry:
    return Entry(number, "", "", event, withdrawn, False, shape=shape)


def marked(station: str) -> MarkSeen:
    return MarkSeen(station, (0.0, 0.0), (1.0, 0.0), (0.1, 0.1))


@pytest.mark.parametrize(
    ("step", "place"),
    [
        (MARK, HERE),
        (Step("mark", station="mirror-2"), None),
        (Step("mark", head_mm=(0.0, 0.0)), None),
        (replace(MARK, do="done"), None),
        (replace(MARK, do="turn"), None),
    ],
)
def test_only_a_mark_at_a_known_place_is_wanted_there(step: Step, place: Place | None) -> None:
    assert marked_place(step) == place
    assert known(step).wanted == place


def test_after_a_move_the_mark_that_it_expects_is_wanted() -> None:
    step, later = Step("turn", expect=expect_of(EXPECT)), expect_of({**EXPECT, "sigma_mm": 9.0})
    assert known(step, aimed=later).wanted == step.expect == known(step, aimed=later).expect
    assert known(MARK, aimed=later).expect == later
    assert known(MARK).expect is None


@pytest.mark.parametrize(
    ("seen", "said", "wanted", "wrong"),
    [
        ("mirror-2", "mirror-2", "mirror-2", None),
        ("mirror-2", "mirror-2", "mirror-3", None),  # still the one from before
        ("mirror-3", "mirror-2", "mirror-3", None),  # already the one for the step
        ("mirror-1", "mirror-2", "mirror-3", "mirror-1"),
        ("nozzle", "mirror-2", "mirror-3", "nozzle"),
        (None, "mirror-2", "mirror-2", None),
        ("mirror-3", None, "mirror-2", None),
    ],
)
def test_a_wrong_card_is_one_that_nobody_spoke_of(
    seen: str | None, said: str | None, wanted: str, wrong: str | None
) -> None:
    place = Place(said, (0.0, 0.0)) if said else None
    now = known(replace(MARK, station=wanted), place=place, card=card(seen) if seen else None)
    assert now.wrong_card == wrong
    assert replace(now, source="practice").wrong_card is None
    assert replace(now, source="offline").wrong_card is None
    if wrong:
        assert replace(now, step=Step("done")).wrong_card == wrong


@pytest.mark.parametrize(
    ("change", "ready"),
    [
        ({}, True),
        ({"used": True}, False),
        ({"place": THERE}, False),
        ({"place": replace(HERE, station="mirror-3")}, False),
        ({"place": None}, False),
        ({"step": Step("turn", expect=expect_of(EXPECT))}, False),
        ({"card": card("mirror-2")}, True),
        ({"card": card("mirror-1")}, False),
    ],
)
def test_a_pulse_is_due_at_the_right_card_and_place_on_fresh_tape(change: Any, ready: bool) -> None:
    now = replace(known(place=HERE), **change)
    assert now.card_is_ready is ready
    assert now.pulse_is_due is ready
    assert replace(now, cautions=False).pulse_is_due is False


@pytest.mark.parametrize(
    ("said", "hang", "there", "stays"),
    [
        ("mirror-2", None, True, True),
        ("mirror-2", "anew", True, False),
        ("mirror-1", None, False, False),
        ("mirror-3", "anew", False, False),
        (None, None, False, False),
    ],
)
def test_a_card_stays_that_hangs_there_unless_it_is_to_be_hung_anew(
    said: str | None, hang: str | None, there: bool, stays: bool
) -> None:
    now = known(replace(MARK, hang=hang), place=Place(said, (0.0, 900.0)) if said else None)
    assert (now.hangs_there, now.card_stays) == (there, stays)


def test_what_was_withdrawn_counts_nowhere() -> None:
    events = (
        entry(1, marked("mirror-1"), shape="round"),
        entry(2, marked("mirror-2"), shape="double"),
        entry(3, marked("mirror-3"), shape="cut-off", withdrawn=True),
        entry(4, NoMark("mirror-3", (0.0, 0.0))),
    )
    now = known(events=events)
    assert now.counted == tuple(events[n].event for n in (0, 1, 3))
    assert now.newest_mark == (2, events[1].event)
    assert now.shapes == {"mirror-1": "round", "mirror-2": "double"}
    assert known().newest_mark is None


def test_one_mark_that_is_not_round_decides_for_its_station() -> None:
    shapes = (None, "round", "double", "round", "cut-off")
    events = [entry(n, marked("mirror-1"), shape=shape) for n, shape in enumerate(shapes)]
    assert known(events=tuple(events[:2])).shapes == {"mirror-1": "round"}
    assert known(events=tuple(events)).shapes == {"mirror-1": "double"}
    later = entry(9, marked("nozzle"), shape="round")
    assert known(events=(*events[:1], later)).shapes == {"nozzle": "round"}


@pytest.mark.parametrize(
    ("events", "checking", "checked"),
    [
        ([], True, False),
        ([marked("mirror-2")], True, False),
        ([marked("mirror-2"), NoMark("mirror-2", (0.0, 900.0))], True, True),
        ([NoMark("mirror-2", (0.0, 900.0)), marked("mirror-1")], True, False),
        ([marked("mirror-2"), NoMark("mirror-2", (0.0, 900.0)), Turn(1, "top", 0.5)], False, False),
    ],
)
def test_a_check_has_all_its_marks_or_is_over(events: list[Event], checking: bool, checked: bool) -> None:
    check = Check("weak-far", (HERE, THERE))
    now = known(check=check, events=tuple(entry(n, event) for n, event in enumerate(events)))
    assert (now.checking, now.checked) == (checking, checked)
    assert not replace(now, check=None).checking and not replace(now, check=None).checked
    assert Check.from_json(json.loads(json.dumps(check.as_json()))) == check


def test_all_that_a_page_gets_of_the_hardware_is_plain() -> None:
    live = LiveMark("mirror-1", (1.0, 2.0), (0.1, 0.2), 3.0, 4.0)
    rig = RigSight("far", "mirror-1", (1.0, 2.0), "dark", False, True, 5, True)
    hardware = Hardware((Finding("hot", "too hot", True),), True, live, None, (rig, RigSight("new")))
    shown = json.loads(json.dumps(hardware.as_json()))
    assert shown["faults"] == [{"code": "hot", "line": "too hot", "urgent": True}]
    assert shown["lid_closed"] is True
    assert shown["live"] == {
        "station": "mirror-1",
        "offset_mm": [1.0, 2.0],
        "sigma_mm": [0.1, 0.2],
        "taken_s": 3.0,
        "taken_ms": 4.0,
    }
    assert list(shown["rigs"][0].values()) == ["far", "mirror-1", [1.0, 2.0], "dark", False, True, 5, True]
    assert list(shown["rigs"][1].values()) == ["new", None, None, "", None, False, 0, False]
    assert Hardware().as_json() == {"faults": [], "lid_closed": None, "live": None, "rigs": []}


def test_a_card_in_the_picture_is_told_by_columns_and_rows() -> None:
    assert card("nozzle").as_json() == {
        "station": "nozzle",
        "homography": [[9.0, 0.0, 0.0], [0.0, -9.0, 0.0], [0.0, 0.0, 1.0]],
        "size_px": [128, 72],
        "markers_seen": 4,
    }


def test_a_seen_mark_comes_back_as_it_was_and_what_is_of_later_is_left_out() -> None:
    seen = SeenMark("nozzle", (1.0, 2.0), (0.1, 0.2), (0.3, 0.4), (5.0, 6.0), "round", ("blurred",))
    assert SeenMark.from_json(json.loads(json.dumps(seen.as_json())) | {"later": 1}) == seen
    assert expect_of(None) is None
    assert expect_of(EXPECT) == expect_of(json.loads(json.dumps(EXPECT)))

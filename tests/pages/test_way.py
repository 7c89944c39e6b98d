"""The way of a mark while a screw turns, on a straight way of 10 mm that can be judged by eye."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from server.pages.way import Followed, follow, live_view, way
from server.session.events import Entry
from server.session.snapshot import Hardware, LiveMark, Snapshot
from tests.pages.doubles import BACK_LEFT, FRONT_LEFT
from tests.pages.test_view import row as entry
from tests.pages.test_view import seen as mark_seen
from tests.pages.test_view import snapshot as made

Json = dict[str, Any]
FOLLOWED = Followed("mirror-2", aim=(10.0, 0.0), start=(0.0, 0.0), old=None, turns=0.5)


def seen(u_mm: float, v_mm: float, station: str = "mirror-2") -> LiveMark:
    return LiveMark(station, (u_mm, v_mm), (0.05, 0.05), 0.0, 0.0)


def judged(u_mm: float, v_mm: float, **changes: Any) -> Json:
    found = way(replace(FOLLOWED, **changes), seen(u_mm, v_mm))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("at_mm", "kind", "left"),
    [
        ((0.2, 0.0), "go", 0.98),
        ((2.5, 0.3), "go", 0.75),
        ((-0.3, 0.0), "go", 1.0),  # play, or a hand that trembles
        ((9.6, 0.0), "go", 0.04),
        ((9.8, 0.0), "stop", 0.02),
        ((11.0, 0.0), "stop", 0.0),
        ((12.0, 0.0), "far", 0.0),
        ((-0.6, 0.0), "back", 1.0),
        ((0.2, 1.0), "aside", 0.98),
        ((5.0, -3.0), "aside", 0.5),
        ((5.0, 1.5), "go", 0.5),  # a lever 15 % off leans the way by so much
    ],
)
def test_each_way_is_told_at_once(at_mm: tuple[float, float], kind: str, left: float) -> None:
    found = judged(*at_mm)
    assert (found["kind"], found["left"]) == (kind, pytest.approx(left))
    assert bool(found["words"]) == (kind != "go")


@pytest.mark.parametrize(
    ("at_mm", "stands"),
    [
        ((9.4, 0.0), []),
        ((9.6, 0.0), ["stop"]),
        ((9.8, 1.0), ["stop"]),
        ((11.2, 0.0), ["stop"]),
        ((11.4, 0.0), ["stop", "far"]),
        ((11.6, 0.0), ["far"]),
        ((-0.1, 0.3), []),
        ((-0.3, 0.0), ["back"]),
        ((0.2, 0.5), ["aside"]),
        ((0.2, 0.3), []),
    ],
)
def test_what_was_said_stands_while_the_mark_trembles(at_mm: tuple[float, float], stands: list[str]) -> None:
    assert judged(*at_mm)["stands"] == stands


@pytest.mark.parametrize(("gap_mm", "stands"), [(0.2, ["stop"]), (0.45, ["stop"]), (0.55, [])])
def test_a_stop_without_a_start_stands_too(gap_mm: float, stands: list[str]) -> None:
    assert judged(gap_mm, 0.0, start=None, aim=(0.0, 0.0))["stands"] == stands


@given(st.floats(-5, 15), st.floats(-5, 5))
def test_whatever_is_said_stands_where_it_is_said(u: float, v: float) -> None:
    found = way(FOLLOWED, seen(u, v))
    assert found is None or found["kind"] == "go" or found["kind"] in found["stands"]


def test_the_rest_is_told_in_parts_of_a_turn_and_in_millimetres() -> None:
    rest, gap = judged(5.0, 0.0)["big"]
    assert (rest["value"], rest["unit"], gap["value"], gap["unit"]) == ("1/4", "turn", "5.0", "mm")
    assert "clockwise" in rest["label"]


def test_without_a_start_the_whole_turn_and_the_distance_are_told() -> None:
    found = judged(-4.0, 3.0, start=None, aim=(0.0, 0.0))
    assert (found["kind"], found["left"]) == ("go", None)
    assert [(figure["value"], figure["label"]) for figure in found["big"]] == [
        ("1/2", "clockwise ↻"),
        ("5.0", "the mark has to go"),
    ]
    assert judged(0.1, 0.1, start=None, aim=(0.0, 0.0))["kind"] == "stop"


coordinates = st.floats(-20, 20)


@given(coordinates, coordinates, coordinates, coordinates, st.floats(0, 2 * math.pi))
def test_turning_the_card_turns_nothing_that_is_told(
    a: float, b: float, u: float, v: float, by: float
) -> None:
    def turned(x: float, y: float) -> tuple[float, float]:
        return (x * math.cos(by) - y * math.sin(by), x * math.sin(by) + y * math.cos(by))

    assume(math.hypot(u, v) > 0.3)
    plain = way(replace(FOLLOWED, aim=(a, b)), seen(u, v))
    whole = way(replace(FOLLOWED, aim=turned(a, b)), seen(*turned(u, v)))
    assert plain is not None and whole is not None
    assert plain["gap_mm"] == pytest.approx(whole["gap_mm"], abs=1e-9)
    assert plain["left"] == pytest.approx(whole["left"], abs=1e-6)


def test_a_mark_that_has_not_moved_has_no_way_yet() -> None:
    assert way(FOLLOWED, seen(0.1, -0.1)) is None
    assert way(replace(FOLLOWED, start=(9.9, 0.0)), seen(9.9, 0.0)) is not None  # it is there already


@pytest.mark.parametrize("aim", [(10.0, 0.0), (3.1, 1.0)])
def test_a_mark_on_the_tape_from_before_the_last_turn_is_not_where_the_beam_is(
    aim: tuple[float, float],
) -> None:
    followed = replace(FOLLOWED, start=None, old=(3.0, 1.0), aim=aim)
    assert way(followed, seen(3.05, 0.95)) is None  # not even where it happens to lie at the aim
    moved = way(followed, seen(3.0, 1.3))
    assert moved is not None and moved["gap_mm"] == pytest.approx(math.dist(aim, (3.0, 1.3)))


@given(st.floats(0.8, 20), st.floats(0.3, 1))
def test_a_straight_way_empties_the_bar_evenly(length_mm: float, share: float) -> None:
    found = judged(length_mm * share, 0.0, aim=(length_mm, 0.0))
    assert found["left"] == pytest.approx(1 - share, abs=1e-6)
    assert found["kind"] in ("go", "stop")


AIM = {"station": "mirror-2", "head_mm": FRONT_LEFT, "offset_mm": [0.4, 0.1], "sigma_mm": 0.3}
TURN = {"do": "turn", "mount": 1, "screw": "top", "turns": -0.1875, "say": "", "expect": AIM}


def snapshot(**changes: Any) -> Snapshot:
    place = {"station": "mirror-2", "head_mm": FRONT_LEFT}
    whole: Json = {
        "step": TURN,
        "source": "camera",
        "film": True,
        "events": [row(2.0, 1.0)],
        "place": place,
    } | changes
    return made(whole.pop("step"), **whole)


def row(u_mm: float, v_mm: float) -> Entry:
    return entry(mark_seen("mirror-2", u_mm, v_mm, FRONT_LEFT))


def test_a_turn_is_followed_from_the_last_mark_to_the_aim() -> None:
    followed = follow(snapshot())
    assert followed == Followed("mirror-2", aim=(0.4, 0.1), start=(2.0, 1.0), old=None, turns=-0.1875)
    assert Followed.from_json(followed.as_json()) == followed


@pytest.mark.parametrize(
    "changes",
    [
        {"source": "offline"},
        {"film": False},  # a burnt mark does not move
        {"place": None},
        {"place": {"station": "mirror-2", "head_mm": BACK_LEFT}},
        {"place": {"station": "mirror-1", "head_mm": FRONT_LEFT}},
        {"step": {"do": "mark", "station": "mirror-2", "head_mm": FRONT_LEFT, "say": ""}},
        {"step": {**TURN, "expect": None}},
    ],
)
def test_nothing_is_followed_where_the_card_does_not_show_it(changes: Json) -> None:
    assert follow(snapshot(**changes)) is None


@pytest.mark.parametrize(
    ("after", "start", "old"),
    [
        ({"kind": "turn", "mount": 1, "screw": "side", "turns": 0.1}, None, (2.0, 1.0)),
        ({"kind": "shift", "part": "tube", "move_mm": [0, 0, 1]}, None, (2.0, 1.0)),
        ({"kind": "inspected", "cause": "rail-bow", "outcome": "nothing-found"}, (2.0, 1.0), None),
    ],
)
def test_a_mark_from_before_another_move_is_no_start(after: Json, start: object, old: object) -> None:
    followed = follow(snapshot(events=[row(2.0, 1.0), entry(after)]))
    assert followed is not None and (followed.start, followed.old) == (start, old)
    withdrawn = follow(snapshot(events=[row(2.0, 1.0), entry(after, withdrawn=True)]))
    assert withdrawn is not None and withdrawn.start == (2.0, 1.0)


def test_where_film_showed_the_beam_is_the_start_when_something_moved_since_the_mark() -> None:
    turned = {"kind": "turn", "mount": 1, "screw": "side", "turns": 0.1}
    rig = Hardware(from_mm=(1.5, 0.5))
    followed = follow(snapshot(events=[row(2.0, 1.0), entry(turned)], rig=rig))
    assert followed is not None and (followed.start, followed.old) == ((1.5, 0.5), (2.0, 1.0))
    still = follow(snapshot(events=[row(2.0, 1.0)], rig=rig))
    assert still is not None and still.start == (2.0, 1.0)


def test_a_live_mark_elsewhere_is_shown_and_not_judged_and_inches_are_inches() -> None:
    state = {"follow": FOLLOWED.as_json(), "units": "inch"}
    assert live_view(state, None) is None
    elsewhere = seen(0, 0, "mirror-3")
    assert live_view(state, elsewhere) == elsewhere.as_json() | {"way": None}
    view = live_view(state, seen(7.46, 0.0))
    assert view is not None
    assert (view["way"]["big"][1]["value"], view["way"]["big"][1]["unit"]) == ("0.098", "in")
    assert view["offset_mm"] == [7.46, 0.0]

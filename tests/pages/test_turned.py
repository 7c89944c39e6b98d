"""How far a screw really went: kept beside what was asked, where the mark that moved tells it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from server.pages.turned import really_turned, went_wrong_way
from server.session.snapshot import Hardware, LiveMark, Snapshot
from tests.pages.doubles import EXPECT, FRONT_LEFT, STEPS, Bench, Script, mark, reading
from tests.pages.test_view import row, seen, snapshot

Json = dict[str, Any]
START, AIM = (2.4, 0.1), tuple(EXPECT["offset_mm"])  # 2 mm to the left: a turn of −3/16
AT_2: Json = {"station": "mirror-2", "head_mm": FRONT_LEFT}


def live(u_mm: float, v_mm: float = 0.1, station: str = "mirror-2") -> LiveMark:
    return LiveMark(station, (u_mm, v_mm), (0.05, 0.05), 1.0, 1.0)


def at(mark_now: LiveMark | None) -> Snapshot:
    before = row(seen("mirror-2", *START, FRONT_LEFT))
    return replace(snapshot(STEPS[2], place=AT_2, events=[before]), rig=Hardware(live=mark_now))


@pytest.mark.parametrize(
    ("u_mm", "turns"),
    [
        (1.4, -6 / 64),  # half of the way
        (3.4, 6 / 64),  # as far the wrong way
        (-1.6, -24 / 64),  # twice as far
        (0.4, None),  # as asked
        (0.8, None),  # four fifths: a hand and a lever err by as much
        (2.3, None),  # a burnt mark does not move
    ],
)
def test_the_share_of_the_way_is_the_share_of_the_turn(u_mm: float, turns: float | None) -> None:
    assert really_turned(at(live(u_mm))) == turns


def test_where_the_mark_went_across_or_is_not_seen_nothing_is_told() -> None:
    for now in (live(2.2, 1.5), live(1.4, station="mirror-3"), None):
        assert really_turned(at(now)) is None


def test_the_wrong_way_is_told_from_the_right_one() -> None:
    assert went_wrong_way(at(live(3.4)))
    assert not went_wrong_way(at(live(1.4)))
    assert not went_wrong_way(at(None))


@pytest.fixture
def turning(do: Any, script: Script, app: Flask, bench: Bench) -> Any:
    """A camera's session whose turn is watched; returns a function that shows the mark there."""
    bench.kind = "camera"
    session = app.extensions["spotwright"].session("bench")
    script.card = "mirror-1"
    do("acknowledge")
    do("hang", {"station": "mirror-1", "head_mm": [0, 1000]})
    do("pulse")
    script.card, script.readings = "mirror-2", [reading("mirror-2", mark(*START))]
    do("hang", AT_2)
    do("pulse")
    do("film", {"on": True})
    return lambda u_mm: session.rig.set_live(live(u_mm))


def turns(client: FlaskClient, app: Flask) -> list[float]:
    document = app.extensions["spotwright"].session("bench").document()
    return [event["turns"] for event in document["events"] if event["kind"] == "turn"]


def test_what_the_mark_shows_is_kept_beside_what_was_asked(
    turning: Any, do: Any, client: FlaskClient, app: Flask
) -> None:
    turning(1.4)
    due = client.get("/api/state").get_json()["primary"]
    state = do(due["action"], due["body"]).get_json()
    assert turns(client, app) == [-6 / 64]
    assert state["said"] == "Saved as the mark shows it: 3/32 turn anticlockwise"
    assert state["readings"][0]["words"].endswith("3/32 turn anticlockwise (asked: 3/16 turn anticlockwise)")
    assert "(asked: 3/16 turn" in client.get("/log/1").text


def test_tape_is_not_watched_on_a_real_laser_for_a_burnt_mark_does_not_move(
    turning: Any, do: Any, client: FlaskClient, app: Flask
) -> None:
    state = do("film", {"on": False}).get_json()
    turning(3.4)
    assert (state["follow"], state["way"], state["others"]) == (None, None, [])
    assert "A burnt mark does not move" in state["say"][1]
    do("turn", state["primary"]["body"])
    assert turns(client, app) == [-12 / 64]


def test_film_is_of_no_use_to_the_practice_laser(do: Any) -> None:
    assert do("film", {"on": True}).status_code == 409


def test_where_it_shows_nothing_it_is_as_asked(
    turning: Any, do: Any, client: FlaskClient, app: Flask
) -> None:
    due = client.get("/api/state").get_json()["primary"]
    do(due["action"], due["body"])
    assert turns(client, app) == [-12 / 64]


def test_a_pulse_after_a_turn_the_wrong_way_keeps_that_turn_before_its_mark(
    turning: Any, do: Any, client: FlaskClient, app: Flask, script: Script
) -> None:
    turning(3.4)
    state = client.get("/api/state").get_json()
    assert state["again"]["action"] == "pulse"
    script.readings = [reading("mirror-2", mark(3.4, 0.1))]
    do("pulse")
    assert turns(client, app) == [6 / 64]
    kinds = [e["kind"] for e in app.extensions["spotwright"].session("bench").document()["events"]]
    assert kinds[-2:] == ["turn", "mark"]


def test_a_pulse_after_a_turn_the_right_way_keeps_no_turn_that_nobody_told_of(
    turning: Any, do: Any, client: FlaskClient, app: Flask
) -> None:
    turning(1.4)
    do("pulse")
    assert turns(client, app) == []

"""What is wrong today: few pulses, a verdict, nothing turned, and what has drifted since."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from server.log import Log
from server.pages.check_outcome import as_act, check_outcome
from server.pages.symptoms import SYMPTOMS, places_of
from server.session.check import Check
from server.session.events import Event, MarkSeen, NoMark
from server.session.session import Refused, Session
from server.solver import parse_alignment, parse_profile
from server.sources.base import Place
from tests.pages.doubles import MACHINE, VERDICT, Bench, Script, mark, names, reading

Json = dict[str, Any]
PROFILE = parse_profile(MACHINE)
NEAR, FAR = (0.0, 1000.0), (1600.0, 0.0)


def begin(client: FlaskClient, what: str = "weak-far", of: str = "bench") -> Any:
    return client.post(f"/api/do/{of}/check", json={"what": what} | names(client, of))


def fire(do: Any, script: Script, u_mm: float, shape: str = "round") -> Json:
    """Hang the card where it is asked for and fire at it; returns the state then."""
    wanted = do("acknowledge").get_json()["primary"]["body"]
    script.readings = [reading(wanted["station"], mark(u_mm, 0.0, shape=shape))]
    do("hang", wanted)
    return dict(do("pulse").get_json())


def marks(*offsets: tuple[str, tuple[float, float], float], sigma_mm: float = 0.05) -> list[Event]:
    return [MarkSeen(at, head, (u, 0.0), (sigma_mm, sigma_mm), None) for at, head, u in offsets]


def outcome(events: list[Event], name: str = "weak-far", then: Json | None = None) -> Any:
    check = Check(name, places_of(SYMPTOMS[name], PROFILE), then)
    return check_outcome(check, events, PROFILE)


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
@pytest.mark.parametrize("name", SYMPTOMS)
def test_each_way_in_asks_for_two_or_three_pulses_that_the_solver_takes(name: str, corner: str) -> None:
    machine = MACHINE | {"path": MACHINE["path"] | {"corner": corner}}
    places = places_of(SYMPTOMS[name], parse_profile(machine))
    assert 2 <= len(places) <= 3
    assert len(set(places)) == len(places)
    events = [{"kind": "mark", "offset_mm": [0, 0], "sigma_mm": 0.1} | place.as_json() for place in places]
    parse_alignment({"machine": machine, "events": events})
    near = (0.0 if corner == "back-left" else 1600.0, 1000.0)
    assert places[0].head_mm == near or name == "burns-beside"


def test_a_check_asks_for_its_marks_in_their_order_and_turns_nothing(
    client: FlaskClient, do: Any, script: Script, bench: Bench
) -> None:
    state = begin(client).get_json()
    assert not state["cautions_acknowledged"]
    state = fire(do, script, 0.0)
    assert state["say"][1].startswith("Check, pulse 2 of 2.")
    assert state["primary"]["body"] == {"station": "mirror-3", "head_mm": list(FAR)}
    state = fire(do, script, 0.3)
    assert (state["act"]["kind"], state["act"]["what"], state["do"]) == ("done", "Good", "check")
    assert state["say"][0].startswith("The mirrors are right: turn nothing. Other causes: smoke")
    assert state["primary"]["link"] == "/checks"
    assert {kind for kind, _ in bench.asked} <= {"hang", "pulse", "taken", "light"}


def test_what_is_off_leads_into_an_alignment_that_has_its_marks(
    client: FlaskClient, do: Any, script: Script
) -> None:
    begin(client)
    fire(do, script, 0.0)
    state = fire(do, script, 2.4)
    assert (state["act"]["what"], state["act"]["amount"][0]["value"]) == ("Off", "2.4")
    assert state["primary"]["action"] == "go-on"
    state = do("go-on").get_json()
    assert state["do"] == "turn"  # what the script's solver asks for after two marks
    assert len(state["readings"]) == 2
    assert do("go-on").status_code == 409


def test_a_check_can_be_left(client: FlaskClient, do: Any, script: Script) -> None:
    begin(client)
    state = do("acknowledge").get_json()
    assert [button["action"] for button in state["others"]] == ["go-on"]
    state = do("go-on").get_json()
    assert state["primary"]["body"]["station"] == "mirror-1"  # as the solver begins


def test_the_alignment_before_stays_in_the_log_and_the_check_says_what_it_was(
    client: FlaskClient, do: Any, script: Script, tmp_path: Path
) -> None:
    fire(do, script, 1.0)
    begin(client, "monthly")
    rows = Log(tmp_path, access="read-only").alignments()
    assert [row["events"] for row in rows] == [1, 0]
    assert rows[1]["note"] == "Check: Nothing: the monthly check."


def test_a_check_goes_on_where_it_was_after_a_restart_of_the_program(tmp_path: Path) -> None:
    script = Script([reading("mirror-3")])
    with Log(tmp_path) as log:
        session = Session(log, Bench(), machine=MACHINE, services=script.services())
        session.check(Check("weak-far", (Place("mirror-3", NEAR), Place("mirror-3", FAR))), "a check")
        session.acknowledge()
        session.hang(Place("mirror-3", NEAR))
        session.pulse()
        again = Session(log, Bench(), machine=MACHINE, services=script.services()).snapshot()
        assert (again.step.station, again.step.head_mm) == ("mirror-3", FAR)
        assert again.check == session.snapshot().check


def test_a_mark_of_a_check_that_is_taken_back_is_asked_for_again(
    client: FlaskClient, do: Any, script: Script
) -> None:
    begin(client)
    fire(do, script, 0.0)
    fire(do, script, 2.4)
    state = do("undo").get_json()
    assert state["primary"]["body"] == {"station": "mirror-3", "head_mm": list(FAR)}


def test_a_turn_ends_a_check_for_its_marks_belong_together_no_more(
    client: FlaskClient, do: Any, script: Script
) -> None:
    begin(client)
    fire(do, script, 0.0)
    state = do("turn", {"mount": 1, "screw": "top", "turns": 0.25}).get_json()
    assert not any(button["action"] == "go-on" for button in state["others"])
    assert "Check" not in state["say"][1]


def test_it_begins_only_over_what_the_page_has_shown(client: FlaskClient, do: Any, app: Flask) -> None:
    late = names(client)
    do("acknowledge")
    answer = client.post("/api/do/bench/check", json={"what": "moved"} | late)
    assert answer.status_code == 409
    assert app.extensions["spotwright"].session("bench").snapshot().check is None


def test_what_is_no_symptom_is_refused(client: FlaskClient) -> None:
    answer = begin(client, "hiccups")
    assert (answer.status_code, answer.get_json()["error"]["path"]) == (422, "what")


@pytest.mark.parametrize(
    ("apart_mm", "sigma_mm", "kind"),
    [(0.9, 0.05, "good"), (1.1, 0.05, "near"), (1.2, 0.05, "off"), (1.9, 0.5, "near"), (2.6, 0.5, "off")],
)
def test_beyond_what_may_be_by_no_more_than_readings_err_is_at_the_limit(
    apart_mm: float, sigma_mm: float, kind: str
) -> None:
    events = marks(("mirror-3", NEAR, 0.0), ("mirror-3", FAR, apart_mm), sigma_mm=sigma_mm)
    assert outcome(events).kind == kind


def test_a_pulse_that_misses_its_card_says_that_the_mirrors_are_off() -> None:
    found = outcome([*marks(("mirror-3", NEAR, 0.0)), NoMark("mirror-3", FAR)])
    assert found.kind == "off"
    assert "misses mirror 3" in found.words
    assert as_act(found)["where"] == "No mark"


@pytest.mark.parametrize(
    ("shapes", "where", "at", "parts"),
    [
        (("double", "double"), "Double", "mirror 3", "the tube, mirror 1, mirror 2"),
        (("round", "double"), "Double", "the nozzle", "mirror 3, the lens"),
        (("round", "cut-off"), "Cut off", "the nozzle", "mirror 3, the lens"),
    ],
)
def test_a_mark_that_is_not_whole_is_told_with_the_parts_that_may_do_it(
    client: FlaskClient, do: Any, script: Script, shapes: tuple[str, str], where: str, at: str, parts: str
) -> None:
    begin(client, "burns-beside")
    fire(do, script, 0.0, shapes[0])
    state = fire(do, script, 0.1, shapes[1])
    assert (state["act"]["kind"], state["act"]["what"], state["act"]["where"]) == ("look", "Look", where)
    assert state["say"][0].startswith(f"The mirrors are right, the beam is not. The mark at {at} is ")
    assert state["say"][0].endswith(f"Look at {parts}.")
    assert state["primary"]["link"] == "/checks"


def test_marks_that_are_off_and_not_whole_are_aligned_first() -> None:
    events = marks(("mirror-3", NEAR, 0.0), ("mirror-3", FAR, 2.4))
    check = Check("weak-far", places_of(SYMPTOMS["weak-far"], PROFILE))
    found = check_outcome(check, events, PROFILE, {"mirror-3": "double"})
    assert found.kind == "off"
    assert found.rest.startswith("The mark at mirror 3 is double")


def test_each_number_stands_beside_what_may_be_and_what_it_was_then() -> None:
    then = {"when": "2026-05-04T09:00:00", "verdict": VERDICT}
    events = marks(("mirror-3", NEAR, 0.0), ("mirror-3", FAR, 0.8), ("nozzle", FAR, 0.3))
    rest = outcome(events, "monthly", then).rest
    assert "Overlap at mirror 3: 0.8 mm (1 mm allowed, 0.6 mm when last aligned)." in rest
    assert "Offset at the nozzle: 0.3 mm (0.4 mm allowed, 0.1 mm when last aligned)." in rest
    assert rest.endswith("Last aligned on 2026-05-04.")


def test_only_a_camera_session_with_a_finished_alignment_has_a_then(
    client: FlaskClient, app: Flask, tmp_path: Path
) -> None:
    shared = app.extensions["spotwright"]
    number = shared.log.start_alignment(machine=MACHINE, source="offline")
    shared.log.set_verdict(number, VERDICT, done=True)
    begin(client)
    assert shared.session("bench").snapshot().check.then is None  # the bench is the practice laser
    begin(client, of="offline")
    assert shared.session("offline").snapshot().check.then["verdict"]["nozzle_mm"] == VERDICT["nozzle_mm"]


def test_there_is_nothing_to_leave_where_no_check_is(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        session = Session(log, Bench(), machine=MACHINE, services=Script().services())
        with pytest.raises(Refused, match="no check"):
            session.go_on()


def test_a_check_is_of_the_laser_that_is_given_else_of_the_one_before(tmp_path: Path) -> None:
    session = Session(Log(tmp_path), Bench(kind="camera"), machine=MACHINE, services=Script().services())
    check = Check("weak-far", places_of(SYMPTOMS["weak-far"], PROFILE), None)
    other = MACHINE | {"name": "another"}
    for given, expected in ((None, MACHINE), (other, other), (None, other)):
        session.check(check, "Check", machine=given)
        assert session.machine()["name"] == expected["name"]

"""A press counts once, and only for the step that it answers."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from server.pages.presses import Presses
from server.session.session import Refused
from tests.pages.doubles import BACK_LEFT, Bench, Script, blank_card, names

HANG = {"station": "mirror-1", "head_mm": BACK_LEFT}


@pytest.fixture
def press(client: FlaskClient) -> Any:
    """Press as a page does that shows the step ``step``, by default the one that is due."""
    keys = iter(f"key-{number:08d}" for number in range(1000))

    def send(action: str, *, step: str | None = None, key: str | None = None, **body: Any) -> Any:
        due = client.get("/api/state").get_json()["step"]
        named = {"step": step or due, "key": key or next(keys)}
        return client.post(f"/api/do/bench/{action}", json=body | named)

    return send


def kinds(app: Flask) -> list[str]:
    shared = app.extensions["spotwright"]
    return [event["kind"] for event in shared.session("bench").document()["events"]]


def test_each_answer_names_the_next_step(press: Any) -> None:
    names = [press("acknowledge").get_json()["step"], press("hang", **HANG).get_json()["step"]]
    names += [press("hang", **HANG).get_json()["step"], press("pulse").get_json()["step"]]
    assert len(set(names)) == len(names)


def test_the_same_press_again_is_answered_as_it_was_and_does_nothing(
    press: Any, app: Flask, bench: Bench
) -> None:
    press("acknowledge")
    press("hang", **HANG)
    before = press("watch", on=False).get_json()["step"]
    first = press("pulse", step=before, key="the-same-press")
    again = press("pulse", step=before, key="the-same-press")
    assert (again.status_code, again.get_json()) == (first.status_code, first.get_json()) != (409, {})
    assert kinds(app) == ["mark"]
    assert bench.asked.count(("pulse", None)) == 1


def test_a_press_for_a_step_that_is_over_gets_the_one_that_is_due(press: Any, app: Flask) -> None:
    press("acknowledge")
    press("hang", **HANG)
    old = press("watch", on=False).get_json()["step"]
    due = press("pulse").get_json()
    late = press("pulse", step=old)
    assert late.status_code == 409
    assert late.get_json()["error"]["path"] == "step"
    assert late.get_json()["state"]["step"] == due["step"] != old
    assert kinds(app) == ["mark"]


def test_a_turn_that_two_devices_report_is_one_turn(press: Any, app: Flask, bench: Bench) -> None:
    press("acknowledge")
    for offset in (1.0, 2.0):
        shown = press("typed", **HANG, offset_mm=[offset, 0.0]).get_json()
    turn = {"mount": 1, "screw": "top", "turns": -0.1875}
    answers = [press("turn", step=shown["step"], **turn).status_code for _ in range(2)]
    assert answers == [200, 409]
    assert kinds(app).count("turn") == 1
    assert sum(what == "turn" for what, _ in bench.asked) == 1


def test_a_missed_pulse_is_another_step_so_that_a_late_press_does_not_fire_again(
    press: Any, script: Script, bench: Bench
) -> None:
    script.readings = [blank_card()]
    press("acknowledge")
    shown = press("hang", **HANG).get_json()["step"]
    assert press("pulse", step=shown).status_code == 422
    assert press("pulse", step=shown).status_code == 409
    assert bench.asked.count(("pulse", None)) == 1


def test_a_refusal_is_repeated_as_it_was(press: Any, script: Script) -> None:
    press("acknowledge")
    step = press("watch", on=False).get_json()["step"]
    refused = [press("pulse", step=step, key="one-key-for-both") for _ in range(2)]
    assert [answer.status_code for answer in refused] == [409, 409]
    assert refused[0].get_json() == refused[1].get_json()
    assert refused[0].get_json()["error"]["path"] == "station"


def test_a_key_is_of_one_press_alone(press: Any, app: Flask) -> None:
    press("acknowledge", key="eight-or-more")
    refused = press("typed", key="eight-or-more", **HANG, offset_mm=[1.0, 0.0])
    assert (refused.status_code, refused.get_json()["error"]["path"]) == (422, "key")
    assert kinds(app) == []


@pytest.mark.parametrize(
    "names", [{"key": "short"}, {"key": "x" * 65}, {"key": "ein Schlüssel"}, {"step": 3}]
)
def test_names_that_are_none_are_refused(client: FlaskClient, names: dict[str, Any]) -> None:
    step = client.get("/api/state").get_json()["step"]
    body = {"step": step, "key": "good-enough"} | names
    answer = client.post("/api/do/bench/acknowledge", json=body)
    assert (answer.status_code, answer.get_json()["error"]["path"]) == (422, next(iter(names)))


@pytest.mark.parametrize("lacks", ["step", "key"])
def test_a_press_that_names_no_step_or_has_no_key_is_refused(
    client: FlaskClient, app: Flask, lacks: str
) -> None:
    named = {name: value for name, value in names(client).items() if name != lacks}
    answer = client.post("/api/do/bench/acknowledge", json=named)
    assert (answer.status_code, answer.get_json()["error"]["path"]) == (422, lacks)
    assert not app.extensions["spotwright"].session("bench").snapshot().cautions


def test_the_step_keeps_its_name_while_nothing_else_is_asked(press: Any, app: Flask) -> None:
    press("acknowledge")
    before = press("watch", on=False).get_json()["step"]
    session = app.extensions["spotwright"].session("bench")
    session.say("the lid is open")
    session.announce()
    assert press("watch", on=False).get_json()["step"] == before


def test_of_two_equal_presses_at_once_one_waits_for_the_others_answer() -> None:
    presses, acts, inside, go_on = Presses(), [], threading.Event(), threading.Event()

    def act() -> tuple[dict[str, Any], int]:
        acts.append(1)
        inside.set()
        assert go_on.wait(60)
        return {"number": len(acts)}, 200

    answers: list[Any] = []
    both = [
        threading.Thread(target=lambda: answers.append(presses.once("key", "pulse", act))) for _ in range(2)
    ]
    both[0].start()
    assert inside.wait(60)
    both[1].start()
    go_on.set()
    for thread in both:
        thread.join(60)
    assert answers == [({"number": 1}, 200)] * 2


def test_a_fault_that_is_no_refusal_may_be_tried_again() -> None:
    presses = Presses()

    def fails() -> tuple[dict[str, Any], int]:
        raise OSError("the disk is full")

    with pytest.raises(OSError, match="disk"):
        presses.once("key", "pulse", fails)
    assert presses.once("key", "pulse", lambda: ({}, 200)) == ({}, 200)


def test_only_the_newest_presses_are_remembered() -> None:
    presses = Presses(most=2)
    for key in "abc":
        presses.once(key, "pulse", lambda: ({}, 200))
    assert presses.once("c", "pulse", lambda: ({}, 500)) == ({}, 200)
    assert presses.once("a", "pulse", lambda: ({}, 500)) == ({}, 500)


def test_a_refusal_of_the_first_is_raised_for_the_second_too() -> None:
    presses = Presses()

    def refuses() -> tuple[dict[str, Any], int]:
        raise Refused("no", path="here")

    for act in (refuses, lambda: ({}, 200)):
        with pytest.raises(Refused, match="no"):
            presses.once("key", "pulse", act)

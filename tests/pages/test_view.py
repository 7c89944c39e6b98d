"""What the page shows for each kind of step."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from server.pages.chain import chain_view
from server.pages.view import page_state
from server.session.events import Entry, event_of
from server.session.snapshot import CardInPicture, Snapshot, expect_of
from server.solver import parse_profile
from server.solver.steps import Parts
from server.sources.base import Place
from tests.pages.doubles import BACK_LEFT, EXPECT, FRONT_LEFT, MACHINE, STEPS, VERDICT, step_of

Json = dict[str, Any]
NOW = datetime(2024, 3, 9, 8, 0, tzinfo=UTC)
AT_2 = {"station": "mirror-2", "head_mm": FRONT_LEFT}


def snapshot(step: Json, **more: Any) -> Snapshot:
    """A snapshot of a practice session at that step, the cautions read; ``place`` and ``aimed`` as JSON."""
    place, aimed = more.pop("place", None), more.pop("aimed", None)
    given: Json = {"cautions": True, "source": "practice"} | more
    frozen: Json = {key: tuple(value) if isinstance(value, list) else value for key, value in given.items()}
    return Snapshot(
        version=1,
        run="x",
        alignment=1,
        step_name="1.0",
        machine=parse_profile(MACHINE),
        step=step_of(step),
        place=Place.from_json(place) if place else None,
        aimed=expect_of(aimed),
        **frozen,
    )


def row(event: Json, number: int = 1, *, withdrawn: bool = False, when: str = "") -> Entry:
    return Entry(number, "", when, event_of(event), withdrawn, False)


def seen(station: str, u: float = 0.0, v: float = 0.0, head: list[float] = BACK_LEFT) -> Json:
    return {"kind": "mark", "station": station, "head_mm": head, "offset_mm": [u, v], "sigma_mm": 0.1}


@pytest.mark.parametrize("source", ["practice", "camera"])
@pytest.mark.parametrize("step", STEPS)
def test_there_is_always_one_primary_button_and_one_sentence(step: Json, source: str) -> None:
    for acknowledged in (False, True):
        state = page_state(snapshot(step, source=source, cautions=acknowledged), NOW)
        assert state["say"][0].strip()
        assert state["primary"]["label"]


def test_the_sentence_alone_says_where_the_card_and_the_head_belong() -> None:
    step = {"do": "mark", "say": "…", **AT_2}
    first = page_state(snapshot(step), NOW)["say"][0]
    assert "mirror 2" in first and "front left" in first
    hung = page_state(snapshot(step, place={"station": "mirror-2", "head_mm": BACK_LEFT}), NOW)["say"][0]
    assert hung == "Move the head to the front left, and put fresh tape on the card."


@pytest.mark.parametrize(("hang", "shown"), [(None, ("Tape", "Mirror 2")), ("anew", ("Hang", "again"))])
def test_a_card_that_is_to_be_hung_again_is_not_only_given_fresh_tape(
    hang: str | None, shown: tuple[str, str]
) -> None:
    step = {"do": "mark", "say": "…", **AT_2} | ({"hang": hang} if hang else {})
    state = page_state(snapshot(step, place=AT_2, used=True), NOW)
    assert (state["act"]["what"], state["act"]["where"]) == shown
    again = "Take the card off and hang it again at mirror 2, fresh tape on it, head at the front left."
    assert (state["say"][0] == again) == (hang == "anew")
    assert state["primary"]["label"] == ("Hang it again" if hang else "Put fresh tape on")


def test_the_cautions_come_before_the_first_pulse_and_stand_beside_each() -> None:
    state = page_state(snapshot(STEPS[0], cautions=False), NOW)
    assert state["primary"]["action"] == "acknowledge"
    assert page_state(snapshot(STEPS[0]), NOW)["fires"]
    assert not page_state(snapshot(STEPS[2]), NOW)["fires"]
    assert page_state(snapshot(STEPS[3]), NOW)["near_tube"]


def test_first_the_card_hangs_with_fresh_tape_then_the_pulse() -> None:
    hang = page_state(snapshot(STEPS[1]), NOW)
    assert hang["primary"]["action"] == "hang"
    assert hang["primary"]["body"] == AT_2
    pulse = page_state(snapshot(STEPS[1], place=AT_2), NOW)
    assert pulse["primary"]["action"] == "pulse"
    again = page_state(snapshot(STEPS[1], place=AT_2, used=True), NOW)
    assert again["primary"]["action"] == "hang"
    assert "fresh tape" in again["say"][0].lower()


def test_only_practice_offers_to_fire() -> None:
    real = page_state(snapshot(STEPS[1], place=AT_2, source="camera"), NOW)
    assert real["primary"]["label"] == "That was my pulse"
    assert "Fire" in page_state(snapshot(STEPS[1], place=AT_2), NOW)["primary"]["label"]


@pytest.mark.parametrize("source", ["practice", "camera"])
def test_a_missing_mark_is_fired_again_and_a_blank_is_never_the_large_button(source: str) -> None:
    for misses, offered in ((1, ["pulse", "hang"]), (2, ["pulse", "hang", "no-mark"])):
        state = page_state(snapshot(STEPS[1], place=AT_2, source=source, misses=misses), NOW)
        assert [button["action"] for button in (state["primary"], *state["others"])] == offered
        assert state["missed"]


def test_the_card_of_another_station_is_said_and_no_pulse_is_offered() -> None:
    card = CardInPicture("mirror-3", ((9.0, 0.0, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 1.0)), (640, 480), 4)
    state = page_state(snapshot(STEPS[1], place=AT_2, source="camera", card=card, misses=2), NOW)
    assert state["say"][0] == "That is the card for mirror 3. Hang the card for mirror 2."
    assert (state["wrong_card"], state["now"], state["primary"]["action"]) == ("mirror-3", "hang", "hang")
    assert state["primary"]["label"] == "The card for mirror 2 hangs there now"
    assert state["others"] == []
    assert (state["act"]["kind"], state["act"]["amount"][0]["value"]) == ("wrong", "Mirror 2")


@pytest.mark.parametrize("in_view", ["mirror-1", "mirror-2"])
def test_neither_the_card_of_the_last_mark_nor_the_one_asked_for_is_a_wrong_card(in_view: str) -> None:
    card = CardInPicture(in_view, ((9.0, 0.0, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 1.0)), (640, 480), 4)
    last = {"station": "mirror-1", "head_mm": BACK_LEFT}
    state = page_state(snapshot(STEPS[1], place=last, source="camera", card=card, used=True), NOW)
    assert state["wrong_card"] is None
    assert state["say"][0].startswith("Hang the card at mirror 2, fresh tape on it")


@pytest.mark.parametrize("source", ["practice", "offline"])
def test_only_a_camera_sees_a_wrong_card(source: str) -> None:
    card = CardInPicture("mirror-3", ((9.0, 0.0, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 1.0)), (640, 480), 4)
    for kind, seen in ((source, None), ("camera", "mirror-3")):
        assert snapshot(STEPS[1], place=AT_2, source=kind, card=card).wrong_card == seen


def test_candidates_can_be_chosen_or_replaced_by_fresh_tape() -> None:
    state = page_state(snapshot(STEPS[1], place=AT_2, used=True, candidates=[(1.0, 2.0), (3.0, 4.0)]), NOW)
    assert state["primary"]["action"] == "hang"
    assert [button["body"] for button in state["others"]] == [{"index": 0}, {"index": 1}]


def test_the_number_of_a_turn_is_its_size_and_how_far_the_mark_has_to_go() -> None:
    rows = [row(seen("mirror-2", 3.4, 4.1, FRONT_LEFT))]
    big = page_state(snapshot(STEPS[2], events=rows), NOW)["big"]
    assert (big[0]["value"], big[0]["unit"]) == ("3/16", "turn")
    assert big[0]["label"].startswith("anticlockwise")
    assert big[1]["value"] == "5.0"  # 3-4-5: from (3.4, 4.1) to the aim (0.4, 0.1)


def test_the_turn_button_sends_exactly_what_was_asked() -> None:
    primary = page_state(snapshot(STEPS[2]), NOW)["primary"]
    assert primary["body"] == {"mount": 1, "screw": "top", "turns": -0.1875}
    mount = page_state(snapshot(STEPS[2]), NOW)["mount"]
    assert mount["screw"] == "top"
    assert {contact["name"] for contact in mount["contacts"]} == {"top", "side", "corner"}


def test_the_sentence_is_made_of_the_steps_parts_whatever_a_screw_is_called() -> None:
    step = replace(
        step_of(STEPS[2]),
        screw="top: in; 2",
        parts=Parts(
            "turn the 'top: in; 2' screw of mirror 1",
            how_much="3/16 turn",
            way="anticlockwise",
            then="the next mark at mirror 2 should land 0.4 mm right",
            noticed="The mark went another way.",
        ),
    )
    state = page_state(replace(snapshot(STEPS[2]), step=step), NOW)
    assert state["say"][0] == "Turn the 'top: in; 2' screw of mirror 1 by 3/16 turn anticlockwise."
    assert state["say"][1] == (
        "The mark went another way. The next mark at mirror 2 should land 0.4 mm right."
    )
    assert state["parts"]["way"] == "anticlockwise"


def test_a_shift_shows_each_axis() -> None:
    big = page_state(snapshot(STEPS[3]), NOW)["big"]
    assert [(line["value"], line["label"]) for line in big] == [("0.8", "to the front ⇩"), ("1.2", "up ↑")]


def test_an_inspection_has_three_answers() -> None:
    state = page_state(snapshot(STEPS[4]), NOW)
    assert (state["primary"]["action"], state["others"]) == (
        "look",
        [],
    )  # the large button suggests no answer
    outcomes = [button["body"]["outcome"] for button in state["choices"]]
    assert outcomes == ["nothing-found", "fixed", "not-fixed"]


def test_the_card_shows_trail_and_aim_of_this_place_only() -> None:
    rows = [
        row(seen("mirror-2", 1, 1, BACK_LEFT), 1),
        row(seen("mirror-2", 2, 2, FRONT_LEFT), 2),
        row(seen("mirror-2", 9, 9, FRONT_LEFT), 3, withdrawn=True),
        row(seen("mirror-2", 1.4, 0.1, FRONT_LEFT), 4),
    ]
    card = page_state(snapshot(STEPS[2], events=rows), NOW)["card"]
    assert card["trail"] == [[2, 2], [1.4, 0.1]]
    assert card["aim"] == EXPECT
    assert "has to move 1.0 mm left (to the machine's right)" in card["words"]


def test_the_verdict_says_found_allowed_and_good() -> None:
    verdict = page_state(snapshot({**STEPS[5], "verdict": {**VERDICT, "nozzle_mm": 0.9}}), NOW)["verdict"]
    lines = {line["name"]: line for line in verdict["rows"]}
    assert lines["Overlap at mirror 2"]["good"]
    assert not lines["Offset at the nozzle"]["good"]
    assert lines["Offset at the nozzle"]["limit"] == "0.4 mm"
    assert verdict["worst"] == "front right"


def states(step: Json, events: list[Json]) -> list[str]:
    rows = [row(event, number) for number, event in enumerate(events)]
    return [link["state"] for link in chain_view(snapshot(step, events=rows))]


def test_the_chain_knows_due_seen_and_waiting() -> None:
    assert states(STEPS[0], []) == ["waiting", "due", "waiting", "waiting", "waiting", "waiting"]
    assert states(STEPS[1], [seen("mirror-1")])[:4] == ["seen", "waiting", "due", "waiting"]
    assert states(STEPS[2], [seen("mirror-1")])[:3] == ["seen", "due", "waiting"]


def test_a_link_goes_stale_when_something_before_it_was_moved() -> None:
    at_nozzle = {**STEPS[0], "station": "nozzle"}
    events = [seen("mirror-1"), seen("mirror-2"), seen("mirror-3")]
    turned = [*events, {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.1}]
    assert states(at_nozzle, turned)[:3] == ["seen", "stale", "stale"]
    lifted = [*events, {"kind": "shift", "part": "mirror-2", "move_mm": [0, 0, 1]}]
    assert states(at_nozzle, lifted)[:3] == ["seen", "seen", "stale"]


NEARLY = VERDICT | {"overlap_mm": {"mirror-2": 0.4, "mirror-3": 1.3}}


def test_what_is_done_with_a_number_beyond_what_it_may_be_says_so_everywhere() -> None:
    state = page_state(snapshot({**STEPS[5], "verdict": NEARLY}), NOW)
    assert (state["act"]["kind"], state["act"]["where"]) == ("nearly", "Overlap")
    assert state["act"]["amount"][0]["value"] == "1.3"
    assert "the overlap at mirror 3 is 1.3 mm, 1 mm is allowed" in state["say"][0]
    assert state["finish"]["told"].startswith(state["say"][0])
    assert state["verdict"]["headline"].startswith("Nearly")
    assert not state["verdict"]["good"]
    assert {link["link"]: link["state"] for link in state["chain"]}["mirror-2"] == "seen"


def test_what_is_done_and_within_all_that_may_be_is_good_enough_to_cut() -> None:
    state = page_state(snapshot({**STEPS[5], "verdict": VERDICT}), NOW)
    assert state["act"]["kind"] == "done"
    assert state["say"][0].startswith("Good enough to cut: the marks at mirror 3 lie 0.6 mm apart at most")
    assert (state["verdict"]["headline"], state["verdict"]["good"]) == ("Good enough to cut", True)


def test_all_links_are_done_when_it_is_good_enough() -> None:
    events = [seen(station) for station in ("mirror-1", "mirror-2", "mirror-3", "nozzle")]
    assert states({**STEPS[5], "verdict": VERDICT}, events) == ["done"] * 6


@pytest.mark.parametrize(
    ("source", "hours", "long"),
    [
        ("camera", 11.9, ""),
        ("camera", 12.1, "a day"),
        ("offline", 40.0, "2 days"),
        ("camera", 150.0, "6 days"),
        ("camera", -30.0, ""),  # a clock that was set back
        ("practice", 150.0, ""),
    ],
)
def test_old_readings_are_said_to_be_old(source: str, hours: float, long: str) -> None:
    at = (NOW - timedelta(hours=hours)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    events = [row(seen("mirror-1"), when="2024-01-01T00:00:00.000Z"), row(seen("mirror-2"), when=at)]
    assert page_state(snapshot(STEPS[1], source=source, events=events), NOW)["old"] == (
        f"The last reading is {long} old. Moved or knocked since? Then begin a new alignment." if long else ""
    )
    withdrawn = [replace(entry, withdrawn=True) for entry in events]
    assert page_state(snapshot(STEPS[1], source=source, events=withdrawn), NOW)["old"] == ""

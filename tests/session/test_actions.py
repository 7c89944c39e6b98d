"""What each action of a person changes, what it leaves alone, and how it is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.log import Json, Log
from server.session.check import Check
from server.session.events import MarkSeen, NoMark
from server.session.mark_taking import SentMark
from server.session.services import Overtaken, Refused
from server.session.session import Session
from server.solver import DocumentError, Step
from server.solver.steps import Expect, Parts
from server.sources.base import Place
from tests.pages.doubles import (
    MACHINE,
    STEPS,
    VIEW,
    Bench,
    Script,
    blank_card,
    mark,
    new_log,
    reading,
    step_of,
)
from tests.session.conftest import Clock
from vision import NoReading, Reading

HERE, THERE = Place("mirror-1", (0.0, 1000.0)), Place("mirror-2", (0.0, 0.0))
CHECK = Check("weak-far", (HERE, THERE))
Act = Callable[[Session], Any]


def opened(
    folder: Path,
    kind: str = "practice",
    *,
    script: Script | None = None,
    cautions: bool = True,
    clock: Clock | None = None,
    asks: Callable[[Json], Step] | None = None,
) -> Session:
    made = script or Script()
    services = made.services(asks) if asks else made.services()
    bench = Bench(kind=kind, reads=kind != "offline")
    session = Session(new_log(folder), bench, machine=MACHINE, services=services, clock=clock or Clock())
    if cautions:
        session.acknowledge()
    return session


def sent(station: str = "mirror-1") -> SentMark:
    return SentMark(station, (1.0, 2.0), (0.1, 0.2), (4.0, 5.0), "round", {"station": station})


def deliver(session: Session, sequence: int = 1, **more: Any) -> bool:
    return session.delivered("far 1", sequence, sent(), None, **more)


REFUSED: list[tuple[str, Act, str, int]] = [
    ("practice", lambda s: s.pulse(), "station", 409),
    ("practice", lambda s: s.no_mark(), "station", 409),
    ("practice", lambda s: s.no_mark(HERE), "no-mark", 409),
    ("offline", lambda s: s.no_mark(HERE), "no-mark", 409),
    ("practice", lambda s: s.choose(0), "index", 409),
    ("practice", lambda s: s.choose(-1), "index", 409),
    ("practice", lambda s: s.watch(True), "watch", 409),
    ("offline", lambda s: s.film(True), "film", 409),
    ("camera", lambda s: s.ease(1, "top", 1), "screw", 409),
    ("offline", lambda s: s.ease(1, "top", 1), "screw", 409),
    ("practice", lambda s: s.undo(), "undo", 409),
    ("practice", lambda s: s.go_on(), "check", 409),
    ("practice", lambda s: s.withdraw(7), "event", 404),
    ("offline", lambda s: s.photo(b"text", None, HERE), "after", 400),
    ("offline", lambda s: s.photo(b"picture", b"text", HERE), "before", 400),
    ("offline", lambda s: s.photo(b"picture", None, replace(HERE, head_mm=(-9.0, 0.0))), "head_mm.0", 422),
    ("practice", lambda s: s.hang(replace(HERE, station="nowhere")), "station", 422),
    ("practice", lambda s: s.delivered("far 1", 1, sent("nozzle"), None), "station", 409),
    ("practice", lambda s: s.turn(1, "top", 99.0), "turns", 422),
]


@pytest.mark.parametrize(("kind", "act", "path", "status"), REFUSED)
def test_a_refusal_says_where_and_changes_nothing(
    tmp_path: Path, kind: str, act: Act, path: str, status: int
) -> None:
    session = opened(tmp_path, kind)
    with pytest.raises(Refused) as refused:
        act(session)
    assert (refused.value.path, refused.value.status) == (path, status)
    assert session.snapshot().events == ()


@pytest.mark.parametrize(
    "act",
    [
        lambda s: s.pulse(),
        lambda s: s.typed(HERE, (1.0, 1.0)),
        lambda s: s.no_mark(HERE),
        lambda s: s.photo(b"picture", None, HERE),
        lambda s: s.ease(1, "top", 1),
        lambda s: deliver(s),
    ],
)
def test_no_mark_is_taken_before_the_cautions_are_read(tmp_path: Path, act: Act) -> None:
    session = opened(tmp_path, cautions=False)
    session.hang(HERE)
    with pytest.raises(Refused) as refused:
        act(session)
    assert (refused.value.path, refused.value.status) == ("cautions", 409)


def test_a_step_is_answered_once(tmp_path: Path) -> None:
    session = opened(tmp_path)
    due = session.snapshot().step_name
    with session.answering(due):
        session.hang(HERE)
    with pytest.raises(Overtaken) as refused, session.answering(due):
        pass
    assert (refused.value.path, refused.value.status) == ("step", 409)


@pytest.mark.parametrize(
    ("act", "asks"),
    [
        (lambda s: s.acknowledge(), True),
        (lambda s: s.hang(HERE), True),
        (lambda s: s.typed(HERE, (1.0, 1.0)), True),
        (lambda s: s.turn(1, "top", 0.5), True),
        (lambda s: s.offer(MACHINE), True),
        (lambda s: s.check(CHECK, "check"), True),
        (lambda s: s.restart(), True),
        (lambda s: s.watch(True), False),
        (lambda s: s.film(True), False),
        (lambda s: s.say("words"), False),
        (lambda s: s.card_in_view("mirror-1", VIEW, (72, 128)), False),
    ],
)
def test_the_step_has_another_name_when_something_else_is_asked(tmp_path: Path, act: Act, asks: bool) -> None:
    session = opened(tmp_path, "camera")
    before, version = session.snapshot(), session.version
    act(session)
    assert (session.snapshot().step_name != before.step_name) is asks
    assert session.version > version


def test_a_card_that_is_hung_anew_forgets_what_was_seen_on_the_old_tape(tmp_path: Path) -> None:
    session = opened(tmp_path, script=Script([reading("mirror-1", mark(1.0), mark(5.0))]))
    session.hang(HERE)
    with pytest.raises(Refused):
        session.pulse()
    now = session.snapshot()
    assert (now.used, len(now.candidates), session.hung) == (True, 2, 1)
    session.hang(THERE)
    now = session.snapshot()
    assert (now.place, now.used, now.misses, now.said, now.candidates) == (THERE, False, 0, "", ())
    assert (session.hung, session.shot, session.unseen_pulse) == (2, None, False)
    with pytest.raises(Refused):
        session.choose(0)


def test_a_pulse_that_shows_in_no_picture_is_told_until_one_does(tmp_path: Path) -> None:
    session = opened(tmp_path, script=Script([blank_card(), reading("mirror-1")]))
    session.hang(HERE)
    with pytest.raises(Refused):
        session.pulse()
    assert (session.unseen_pulse, session.shot, session.snapshot().misses) == (True, None, 1)
    session.hang(HERE)
    assert not session.unseen_pulse
    session.pulse()
    assert session.shot is not None and not session.unseen_pulse
    assert session.snapshot().misses == 0


def test_no_card_in_the_picture_clears_the_place_and_counts_no_pulse(tmp_path: Path) -> None:
    session = opened(tmp_path, script=Script([blank_card(), NoReading("no card", "no-card")]))
    session.hang(HERE)
    for misses, place in ((1, HERE), (0, None)):
        with pytest.raises(Refused) as refused:
            session.pulse()
        assert (refused.value.path, refused.value.status) == ("picture", 422)
        assert (session.snapshot().misses, session.snapshot().place) == (misses, place)


@pytest.mark.parametrize("found", [reading("mirror-3"), blank_card("mirror-3"), reading("mirror-1")])
def test_another_stations_card_clears_the_place(tmp_path: Path, found: Reading | NoReading) -> None:
    session = opened(tmp_path, script=Script([blank_card("mirror-2"), found]))
    session.hang(THERE)
    with pytest.raises(Refused):
        session.pulse()
    with pytest.raises(Refused) as refused:
        session.pulse()
    assert (refused.value.path, refused.value.status) == ("station", 409)
    assert (session.snapshot().place, session.snapshot().misses) == (None, 0)
    card = session.snapshot().card
    assert card is not None and (card.station, card.size_px) == (found.station, (128, 72))


@pytest.mark.parametrize(
    ("u_mm", "elsewhere"), [(0.4, False), (4.4, False), (4.6, True), (-3.6, False), (-3.8, True)]
)
@pytest.mark.parametrize("aimed", [HERE, THERE, None])
def test_an_old_mark_hides_a_new_one_within_its_width_of_where_that_was_due(
    tmp_path: Path, u_mm: float, elsewhere: bool, aimed: Place | None
) -> None:
    """The mark is 4.1 mm wide; what is due elsewhere or nowhere may be hidden by any."""
    expect = None if aimed is None else Expect(aimed.station, aimed.head_mm, (0.4, -0.5), 0.1)
    step = Step("mark", station="mirror-1", head_mm=HERE.head_mm, expect=expect, parts=Parts("mark"))
    old = reading("mirror-1", mark(u_mm, new=False))
    session = opened(tmp_path, script=Script([old]), asks=lambda _: step)
    session.hang(HERE)
    with pytest.raises(Refused):
        session.pulse()
    assert session.snapshot().misses == (elsewhere and aimed == HERE)
    assert session.snapshot().used is not (elsewhere and aimed == HERE)


def test_a_blank_is_of_the_place_that_was_said_and_of_no_other(tmp_path: Path) -> None:
    session = opened(tmp_path, script=Script([blank_card()]))
    session.hang(HERE)
    for _ in range(2):
        with pytest.raises(Refused):
            session.pulse()
    with pytest.raises(Refused):
        session.no_mark(THERE)
    session.no_mark(HERE)
    (entry,) = session.snapshot().events
    assert entry.event == NoMark("mirror-1", HERE.head_mm, 1)
    assert session.snapshot().used


@pytest.mark.parametrize("again", [HERE, replace(HERE, head_mm=(500.0, 1000.0)), THERE])
def test_without_a_camera_a_blank_is_said_twice_of_the_same_place(tmp_path: Path, again: Place) -> None:
    session = opened(tmp_path, "offline")
    with pytest.raises(Refused):
        session.no_mark(HERE)
    if again == HERE:
        session.no_mark(again)
        assert session.document()["events"] == [
            {"kind": "no-mark", "station": "mirror-1", "head_mm": [0.0, 1000.0]}
        ]
    else:
        with pytest.raises(Refused):
            session.no_mark(again)


@pytest.mark.parametrize("kind", ["practice", "camera", "offline"])
def test_a_mark_is_of_a_hanging_where_somebody_said_that_it_was_hung(tmp_path: Path, kind: str) -> None:
    session = opened(tmp_path, kind)
    session.hang(HERE)
    session.pulse() if kind != "offline" else session.photo(b"picture", None, HERE)
    session.typed(HERE, (1.0, 2.0))
    assert [event.get("hanging") for event in session.document()["events"]] == [
        None if kind == "offline" else 1,
        None,
    ]


@pytest.mark.parametrize(("sigma", "kept"), [(None, [0.5, 0.5]), (0.2, [0.2, 0.2]), ((0.1, 0.3), [0.1, 0.3])])
def test_a_typed_mark_is_as_good_as_a_steel_rule_unless_said(
    tmp_path: Path, sigma: Any, kept: list[float]
) -> None:
    session = opened(tmp_path, "offline")
    session.typed(HERE, (1.0, 2.0), *([] if sigma is None else [sigma]))
    assert session.document()["events"][0]["sigma_mm"] == kept
    assert session.snapshot().place == HERE and session.snapshot().seen is None


def test_readings_of_a_rig_come_once_and_in_order(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.hang(HERE)
    assert (session.last_from("far 1"), session.delivers("far")) == (0, False)
    assert deliver(session, 5)  # the first may have any number
    assert (session.last_from("far 1"), session.delivers("far")) == (5, True)
    assert not session.delivers("fa") and not session.delivers("far 1")
    assert not deliver(session, 5) and not deliver(session, 4)
    for sequence, after in ((7, None), (9, 6)):
        with pytest.raises(Refused) as refused:
            deliver(session, sequence, after=after)
        assert (refused.value.path, refused.value.status) == ("sequence", 409)
    assert deliver(session, 6)
    assert deliver(session, 9, after=6)  # those between are lost
    assert deliver(session, 10, after=2)
    events = session.document()["events"]
    assert [event["offset_mm"] for event in events] == [[1.0, 2.0]] * 4
    assert session.snapshot().used


@pytest.mark.parametrize(
    ("age_s", "again", "late"),
    [
        (None, False, False),
        (4.0, False, False),
        (5.0, False, False),
        (6.0, False, True),
        (4.0, True, True),
        (None, True, True),
    ],
)
def test_a_mark_from_before_the_card_was_hung_does_not_count(
    tmp_path: Path, clock: Clock, age_s: float | None, again: bool, late: bool
) -> None:
    session = opened(tmp_path, clock=clock)
    session.hang(HERE)
    clock.sleep(5.0)
    asked = session.snapshot().step_name
    assert deliver(session, age_s=age_s, again=again)
    assert session.snapshot().step_name != asked  # a press that was meant for the step before counts no more
    (entry,) = session.snapshot().events
    assert entry.withdrawn is late
    assert session.snapshot().used is not late
    assert (session.snapshot().seen is None) is late
    assert session.snapshot().place == HERE


def test_a_late_mark_at_a_station_where_no_card_hangs_moves_none(tmp_path: Path, clock: Clock) -> None:
    session = opened(tmp_path, clock=clock)
    session.hang(HERE)
    assert session.delivered("far 1", 1, sent("nozzle"), None, again=True)
    assert session.snapshot().place == HERE
    (entry,) = session.snapshot().events
    assert isinstance(entry.event, MarkSeen) and entry.event.head_mm == (0.0, 0.0)
    assert session.delivered("far 1", 2, sent(), None)
    assert session.snapshot().events[-1].event.head_mm == HERE.head_mm  # type: ignore[union-attr]


def test_a_mark_that_nobody_announced_lies_where_the_step_wants_one(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.hang(THERE)
    assert deliver(session)  # at mirror 1, which the first step asks for
    assert session.snapshot().place == HERE


def test_what_settled_by_itself_may_still_be_reported_for_a_while(tmp_path: Path, clock: Clock) -> None:
    session = opened(tmp_path, "camera", script=Script([blank_card(), reading("mirror-1")]), clock=clock)
    session.hang(HERE)
    session.watch(True)
    assert not session.settled() and not session.just_settled()
    assert session.settled() and session.just_settled()
    assert not session.settled()  # the tape is used
    clock.sleep(3.9)
    assert session.just_settled()
    clock.sleep(0.2)
    assert not session.just_settled()


@pytest.mark.parametrize("lacks", ["cautions", "place", "watch", "fresh tape"])
def test_a_mark_is_saved_by_itself_only_when_all_is_ready(tmp_path: Path, lacks: str) -> None:
    session = opened(tmp_path, "camera", cautions=lacks != "cautions")
    if lacks != "place":
        session.hang(HERE)
    session.watch(lacks != "watch")
    if lacks == "fresh tape":
        session.pulse()
    before = session.snapshot().events
    assert not session.settled()
    assert session.snapshot().events == before


@pytest.mark.parametrize("kind", ["practice", "camera"])
def test_a_turn_may_be_withdrawn_where_nothing_moved_by_itself(tmp_path: Path, kind: str) -> None:
    session = opened(tmp_path, kind)
    for act in (
        lambda: session.turn(1, "top", 0.5),
        lambda: session.shift("tube", [0.0, 0.0, 1.0]),
        lambda: session.typed(HERE, (1.0, 1.0)),
    ):
        act()
        entry = session.snapshot().events[-1]
        if kind == "practice" and entry.kind in ("turn", "shift"):
            with pytest.raises(Refused) as refused:
                session.withdraw(entry.id)
            assert (refused.value.path, refused.value.status) == ("event", 409)
        else:
            session.withdraw(entry.id)
        withdrawn = session.snapshot().events[-1].withdrawn
        assert withdrawn is (kind == "camera" or entry.kind == "mark")
    assert session.snapshot().seen is None and session.snapshot().aimed is None


def test_an_undo_leaves_the_burn_on_the_tape_but_not_a_turn(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.hang(HERE)
    for act, used in ((lambda: session.turn(1, "top", 0.5), False), (lambda: session.pulse(), True)):
        act()
        session.undo()
        now = session.snapshot()
        assert (now.used, now.place, now.seen, now.misses, now.may_undo) == (used, HERE, None, 0, False)


def test_the_state_before_an_event_is_kept_whole_and_once(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.hang(HERE)
    for u_mm in (1.0, 2.0):
        log = Log(tmp_path, access="read-only")
        before = log.state(session.alignment or 0) or {}
        session.typed(HERE, (u_mm, 1.0))
        after = log.state(session.alignment or 0) or {}
        assert after["before"] == {key: value for key, value in before.items() if key != "before"}


def test_a_new_alignment_keeps_the_rigs_numbers_and_nothing_else(tmp_path: Path) -> None:
    session = opened(tmp_path, "camera")
    session.hang(HERE)
    session.watch(True)
    session.film(True)
    deliver(session, 3)
    for begin in (lambda: session.restart(), lambda: session.check(CHECK, "check")):
        session.acknowledge()
        number, hung = session.alignment or 0, session.hung
        begin()
        now = session.snapshot()
        assert session.alignment == number + 1 and session.hung > hung
        assert not any((now.cautions, now.place, now.watch, now.film, now.used, now.events, now.seen))
        assert session.last_from("far 1") == 3


def test_a_check_is_left_for_what_the_solver_says(tmp_path: Path) -> None:
    session = opened(tmp_path, asks=lambda _: step_of(STEPS[4]))
    session.check(CHECK, "check")
    assert session.snapshot().step.station == "mirror-1"
    session.acknowledge()
    session.go_on()
    now = session.snapshot()
    assert (now.step.do, now.check, now.cautions) == ("inspect", None, True)


def test_a_profile_that_the_solver_refuses_is_not_used(tmp_path: Path) -> None:
    def asks(document: Json) -> Step:
        if document["machine"].get("name") == "bad":
            raise DocumentError("machine.name", "is bad")
        return step_of(STEPS[0])

    session = opened(tmp_path, "offline", asks=asks)
    for act in (session.offer, lambda machine: session.restart(machine=machine)):
        with pytest.raises(Refused) as refused:
            act({**MACHINE, "name": "bad"})
        assert refused.value.path == "machine.name"
        assert session.machine()["name"] == MACHINE["name"]
    session.restart(machine={**MACHINE, "name": "mine"})
    assert session.machine()["name"] == "mine"


def test_the_practice_laser_keeps_its_own_profile(tmp_path: Path) -> None:
    session = opened(tmp_path)
    number = session.snapshot().step_name
    session.offer({**MACHINE, "name": "mine"})
    assert session.machine()["name"] == MACHINE["name"]
    assert session.snapshot().step_name == number


def test_each_action_is_told_to_who_records(tmp_path: Path) -> None:
    session = opened(tmp_path, "camera")
    actions: list[Json] = []
    session.listeners.append(actions.append)
    session.hang(HERE)
    session.watch(True)
    session.pulse()
    session.undo()
    session.typed(HERE, (1.0, 1.0))
    session.withdraw(session.snapshot().events[-1].id)
    session.restart()
    kinds = ["hang", "watch", "event", "withdraw", "event", "withdraw", "begin"]
    assert [action["kind"] for action in actions] == kinds
    assert actions[0]["place"] == HERE.as_json() and actions[1]["on"] is True
    assert actions[2]["shot"] is not None and actions[4]["shot"] is None
    assert actions[2]["event"] == actions[3]["event"] and actions[4]["event"] == actions[5]["event"]
    assert actions[6] == {"kind": "begin", "machine": session.machine(), "watch": False}


def test_both_versions_are_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = opened(tmp_path)
    page, live, over = session.version, session.rig.live_version, list[bool]()
    monkeypatch.setattr(session.changed, "wait_for", lambda differs, _: over.append(differs()))
    assert session.wait_live(page, live, timeout_s=0) == (page, live)
    assert session.wait_live(page - 1, live, timeout_s=60) == (page, live)
    assert session.wait_live(page, live - 1, timeout_s=60) == (page, live)
    assert session.wait(page - 1, timeout_s=60) == page == session.wait(page, timeout_s=0)
    assert over == [False, True, True, True, False]  # whether there is nothing to wait for


@pytest.mark.parametrize("there", [True, False])
def test_a_program_that_starts_again_looks_for_the_card_where_one_was_said_to_hang(
    tmp_path: Path, there: bool
) -> None:
    session = opened(tmp_path, "camera")
    if there:
        session.hang(HERE)
    again = opened(tmp_path, "camera", cautions=False).snapshot()
    assert (again.card is not None) is there


@pytest.mark.parametrize("landed", [True, False])
@pytest.mark.parametrize("watch", [True, False])
@pytest.mark.parametrize("told", [True, False])
def test_an_old_mark_under_a_pulse_is_offered_to_who_reported_it_or_watches(
    tmp_path: Path, landed: bool, watch: bool, told: bool
) -> None:
    session = opened(tmp_path, "camera", script=Script([blank_card()]))
    session.hang(HERE)
    session.watch(watch)
    if told:
        with pytest.raises(Refused):
            session.pulse()
    station = "mirror-1" if landed else "mirror-2"
    session.on_top(station, VIEW, mark(3.0), np.zeros((72, 128, 3), np.uint8))
    offered = landed and (watch or told)
    assert session.snapshot().candidates == (((3.0, -0.5),) if offered else ())
    assert session.snapshot().used is offered
    words = ("In doubt" if told else "The pulse landed") if offered else ""
    assert session.snapshot().said.startswith(words) and bool(session.snapshot().said) is offered

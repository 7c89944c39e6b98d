"""When a person is asked for something else, so that an answer to what was asked before is refused; and
small cases beside the large tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from firmware import Frame
from server.log import Json
from server.session.card_scale import CardScale
from server.session.check import Check, check_step
from server.session.events import Event, Inspected, MarkSeen, NoMark, Shift, Turn, without_undo
from server.session.rig_state import RigView
from server.session.services import Refused, refusing
from server.session.session import STILL_TOLD_S, Session
from server.session.snapshot import Hardware, RigSight, Snapshot
from server.session.versions import Versioned
from server.solver import DocumentError, Step, parse_profile
from server.sources.base import NoPicture, Place
from tests.pages.doubles import MACHINE, VIEW, Bench, Script, blank_card, mark, new_log, reading
from tests.session.conftest import Clock
from tests.session.test_actions import CHECK, HERE, THERE, deliver, opened
from tests.session.test_rig_state import View
from tests.session.test_snapshot import entry, known, marked
from vision import NoReading, Reading

Act = Callable[[Session], Any]


def refused(session: Session, act: Act) -> Refused | None:
    try:
        act(session)
    except Refused as error:
        return error
    return None


OLD = reading("mirror-1", mark(3.0, new=False))
HIDDEN = replace(blank_card(), on_top=mark(3.0))


@pytest.mark.parametrize(
    ("kind", "script", "act", "path"),
    [
        ("camera", Script(card="mirror-3"), lambda s: s.hang(HERE), "station"),
        ("camera", Script(card=None), lambda s: s.hang(HERE), "card"),
        ("camera", Script(old_marks=1), lambda s: s.hang(HERE), "card"),
        ("camera", Script(view=replace(VIEW, markers_seen=3)), lambda s: s.hang(HERE), "card"),
        ("offline", Script(), lambda s: s.no_mark(HERE), "no-mark"),
        ("practice", Script(), lambda s: s.undo(), None),
        ("practice", Script(), lambda s: s.withdraw(s.snapshot().events[-1].id), None),
        ("practice", Script(), lambda s: deliver(s, again=True), None),
        ("practice", Script(), lambda s: s.inspected("rail-bow", "fixed"), None),
    ],
)
def test_something_else_is_asked(
    tmp_path: Path, kind: str, script: Script, act: Act, path: str | None
) -> None:
    session = opened(tmp_path, kind, script=script)
    session.typed(HERE, (1.0, 1.0))
    before = session.snapshot()
    error = refused(session, act)
    assert (error and (error.path, error.status)) == (path and (path, 409))
    assert session.snapshot().step_name != before.step_name


@pytest.mark.parametrize(
    ("found", "path", "misses", "place", "used"),
    [
        (NoReading("no card", "no-card"), "picture", 0, None, False),
        (reading("mirror-3"), "station", 0, None, False),
        (blank_card("mirror-3"), "station", 0, None, False),
        (blank_card(), "picture", 2, HERE, False),
        (reading("mirror-1", mark(1.0), mark(5.0)), "choose", 0, HERE, True),
        (OLD, "picture", 0, HERE, True),
        (HIDDEN, "choose", 0, HERE, True),
    ],
)
def test_a_pulse_that_saves_no_mark_asks_for_something_else(
    tmp_path: Path, found: Reading | NoReading, path: str, misses: int, place: Place | None, used: bool
) -> None:
    session = opened(tmp_path, script=Script([blank_card(), found]))
    session.hang(HERE)
    refused(session, Session.pulse)
    before = session.snapshot()
    assert before.misses == 1
    error = refused(session, Session.pulse)
    assert error is not None and error.path == path
    now = session.snapshot()
    assert now.step_name != before.step_name
    assert (now.misses, now.place, now.used) == (misses, place, used)


def test_a_check_that_is_left_asks_for_something_else(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.check(CHECK, "check")
    session.acknowledge()
    before = session.snapshot().step_name
    session.say("words")
    session.go_on()
    assert session.snapshot().step_name != before and session.snapshot().said == ""


def test_a_wrong_card_forgets_the_misses_at_the_right_one(tmp_path: Path) -> None:
    script = Script([blank_card()])
    session = opened(tmp_path, "camera", script=script)
    session.hang(HERE)
    refused(session, Session.pulse)
    script.card = "mirror-3"
    error = refused(session, lambda s: s.hang(HERE))
    assert error is not None and "the one for mirror 3" in error.message
    assert (session.snapshot().misses, session.snapshot().place) == (0, None)


def test_what_settled_by_itself_may_be_reported_for_so_long_and_no_longer(tmp_path: Path) -> None:
    clock = Clock(0.0)
    session = opened(tmp_path, "camera", clock=clock)
    session.hang(HERE)
    session.watch(True)
    assert session.settled()
    for now_s, still in ((STILL_TOLD_S - 0.01, True), (STILL_TOLD_S, False)):
        clock.now_s = now_s
        assert session.just_settled() is still


def test_readings_that_are_missing_are_asked_for_by_their_number(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.hang(HERE)
    deliver(session, 5)
    with pytest.raises(Refused, match=r"Number 6 of far 1 comes first"):
        deliver(session, 7)


class FirstFrame(Bench):
    """A camera whose newest picture has number 0 and is given only to who asks for a newer one than that."""

    def look(self, *, newer_than: int, timeout_s: float) -> Frame:
        if newer_than >= 0:
            raise NoPicture("nothing newer")
        return Frame(self.frame(), 1.0, 0)


@pytest.mark.parametrize("kind", ["camera", "practice"])
def test_the_very_first_picture_counts(tmp_path: Path, kind: str) -> None:
    services = Script(old_marks=1).services()
    session = Session(new_log(tmp_path), FirstFrame(kind=kind), machine=MACHINE, services=services)
    session.acknowledge()
    error = refused(session, lambda s: s.hang(HERE))
    assert session.snapshot().card is not None
    assert (error is not None and "old mark" in error.message) is (kind == "camera")
    if kind == "practice":
        session.ease(1, "top", 1)
        assert session.snapshot().rig.live is not None


@pytest.mark.parametrize("act", [lambda s: s.hang(HERE), lambda s: s.pulse()])
def test_without_a_picture_it_is_the_camera_that_is_asked_about(tmp_path: Path, act: Act) -> None:
    bench = Bench(kind="camera")
    session = Session(new_log(tmp_path), bench, machine=MACHINE, services=Script().services())
    session.acknowledge()
    session.hang(HERE)
    bench.dark = True
    error = refused(session, act)
    assert error is not None and (error.path, error.status) == ("camera", 409)


def test_the_scale_is_kept_in_folders_that_are_not_there_yet(tmp_path: Path) -> None:
    kept = tmp_path / "new" / "lasers" / "check-bars"
    for bars_mm in ((49.7, 49.9), (50.0, 50.0)):
        CardScale(kept=kept).set(bars_mm)
        assert CardScale(kept=kept).bars_mm == bars_mm


@pytest.mark.parametrize(
    ("shapes", "shown"),
    [
        (("stretched", "double"), "stretched"),
        (("round", "stretched", "cut-off"), "stretched"),
        (("cut-off", "stretched"), "cut-off"),
    ],
)
def test_the_first_shape_that_is_not_round_is_shown(shapes: tuple[str, ...], shown: str) -> None:
    events = tuple(entry(n, marked("mirror-1"), shape=shape) for n, shape in enumerate(shapes))
    assert known(events=events).shapes == {"mirror-1": shown}


SOLVERS = Step("turn", mount=1, screw="top", turns=0.5)
MARKED = MarkSeen("mirror-1", HERE.head_mm, (0.0, 0.0), (0.1, 0.1))


@pytest.mark.parametrize(
    ("events", "asked"),
    [
        ([], HERE),
        ([MARKED], THERE),
        ([NoMark("mirror-1", HERE.head_mm)], THERE),
        ([NoMark("mirror-2", THERE.head_mm)], HERE),
        ([replace(MARKED, head_mm=(700.0, 1000.0))], HERE),
        ([MARKED, NoMark("mirror-2", THERE.head_mm)], None),
        ([Turn(1, "top", 0.5)], None),
        ([MARKED, Shift("tube", (0.0, 1.0, 0.0))], None),
        ([Inspected("rail-bow", "nothing-found")], None),
    ],
)
def test_a_check_asks_for_its_places_until_something_is_moved(
    events: list[Event], asked: Place | None
) -> None:
    laser = parse_profile(MACHINE)
    check = Check("weak-far", (HERE, THERE))
    step = check_step(check, events, laser, SOLVERS)
    assert check_step(None, events, laser, SOLVERS) is SOLVERS
    if asked is None:
        assert step is SOLVERS
    else:
        assert (step.do, step.station, step.head_mm) == ("mark", asked.station, asked.head_mm)
        assert step.say.startswith(f"Mark mirror {asked.station[-1]}, head at the")
        assert step.estimate is SOLVERS.estimate


def test_only_what_was_taken_back_is_left_out_of_a_document() -> None:
    events: list[Json] = [{"kind": "undo", "event": "x"}, {"kind": "wiped"}, {"kind": "mark"}, {}]
    assert without_undo({"machine": {}, "events": events}) == {"machine": {}, "events": events[1:]}


@pytest.mark.parametrize("new", ["a", "z"])
def test_whatever_its_name_the_rig_of_least_worth_goes(clock: Clock, new: str) -> None:
    view = View(clock)
    view.set_rig(RigSight("m"), b"gone", address="192.0.2.9")
    clock.sleep(20.1)
    for number in range(7):
        view.set_rig(RigSight(f"rig-{number}"), None, address=f"192.0.2.{number}", delivers=True)
    view.set_rig(RigSight(new), None, address="192.0.2.8")
    assert {rig.name for rig in view.now().rigs} == {new, *(f"rig-{n}" for n in range(7))}
    view.set_rig(RigSight(f"{new}{new}"), b"one too many", address="192.0.2.8")
    names = {rig.name for rig in view.now().rigs}
    assert len(names & {new, f"{new}{new}"}) == 1 and len(names) == 8
    assert isinstance(view, RigView) and set(view.pictures) <= names


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("events.3.turns", "turns"),
        ("events.0.head_mm.1", "head_mm.1"),
        ("events.4", "events.4"),
        ("machine.bed.width_mm", "machine.bed.width_mm"),
        ("", ""),
    ],
)
def test_a_fault_of_the_solver_is_told_by_the_field_of_the_form(path: str, told: str) -> None:
    with pytest.raises(Refused) as error, refusing():
        raise DocumentError(path, "is bad")
    assert (error.value.path, error.value.status) == (told, 422)
    assert error.value.message.endswith("is bad")


def test_what_is_asked_is_numbered_within_its_alignment(tmp_path: Path) -> None:
    session = opened(tmp_path, "offline", cautions=False)
    names = [session.snapshot().step_name]
    acts: list[Act] = [
        lambda s: s.offer(MACHINE),
        lambda s: s.acknowledge(),
        lambda s: s.say("words"),
        lambda s: s.hang(HERE),
        lambda s: s.typed(HERE, (1.0, 1.0)),
        lambda s: s.undo(),
        lambda s: s.check(CHECK, "check"),
        lambda s: s.go_on(),
    ]
    for act in acts:
        act(session)
        names.append(session.snapshot().step_name)
    assert names == ["0.0", "0.1", "1.2", "1.2", "1.3", "1.4", "1.5", "2.1", "2.2"]


def test_a_screw_that_was_held_has_not_turned_once_something_is_taken_back(tmp_path: Path) -> None:
    session = opened(tmp_path)
    session.typed(HERE, (1.0, 1.0))
    session.ease(1, "top", 1)
    assert session.snapshot().turned
    session.undo()
    assert not session.snapshot().turned and session.snapshot().said == "Taken back"


@pytest.mark.parametrize("index", [-1, 2])
def test_a_mark_that_was_not_offered_cannot_be_chosen(tmp_path: Path, index: int) -> None:
    session = opened(tmp_path, script=Script([reading("mirror-1", mark(1.0), mark(5.0))]))
    session.hang(HERE)
    refused(session, Session.pulse)
    error = refused(session, lambda s: s.choose(index))
    assert error is not None and (error.path, error.status) == ("index", 409)
    session.choose(1)
    assert session.document()["events"][0]["offset_mm"] == [5.0, -0.5]


def test_a_start_does_not_wait_for_a_picture_and_a_card_that_is_hung_does(tmp_path: Path) -> None:
    class Patient(Bench):
        def look(self, *, newer_than: int, timeout_s: float) -> Frame:
            self.asked.append(("look", timeout_s))
            return super().look(newer_than=newer_than, timeout_s=timeout_s)

    def waits(bench: Bench) -> list[object]:
        return [what for name, what in bench.asked if name == "look"]

    bench, again = Patient(), Patient()
    session = Session(new_log(tmp_path), bench, machine=MACHINE, services=Script().services())
    assert waits(bench) == []  # no card was said to hang
    session.hang(HERE)
    (wait,) = waits(bench)
    assert isinstance(wait, float) and wait > 0
    Session(new_log(tmp_path), again, machine=MACHINE, services=Script().services())
    assert waits(again) == [0.0]


def test_versions_count_from_nought_in_each_run() -> None:
    one, other = Versioned(), Versioned()
    assert (one.version, one.run == other.run) == (0, False)
    one.announce()
    assert (one.version, one.wait(0, timeout_s=60)) == (1, 1)


@pytest.mark.parametrize(
    ("found", "station"),
    [
        (replace(blank_card(), card=None), "mirror-1"),  # it says no more about where the card is
        (replace(blank_card(), station=None), "mirror-1"),
        (replace(blank_card(), card=None, station=None), "mirror-1"),
        (blank_card("mirror-3"), "mirror-3"),
    ],
)
def test_where_the_card_was_seen_is_kept_until_it_is_seen_again(
    tmp_path: Path, found: NoReading, station: str
) -> None:
    session = opened(tmp_path, "camera", script=Script([found]))
    session.hang(HERE)
    before = session.snapshot().card
    assert refused(session, Session.pulse) is not None
    now = session.snapshot().card
    assert now is not None and now.station == station
    assert (now == before) is (station == "mirror-1")


def test_at_first_nothing_is_known_of_an_alignment() -> None:
    now = known()
    bare = Snapshot(1, "run", "camera", None, "0.0", now.machine, now.step)
    assert not any((bare.cautions, bare.used, bare.watch, bare.film, bare.turned, bare.may_undo, bare.said))
    assert (bare.misses, bare.candidates, bare.events, bare.rig) == (0, (), (), Hardware())
    assert all(x is None for x in (bare.place, bare.aimed, bare.seen, bare.card, bare.check))
    assert (RigSight("far").has_picture, RigSight("far").seen, RigSight("far").silent) == (False, 0, False)


@pytest.mark.parametrize(
    ("stations", "hangings"),
    [
        (["mirror-1", "mirror-2", "mirror-1"], [1, 2, 3]),
        (["mirror-2", "mirror-1", "nozzle"], [1, 2, 3]),
        (["mirror-1", "mirror-1", "mirror-2"], [1, 1, 2]),  # fresh tape alone
    ],
)
def test_a_card_that_is_changed_is_another_hanging(
    tmp_path: Path, stations: list[str], hangings: list[int]
) -> None:
    session = opened(tmp_path, script=Script([reading(station) for station in stations]))
    for station in stations:
        session.hang(Place(station, HERE.head_mm))
        session.pulse()
    assert [event["hanging"] for event in session.document()["events"]] == hangings

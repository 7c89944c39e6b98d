"""The session: what is saved, what is refused, what survives a restart."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from server.log import Json, Log
from server.session.events import event_json
from server.session.session import Refused, Session
from server.session.snapshot import expect_of
from server.solver import Step
from server.solver.steps import Parts
from server.sources.base import Place
from tests.pages.doubles import (
    BACK_LEFT,
    EXPECT,
    FRONT_LEFT,
    MACHINE,
    Bench,
    Script,
    blank_card,
    mark,
    reading,
)

MIRROR_1 = Place("mirror-1", (0.0, 1000.0))
MIRROR_2 = Place("mirror-2", (0.0, 0.0))


def begin(folder: Path, bench: Bench | None = None, script: Script | None = None) -> Session:
    return Session(Log(folder), bench or Bench(), machine=MACHINE, services=(script or Script()).services())


def marked(folder: Path, bench: Bench | None = None) -> Session:
    session = begin(folder, bench)
    session.acknowledge()
    session.hang(MIRROR_1)
    session.pulse()
    return session


def test_a_pulse_becomes_a_mark_in_the_log_with_picture_and_reading(tmp_path: Path) -> None:
    session = marked(tmp_path)
    (row,) = Log(tmp_path, access="read-only").events(session.alignment or 0)
    assert row["event"] == {
        "kind": "mark",
        "station": "mirror-1",
        "head_mm": BACK_LEFT,
        "offset_mm": [1.5, -0.5],
        "sigma_mm": [0.02, 0.03],
        "hanging": 1,
    }
    assert row["has_picture"]
    assert row["reading"]["station"] == "mirror-1"
    assert session.snapshot().step.station == "mirror-2"


def test_nothing_fires_before_the_cautions(tmp_path: Path) -> None:
    bench = Bench()
    session = begin(tmp_path, bench)
    session.hang(MIRROR_1)
    with pytest.raises(Refused, match="cautions") as refusal:
        session.pulse()
    assert refusal.value.status == 409
    with pytest.raises(Refused, match="cautions"):
        session.typed(MIRROR_1, (0.0, 0.0))
    with pytest.raises(Refused, match="cautions"):
        session.no_mark(MIRROR_1)
    assert ("pulse", None) not in bench.asked
    assert session.snapshot().events == ()


def test_a_new_alignment_asks_for_the_cautions_again(tmp_path: Path) -> None:
    session = marked(tmp_path)
    session.restart()
    assert not session.snapshot().cautions
    assert session.snapshot().events == ()


def test_the_aim_is_kept_from_the_turn_to_the_next_mark(tmp_path: Path) -> None:
    session = marked(tmp_path)
    session.typed(MIRROR_2, (3.0, 1.0))
    session.turn(1, "top", -0.1875)
    assert session.snapshot().expect == expect_of(EXPECT)


def test_another_turn_than_the_one_asked_has_no_aim(tmp_path: Path) -> None:
    session = marked(tmp_path)
    session.typed(MIRROR_2, (3.0, 1.0))
    session.turn(1, "side", 0.25)
    assert session.snapshot().aimed is None
    assert "not the step" in session.snapshot().said


@pytest.mark.parametrize(
    ("act", "path"),
    [
        (lambda s: s.turn(4, "top", 0.1), "mount"),
        (lambda s: s.turn(1, "nobody", 0.1), "screw"),
        (lambda s: s.turn(1, "top", 0.0), "turns"),
        (lambda s: s.turn(1, "top", 21.0), "turns"),
        (lambda s: s.shift("roof", [0.0, 0.0, 1.0]), "part"),
        (lambda s: s.shift("tube", [0.0, 0.0]), "move_mm"),
        (lambda s: s.hang(Place("mirror-2", (-5.0, 0.0))), "head_mm"),
        (lambda s: s.typed(Place("mirror-2", (0.0, 9e9)), (0.0, 0.0)), "head_mm"),
        (lambda s: s.withdraw(12345), "event"),
        (lambda s: s.choose(0), "index"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    tmp_path: Path, act: Callable[[Session], None], path: str
) -> None:
    bench = Bench()
    session = marked(tmp_path, bench)
    before, hands = session.snapshot(), list(bench.asked)
    with pytest.raises(Refused) as refusal:
        act(session)
    assert path in refusal.value.path
    assert "\n" not in refusal.value.message
    assert session.snapshot().events == before.events
    assert bench.asked == hands


def test_a_restart_of_the_program_loses_nothing(tmp_path: Path) -> None:
    session = marked(tmp_path)
    session.hang(MIRROR_2)
    before = session.snapshot()
    bench = Bench()
    after = begin(tmp_path, bench).snapshot()
    assert ("restore", {"asked": 4}) in bench.asked
    for key in ("alignment", "place", "step", "seen", "cautions", "events", "used", "step_name"):
        assert getattr(after, key) == getattr(before, key), key


def test_no_mark_is_said_and_saved_only_when_the_person_says_so(tmp_path: Path) -> None:
    session = begin(tmp_path, Bench(), Script([blank_card()]))
    session.acknowledge()
    session.hang(MIRROR_1)
    for misses in (1, 2):
        with pytest.raises(Refused, match="no new mark"):
            session.pulse()
        assert session.snapshot().misses == misses
        assert session.snapshot().events == ()
    session.no_mark()
    (row,) = session.snapshot().events
    assert event_json(row.event) == {
        "kind": "no-mark",
        "station": "mirror-1",
        "head_mm": BACK_LEFT,
        "hanging": 1,
    }
    assert session.snapshot().misses == 0


def test_the_card_of_another_station_is_refused(tmp_path: Path) -> None:
    session = begin(tmp_path, Bench(), Script([reading("nozzle")]))
    session.acknowledge()
    session.hang(MIRROR_1)
    with pytest.raises(Refused, match="card for the nozzle") as refusal:
        session.pulse()
    assert refusal.value.path == "station"
    assert session.snapshot().events == ()


def test_of_several_marks_the_person_chooses(tmp_path: Path) -> None:
    both = reading("mirror-1", mark(1.0, 1.0, new=None), mark(4.0, -2.0, new=None))
    session = begin(tmp_path, Bench(), Script([both]))
    session.acknowledge()
    session.hang(MIRROR_1)
    with pytest.raises(Refused, match="choose the newest"):
        session.pulse()
    assert session.snapshot().candidates == ((1.0, 1.0), (4.0, -2.0))
    session.choose(1)
    (row,) = session.snapshot().events
    assert event_json(row.event)["offset_mm"] == [4.0, -2.0]
    assert session.snapshot().candidates == ()


def test_old_marks_do_not_count(tmp_path: Path) -> None:
    seen = reading("mirror-1", mark(9.0, 9.0, new=False), mark(1.0, 1.0, new=True))
    session = begin(tmp_path, Bench(), Script([seen]))
    session.acknowledge()
    session.hang(MIRROR_1)
    session.pulse()
    assert session.document()["events"][0]["offset_mm"] == [1.0, 1.0]


def test_a_withdrawn_reading_stays_in_the_log_but_not_in_the_document(tmp_path: Path) -> None:
    session = marked(tmp_path)
    (row,) = session.snapshot().events
    session.withdraw(row.id)
    assert session.document()["events"] == []
    assert session.snapshot().events[0].withdrawn
    with pytest.raises(Refused):
        session.withdraw(row.id)


def test_a_practice_turn_cannot_be_withdrawn_because_it_happened(tmp_path: Path) -> None:
    session = marked(tmp_path)
    session.turn(1, "top", 0.25)
    with pytest.raises(Refused, match="turn it back"):
        session.withdraw(session.snapshot().events[-1].id)


def test_without_a_picture_the_camera_is_named_and_nothing_is_saved(tmp_path: Path) -> None:
    bench = Bench(kind="camera")
    session = begin(tmp_path, bench)
    session.acknowledge()
    session.hang(MIRROR_1)
    bench.dark = True
    with pytest.raises(Refused, match="plugged in") as refusal:
        session.pulse()
    assert refusal.value.path == "camera"
    assert session.snapshot().events == ()


def test_offered_measurements_count_where_nothing_is_read_yet(tmp_path: Path) -> None:
    session = begin(tmp_path, Bench(kind="offline"))
    mine = {**MACHINE, "name": "the one by the window"}
    session.offer(mine)
    assert session.machine()["name"] == "the one by the window"
    session.acknowledge()
    session.typed(MIRROR_1, (1.0, 1.0))
    session.offer({**MACHINE, "name": "another"})
    assert session.machine()["name"] == "the one by the window"
    session.restart()
    assert session.machine()["name"] == "the one by the window"


def test_the_verdict_is_kept_with_the_alignment(tmp_path: Path) -> None:
    session = marked(tmp_path)
    for _ in range(3):
        session.typed(Place("mirror-2", tuple(FRONT_LEFT)), (0.1, 0.1))
    session.inspected("gantry-racking", "nothing-found")
    (row,) = Log(tmp_path, access="read-only").alignments()
    assert row["done"]
    assert row["verdict"]["aligned"]


def test_every_change_wakes_who_waits(tmp_path: Path) -> None:
    session = begin(tmp_path)
    before = session.version
    session.acknowledge()
    assert session.wait(before, timeout_s=0) > before
    assert session.wait(session.version, timeout_s=0) == session.version


@pytest.mark.parametrize(
    "fault", [ZeroDivisionError("division by zero"), ValueError("singular matrix"), KeyError("x")]
)
def test_a_log_that_the_solver_cannot_bear_still_opens(tmp_path: Path, fault: Exception) -> None:
    marked(tmp_path)

    def broken(document: object) -> Step:
        raise fault

    session = Session(Log(tmp_path), Bench(), machine=MACHINE, services=Script().services(broken))
    step = session.snapshot().step
    assert step.do == "stop"
    assert "begin a new one" in step.say
    assert len(session.snapshot().events) == 1


def test_marks_on_one_card_share_a_hanging_until_it_is_hung_elsewhere_or_anew(tmp_path: Path) -> None:
    def asks(document: Json) -> Step:
        anew = "anew" if len(document["events"]) == 3 else None
        return Step("mark", station="mirror-1", head_mm=(0.0, 1000.0), hang=anew, parts=Parts("mark"))

    session = Session(Log(tmp_path), Bench(), machine=MACHINE, services=Script().services(asks))
    session.acknowledge()
    for _ in range(4):  # the fourth is asked for on a card that was hung anew
        session.hang(MIRROR_1)
        session.pulse()
    session.hang(MIRROR_2)
    session.hang(MIRROR_1)
    session.pulse()
    assert [event["hanging"] for event in session.document()["events"]] == [1, 1, 1, 2, 4]

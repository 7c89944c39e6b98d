"""What a picture after a pulse may show besides one new mark: nothing is saved, and what to do is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from server.log import Log
from server.session.services import Refused
from server.session.session import Session
from server.sources.base import NoPicture, Place, Shot
from tests.pages.doubles import BACK_LEFT, FRONT_LEFT, MACHINE, Bench, Script, blank_card, mark, reading
from vision import NoReading, Reading

MIRROR_1, MIRROR_2 = Place("mirror-1", (0.0, BACK_LEFT[1])), Place("mirror-2", (0.0, FRONT_LEFT[1]))
NO_MARKS = replace(reading("mirror-1"), marks=())


def begun(folder: Path, *readings: Reading | NoReading, bench: Bench | None = None) -> Session:
    services = Script(list(readings)).services()
    source = bench or Bench(kind="camera")
    session = Session(Log(folder), source, machine=MACHINE, services=services)
    session.acknowledge()
    return session


@pytest.mark.parametrize(
    ("found", "saved"),
    [
        (reading("mirror-1"), True),
        (reading("mirror-1", mark(new=False), mark()), True),
        (reading("mirror-2"), False),
        (reading("mirror-1", mark(), mark(3.0)), False),
        (reading("mirror-1", mark(new=False)), False),
        (NO_MARKS, False),
        (blank_card(), False),
    ],
)
def test_a_camera_that_watches_saves_one_new_mark_and_nothing_else(
    tmp_path: Path, found: Reading | NoReading, saved: bool
) -> None:
    session = begun(tmp_path, found)
    assert not session.settled()  # nothing is awaited yet
    session.hang(MIRROR_1)
    session.watch(True)
    assert session.settled() == saved
    assert len(session.snapshot().events) == saved


@pytest.mark.parametrize("other", ["mirror-1", "mirror-3", "nozzle"])
def test_a_camera_that_watches_saves_no_mark_of_another_card(tmp_path: Path, other: str) -> None:
    services = Script([reading(other)], card="mirror-2").services()  # changed after it was said to hang
    session = Session(Log(tmp_path), Bench(kind="camera"), machine=MACHINE, services=services)
    session.acknowledge()
    session.hang(MIRROR_2)
    session.watch(True)
    assert not session.settled()
    assert session.snapshot().events == ()


@pytest.mark.parametrize("what", ["watch", "film"])
def test_without_a_camera_nothing_can_be_watched(tmp_path: Path, what: str) -> None:
    session = begun(tmp_path, bench=Bench(kind="practice"))
    with pytest.raises(Refused, match="camera") as refused:
        getattr(session, what)(True)
    assert (refused.value.status, refused.value.path) == (409, what)
    getattr(session, what)(False)
    snapshot = session.snapshot()
    assert not snapshot.watch and not snapshot.film


def test_a_camera_that_watches_and_is_unplugged_saves_nothing(tmp_path: Path) -> None:
    class Unplugged(Bench):
        def shot(self) -> Shot:
            raise NoPicture("unplugged")

    session = begun(tmp_path, reading("mirror-1"), bench=Unplugged(kind="camera"))
    session.hang(MIRROR_1)
    session.watch(True)
    assert not session.settled()
    assert session.snapshot().events == ()


@pytest.mark.parametrize(
    ("old", "said"),
    [
        ((mark(10.0, 10.0, new=False),), "No new mark since the last picture"),
        ((), "No new mark since the last picture"),
        ((mark(0.5, 0.1, new=False),), "it may lie on the old one"),  # 0.1 mm from where the new one was due
        ((mark(10.0, 10.0, new=False), mark(0.5, 0.1, new=False)), "it may lie on the old one"),
    ],
)
def test_no_new_mark_is_doubted_only_where_an_old_one_may_hide_it(
    tmp_path: Path, old: tuple[object, ...], said: str
) -> None:
    nothing_new = replace(reading("mirror-2"), marks=old)  # type: ignore[arg-type]
    session = begun(tmp_path, reading("mirror-1"), reading("mirror-2"), nothing_new, bench=Bench())
    for place in (MIRROR_1, MIRROR_2):
        session.hang(place)
        session.pulse()
    session.turn(1, "top", -0.1875)  # after which a mark is expected at mirror 2
    session.hang(MIRROR_2)
    with pytest.raises(Refused, match=said):
        session.pulse()
    assert [entry.kind for entry in session.snapshot().events] == ["mark", "mark", "turn"]


def test_of_several_new_marks_a_person_chooses_and_does_not_fire_again(tmp_path: Path) -> None:
    session = begun(tmp_path, reading("mirror-1", mark(1.0), mark(5.0)))
    session.hang(MIRROR_1)
    assert session.snapshot().pulse_is_due
    with pytest.raises(Refused, match="2 marks in the picture") as refused:
        session.pulse()
    assert (refused.value.path, refused.value.status) == ("choose", 409)
    assert not session.snapshot().pulse_is_due
    session.choose(1)
    (event,) = session.document()["events"]
    assert event["offset_mm"] == [5.0, -0.5]


@pytest.mark.parametrize("error", [KeyError("no such screw"), ValueError("no such screw"), OSError("full")])
def test_a_turn_that_the_source_cannot_do_is_not_saved(tmp_path: Path, error: Exception) -> None:
    class Stuck(Bench):
        def turn(self, mount: int, screw: str, turns: float) -> None:
            raise error

    session = begun(tmp_path, bench=Stuck())
    with pytest.raises(OSError if isinstance(error, OSError) else Refused) as refused:
        session.turn(1, "top", 0.25)
    if isinstance(refused.value, Refused):
        assert (refused.value.message, refused.value.path) == ("no such screw", "turn")
    assert session.snapshot().events == ()

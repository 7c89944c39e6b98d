"""What the camera sees comes before what is said: wrong card, no card, old mark; what counts as a blank."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from firmware import Frame
from server.log import Log
from server.session.session import Refused, Session
from server.sources.base import NoPicture, Place
from tests.pages.doubles import MACHINE, VIEW, Bench, Script, blank_card, mark, reading
from vision import NoReading

LIFTED = replace(VIEW, markers_seen=3)  # a corner is hidden: lifted off, or something lies over it
MIRROR_1 = Place("mirror-1", (0.0, 1000.0))


def at_the_camera(folder: Path, script: Script, *, kind: str = "camera", reads: bool = True) -> Session:
    bench = Bench(kind=kind, reads=reads)
    session = Session(Log(folder), bench, machine=MACHINE, services=script.services())
    session.acknowledge()
    return session


def test_another_card_in_view_is_never_believed(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script(card="mirror-3"))
    for _ in range(3):
        with pytest.raises(Refused, match=r"the one for mirror 3: hang the one for mirror 1") as refusal:
            session.hang(MIRROR_1)
        assert (refusal.value.path, refusal.value.status) == ("station", 409)
        assert session.snapshot().place is None


@pytest.mark.parametrize(
    ("script", "words"),
    [
        (Script(card=None), "No card is in view"),
        (Script(old_marks=1), "old mark"),
        (Script(view=LIFTED), "Only 3 of"),
    ],
)
def test_a_doubt_about_the_card_is_asked_once(tmp_path: Path, script: Script, words: str) -> None:
    session = at_the_camera(tmp_path, script)
    with pytest.raises(Refused, match=words):
        session.hang(MIRROR_1)
    assert session.snapshot().place is None
    session.hang(MIRROR_1)
    assert session.snapshot().place == MIRROR_1
    with pytest.raises(Refused, match=words):  # the next time it is another card and tape
        session.hang(MIRROR_1)


def test_what_nobody_sees_here_is_believed(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script(card=None), reads=False)
    session.hang(MIRROR_1)
    assert session.snapshot().place == MIRROR_1


@pytest.mark.parametrize(
    "seen", [reading("mirror-3"), blank_card("mirror-3"), NoReading("no card in view", "no-card")]
)
@pytest.mark.parametrize("kind", ["camera", "practice"])
def test_a_pulse_at_another_card_or_none_is_no_miss(tmp_path: Path, kind: str, seen: object) -> None:
    session = at_the_camera(tmp_path, Script([seen]), kind=kind)  # type: ignore[list-item]
    for _ in range(3):
        session.hang(MIRROR_1)
        with pytest.raises(Refused):
            session.pulse()
        with pytest.raises(Refused):
            session.no_mark(MIRROR_1)
    assert session.snapshot().misses == 0
    assert session.document()["events"] == []


def test_a_card_that_is_changed_behind_the_claim_is_seen_by_the_eye(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script())
    session.hang(MIRROR_1)
    assert session.snapshot().pulse_is_due
    session.card_in_view("mirror-2", reading("mirror-2").card, (72, 128))
    assert (session.snapshot().wrong_card, session.snapshot().pulse_is_due) == ("mirror-2", False)
    session.card_in_view("mirror-1", reading("mirror-1").card, (72, 128))
    assert session.snapshot().pulse_is_due


def test_a_blank_counts_after_two_pulses_and_not_before(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script([blank_card()]))
    session.hang(MIRROR_1)
    for _ in range(2):
        with pytest.raises(Refused, match="two pulses"):
            session.no_mark()
        with pytest.raises(Refused, match="no new mark"):
            session.pulse()
    session.no_mark()
    assert [event["kind"] for event in session.document()["events"]] == ["no-mark"]
    assert session.snapshot().misses == 0


def test_fresh_tape_begins_the_count_anew(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script([blank_card()]))
    for _ in range(2):
        session.hang(MIRROR_1)
        with pytest.raises(Refused, match="no new mark"):
            session.pulse()
    with pytest.raises(Refused, match="two pulses"):
        session.no_mark()


def test_beside_an_old_mark_a_blank_counts_only_where_the_new_one_cannot_lie_on_it(tmp_path: Path) -> None:
    old = reading("mirror-1", mark(9.0, 9.0, new=False))
    session = at_the_camera(tmp_path, Script([old]))
    session.hang(MIRROR_1)
    with pytest.raises(Refused, match="fresh tape"):
        session.pulse()
    assert session.snapshot().misses == 0
    assert not session.snapshot().pulse_is_due


@pytest.mark.parametrize(
    ("kind", "words"),
    [("offline", "Send a second photo, choose"), ("practice", "Choose"), ("camera", "Choose")],
)
def test_only_a_photo_is_asked_for_once_more(tmp_path: Path, kind: str, words: str) -> None:
    hidden = replace(blank_card(), on_top=replace(mark(1.0, -2.0), sigma_mm=(0.3, 0.28)))
    session = at_the_camera(tmp_path, Script([hidden]), kind=kind)
    session.hang(MIRROR_1)
    with pytest.raises(Refused) as refusal:
        session.pulse()
    assert f"or the pulse missed. {words} the old mark" in refusal.value.message


def test_a_pulse_that_may_lie_on_the_old_mark_is_offered_there_with_its_doubt(tmp_path: Path) -> None:
    hidden = replace(blank_card(), on_top=replace(mark(1.0, -2.0), sigma_mm=(0.3, 0.28)))
    session = at_the_camera(tmp_path, Script([hidden]))
    session.hang(MIRROR_1)
    with pytest.raises(Refused, match=r"In doubt: .* on top of the old mark, to ± 0\.3 mm") as refusal:
        session.pulse()
    assert (refusal.value.path, refusal.value.status) == ("choose", 409)
    assert session.snapshot().misses == 0
    assert not session.snapshot().pulse_is_due  # the tape is no longer fresh
    session.choose(0)
    (event,) = session.document()["events"]
    assert (event["offset_mm"], event["sigma_mm"]) == ([1.0, -2.0], [0.3, 0.28])


def test_where_nobody_sees_a_blank_it_is_said_twice(tmp_path: Path) -> None:
    session = at_the_camera(tmp_path, Script(), kind="offline", reads=False)
    with pytest.raises(Refused, match="second pulse"):
        session.no_mark(MIRROR_1)
    assert session.document()["events"] == []
    session.no_mark(MIRROR_1)
    assert [event["kind"] for event in session.document()["events"]] == ["no-mark"]


def test_a_camera_unplugged_after_it_saw_the_card_casts_no_doubt(tmp_path: Path) -> None:
    class Blinks(Bench):
        looks = 0

        def look(self, *, newer_than: int, timeout_s: float) -> Frame:
            self.looks += 1
            if self.looks > 1:
                raise NoPicture("unplugged")
            return super().look(newer_than=newer_than, timeout_s=timeout_s)

    services = Script(old_marks=1).services()
    session = Session(Log(tmp_path), Blinks(kind="camera"), machine=MACHINE, services=services)
    session.acknowledge()
    session.hang(MIRROR_1)
    assert session.snapshot().place == MIRROR_1

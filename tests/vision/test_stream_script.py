"""A stream whose frames are told instead of painted: what it says, when, and which pictures it compares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from test_stream import MARK, VIEW, change, follower, moved

from vision import live
from vision.errors import BarRefused
from vision.live import Stream
from vision.pulse import Change, Quiet
from vision.reading import NoReading, Reading

STILL = change((0.0, 0.0), 0.0, radius=0.0)
HAND = replace(change((0.0, 0.0), -90.0), share=0.6)
BURN = change((3.0, 2.0), -40.0)
READING = Reading("mirror-1", (MARK,), VIEW)
NOTHING = NoReading("no new mark", "no-mark", VIEW, "mirror-1")


class Calm:
    """Stands for the quiet picture."""

    grid_of = staticmethod(Quiet.grid_of)

    def __init__(self, number: int) -> None:
        self.number, self.drifted = number, 0

    @staticmethod
    def of(picture: np.ndarray, _) -> Calm:
        return Calm(int(picture[0, 0, 0]))

    def drift(self, _: Change) -> None:
        self.drifted += 1


class Script:
    """Feeds numbered pictures, ten a second, each with the change that is told for it."""

    def __init__(self) -> None:
        self.stream, self.number, self.time_s = Stream(), 0, 100.0
        self.tracked, self.found = VIEW, ("mirror-1", VIEW)
        self.change, self.answer, self.older, self.again = STILL, (READING, follower((3.0, 2.0))), [], MARK
        self.step, self.compared, self.cleared = None, [], 0

    def show(self, change: Change = STILL, count: int = 1, every_s: float = 0.1) -> list[str]:
        told = []
        self.change = change
        for _ in range(count):
            self.number, self.time_s = self.number + 1, self.time_s + every_s
            self.last = self.stream.feed(np.full((2, 2, 3), self.number, np.uint8), self.time_s)
            told += self.last.events
        return told

    # what a stream asks of the rest of vision
    def track(self, *_):
        return self.tracked

    def find_card(self, *_, **__):
        if isinstance(self.found, Exception):
            raise self.found
        return self.found

    def read_between(self, _station, after, _view, before, _before_view):
        self.compared.append((int(before[0, 0, 0]), int(after[0, 0, 0])))
        return self.answer

    def take(self, *_):
        step, self.step = self.step, None
        return step

    def clear(self):
        self.cleared += 1


@pytest.fixture
def script(monkeypatch) -> Iterator[Script]:
    one = Script()
    one.stream._steps = one
    for name in ("track", "find_card", "read_between"):
        monkeypatch.setattr(live, name, getattr(one, name))
    monkeypatch.setattr(live, "change_from", lambda *_: one.change)
    monkeypatch.setattr(live, "marks_on", lambda *_, **__: one.older)
    monkeypatch.setattr(live, "follow", lambda *_: one.again)
    monkeypatch.setattr(live, "Quiet", Calm)
    monkeypatch.setattr(live, "to_grey", lambda picture: picture)
    yield one


def settled(script: Script) -> Script:
    """A card is there, and one mark on it has been read."""
    assert script.show(count=4) == ["card found"]
    assert script.show(BURN, 5) == ["pulse seen", "mark settled"]
    return script


def test_the_third_frame_with_a_card_is_the_quiet_one(script):
    script.found = NoReading("no card", "no-card")
    script.tracked = None
    assert script.show() == []
    assert (script.last.reason, script.last.card, script.last.station) == ("no card", None, None)
    script.found, script.tracked = ("mirror-1", VIEW), VIEW
    assert script.show() == ["card found"]
    assert (script.last.reason, script.last.card, script.last.station) == (None, VIEW, "mirror-1")
    script.show()
    assert script.stream._quiet is None
    script.show()
    assert script.stream._quiet.number == 4
    assert script.show(count=3) == []
    assert script.stream._quiet.drifted == 3


def test_a_card_that_is_lost_and_another_one(script):
    settled(script)
    script.tracked, script.found = None, NoReading("hidden", "no-card")
    assert script.show(count=2) == ["card lost"]
    assert script.last.reading is script.stream._reading is READING
    script.found = ("mirror-1", VIEW)
    assert script.show() == ["card found"]
    assert script.stream._reading is not None  # the same card, the same tape
    script.found = ("mirror-2", VIEW)
    script.show()
    assert (script.last.station, script.last.reading) == ("mirror-2", None)
    script.show(count=3)
    script.found = ("mirror-2", replace(VIEW, size="small"))
    script.show()
    assert script.stream._calm == 1  # of another size: another card too
    script.found = BarRefused("no such bar")
    assert script.show() == ["card lost"]
    assert script.last.reason == "no such bar"


def test_a_change_is_read_once_it_has_kept_its_pattern_for_a_third_of_a_second(script):
    script.show(count=4)
    assert script.show(BURN) == ["pulse seen"]
    assert script.show(replace(BURN, contrast=50.0), 2) == []
    assert script.show(replace(BURN, contrast=45.0)) == []
    assert script.compared == []
    assert script.show(BURN) == ["mark settled"]
    assert script.compared == [(3, 6)]  # the frame of greatest contrast with the quiet one
    assert script.last.reading is READING
    assert script.stream._quiet.number == 6


def test_a_change_that_goes_on_changing_is_waited_for(script):
    script.show(count=4)
    script.show(BURN, 3)
    assert script.show(change((-3.0, 2.0), -40.0), 4) == []  # a flame that moved: the wait begins anew
    assert script.show(change((-3.0, 2.0), -40.0)) == ["mark settled"]


def test_smoke_that_never_clears_is_given_up_after_twenty_seconds(script):
    script.show(count=4)
    assert script.show(BURN) == ["pulse seen"]
    assert script.show(HAND, 39, 0.5) == []
    assert script.show(HAND, 1, 0.4) == []
    assert script.show(HAND, 1, 0.2) == ["no mark"]
    assert script.compared == []
    assert script.stream._quiet.number == script.number


def test_a_hand_is_told_once_and_what_stays_two_seconds_is_the_new_tape(script):
    settled(script)
    assert script.show(HAND, 20) == ["hand in view"]
    assert script.last.reading is not None
    script.again = None
    assert script.show(HAND, 2) == []
    assert script.last.reading is None
    assert script.stream._quiet.number == script.number


def test_a_hand_that_moves_or_goes_changes_nothing(script):
    settled(script)
    quiet, other = script.stream._quiet, replace(change((9.0, 9.0), -90.0), share=0.6)
    for _ in range(15):
        script.show(HAND)
        script.show(other)
    assert script.stream._quiet is quiet
    assert script.show() == []
    assert script.show(HAND) == ["hand in view"]


def test_a_mark_seen_again_after_a_lamp_changed_is_kept(script):
    settled(script)
    script.again = replace(MARK, offset_mm=(3.1, 2.0))
    script.show(HAND, 22)
    assert script.stream._reading is READING
    script.show()
    assert script.last.reading.marks[0].offset_mm == (3.1, 2.0)


@pytest.mark.parametrize("disturbed", [False, True])
def test_a_change_undone_is_a_mark_that_fades_or_tape_that_was_changed(script, disturbed):
    settled(script)
    if disturbed:
        script.show(HAND)
    assert script.show(change((3.0, 2.0), 30.0)) == []
    assert (script.last.reading is None) == disturbed
    assert script.stream._follower is None
    assert script.stream._quiet.number == script.number


def test_a_told_pulse_that_changes_nothing_is_answered_after_1_2_s(script):
    script.show(count=4)
    script.stream.pulse_told(script.time_s)
    assert script.show(every_s=1.19) == []
    assert script.show(every_s=0.02) == ["no mark"]
    assert script.show(count=20) == []
    script.older = [follower((0.0, 0.0))]
    script.stream.pulse_told(script.time_s)
    assert script.show(every_s=1.25) == ["on top"]
    assert script.last.on_top.new is True
    assert script.last.on_top.offset_mm == (0.0, 0.0)
    assert script.show() == []
    assert script.last.on_top is None


@pytest.mark.parametrize(
    ("burn", "told", "old", "said"),
    [
        (BURN, False, [], "no mark"),
        (BURN, False, [(-9.0, 9.0)], "no mark"),  # it lies elsewhere
        (BURN, False, [(3.0, 2.0)], "on top"),
        (BURN, True, [(-9.0, 9.0)], "on top"),
        (replace(BURN, brighter=25.1), False, [(-9.0, 9.0)], "on top"),  # it flashed
        (replace(BURN, brighter=25.0), False, [(-9.0, 9.0)], "no mark"),
    ],
)
def test_what_cannot_be_read_lies_on_an_old_mark_or_is_none(script, burn, told, old, said):
    script.show(count=4)
    script.answer, script.older = (NOTHING, None), [follower(at) for at in old]
    if told:
        script.stream.pulse_told(script.time_s)
    assert script.show(burn) == ["pulse seen"]
    assert script.show(BURN, 4) == [said]
    assert script.last.reading is None
    assert script.show(count=20) == []  # a told pulse has been answered


def test_a_faint_step_in_time_is_read_or_lies_on_an_old_mark(script):
    script.show(count=4)
    script.step = BURN.changed
    assert script.show() == ["pulse seen", "mark settled"]
    assert script.last.reading is READING
    script.answer, script.step = (NOTHING, None), BURN.changed
    quiet = script.stream._quiet
    assert script.show() == []
    assert script.stream._quiet is quiet
    script.older, script.step = [follower((-9.0, 9.0))], BURN.changed
    assert script.show() == []
    script.older, script.step = [follower((3.0, 2.0))], BURN.changed
    assert script.show() == ["pulse seen", "on top"]
    assert script.stream._quiet.number == script.number
    script.older, script.step = [follower((3.0, 2.0)), follower((-9.0, 9.0))], BURN.changed
    assert script.show() == ["pulse seen", "no mark"]  # on which of the two nobody knows


def test_the_picture_before_is_a_second_and_twelve_frames_old(script):
    script.show(count=3)
    for _ in range(60):
        script.show(every_s=0.06)
        before = int(script.stream._before[0][0, 0, 0])
        assert before == 3 or 17 <= script.number - before <= 2 * 17
    assert before > 3
    script.show(count=40, every_s=0.4)
    before = int(script.stream._before[0][0, 0, 0])
    assert 12 <= script.number - before <= 24


def test_a_knocked_camera_is_told(script):
    script.show(count=4)
    script.tracked = moved(3.0)  # 0.6 mm
    assert script.show(count=2) == []
    script.tracked = moved(4.0)
    assert script.show(count=2) == ["card moved"]

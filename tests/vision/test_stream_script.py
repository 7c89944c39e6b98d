"""A stream whose frames are given as numbers: what it reports, when, and which pictures it compares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_stream import MARK, SIDE, VIEW, U, V, change, follower, moved

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
    """Feeds numbered pictures, ten a second, each with the change given for it."""

    def __init__(self) -> None:
        self.stream, self.number, self.time_s = Stream(), 0, 100.0
        self.tracked, self.found = VIEW, ("mirror-1", VIEW)
        self.change, self.answer, self.older, self.again = STILL, (READING, follower((3.0, 2.0))), [], MARK
        self.step, self.compared, self.cleared = None, [], 0

    def show(self, change: Change = STILL, count: int = 1, every_s: float = 0.1) -> list[str]:
        events = []
        self.change = change
        for _ in range(count):
            self.number, self.time_s = self.number + 1, self.time_s + every_s
            self.last = self.stream.feed(np.full((2, 2, 3), self.number, np.uint8), self.time_s)
            events += self.last.events
        return events

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
    assert script.show(change((-3.0, 2.0), -40.0), 4) == []  # a flame that moved: the wait begins again
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
    assert script.show() == ["pulse seen", "no mark"]  # on which of the two is not known


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


@pytest.mark.parametrize(("shown", "cleared"), [(STILL, 0), (HAND, 1), (BURN, 1)])
def test_frames_with_a_hand_or_a_pulse_are_no_part_of_a_step_in_time(script, shown, cleared):
    script.show(count=4)
    before = script.cleared
    script.show(shown)
    assert script.cleared - before == cleared


@pytest.mark.parametrize(
    ("axis", "px", "knocked"), [(0, 3.1, True), (1, 3.1, True), (1, -3.1, True), (1, 2.9, False)]
)
def test_a_knock_is_seen_along_both_sides_of_the_picture(script, axis, px, knocked):
    script.show(count=4)
    homography = VIEW.homography.copy()
    homography[axis, 2] += px
    script.tracked = replace(VIEW, homography=homography)
    assert script.show(count=2) == ["card moved"] * knocked


def test_a_knock_is_seen_when_the_card_is_found_again(script):
    script.show(count=4)
    script.tracked, script.found = None, ("mirror-1", moved(4.0))
    assert script.show() == ["card moved"]


def test_a_card_that_was_away_may_have_other_tape(script):
    """Nobody sees what is done meanwhile: what undoes the mark then is no fading."""
    settled(script)
    script.tracked, script.found = None, NoReading("hidden", "no-card")
    script.show()
    script.tracked, script.found = VIEW, ("mirror-1", VIEW)
    script.show()
    script.show(change((3.0, 2.0), 30.0))
    assert script.last.reading is None


@pytest.mark.parametrize(("alike", "fades"), [(-0.71, True), (-0.7, False)])
def test_a_mark_fades_where_a_change_is_the_opposite_of_its_own(script, monkeypatch, alike, fades):
    settled(script)
    monkeypatch.setattr(live, "like", lambda *_: alike)
    assert script.show(BURN) == ([] if fades else ["pulse seen"])


@pytest.mark.parametrize(("alike", "events"), [(0.97, ["mark settled"]), (0.96, [])])
def test_a_change_is_the_same_while_its_pattern_is(script, monkeypatch, alike, events):
    script.show(count=4)
    script.show(BURN)
    monkeypatch.setattr(live, "like", lambda *_: alike)
    assert script.show(BURN, 4) == events


@pytest.mark.parametrize(("alike", "renewed"), [(0.97, True), (0.96, False)])
def test_light_is_the_same_while_its_pattern_is(script, monkeypatch, alike, renewed):
    script.show(count=4)
    quiet = script.stream._quiet
    monkeypatch.setattr(live, "like", lambda *_: alike)
    script.show(HAND, 25)
    assert (script.stream._quiet is not quiet) == renewed


@pytest.mark.parametrize(("last_s", "said"), [(0.34, []), (0.36, ["mark settled"])])
def test_a_pattern_is_kept_from_its_first_frame_on(script, last_s, said):
    """Also if a later frame shows it with more contrast."""
    script.show(count=4)
    script.show(BURN)
    script.show(replace(BURN, contrast=90.0), every_s=0.2)
    assert script.show(BURN, every_s=last_s - 0.2) == said


@pytest.mark.parametrize(("wait_s", "renewed"), [(1.9, False), (2.1, True)])
def test_new_tape_stays_two_seconds(script, wait_s, renewed):
    script.show(count=4)
    quiet = script.stream._quiet
    script.show(HAND)
    script.show(HAND, every_s=wait_s)
    assert (script.stream._quiet is not quiet) == renewed


def test_a_hand_over_a_pulse_begins_the_wait_anew(script):
    script.show(count=4)
    script.show(BURN, 3)
    assert script.show(HAND) == []
    assert script.show(BURN, 4) == []
    assert script.show(BURN) == ["mark settled"]


def test_a_told_pulse_under_way_is_not_answered_before_it_is_read(script):
    script.show(count=4)
    script.stream.pulse_told(script.time_s)
    script.show(BURN)
    assert script.show(HAND, 14) == []
    assert script.show(BURN, 5) == ["mark settled"]
    assert script.show(count=20) == []  # and it has been answered


def test_a_flash_is_that_of_this_pulse(script):
    """What flashed before is forgotten with it."""
    settled(script)
    script.answer, script.older = (NOTHING, None), [follower((-9.0, 9.0))]
    script.show(replace(BURN, brighter=30.0))
    assert script.show(BURN, 4) == ["on top"]
    far = change((9.0, 2.0), -40.0)
    script.show(far)
    assert script.show(far, 4) == ["no mark"]


def test_the_picture_before_is_what_was_seen_before_the_last_look(script):
    """A look is taken after a second and twelve frames; the picture of the look before then counts."""
    script.show(count=3)
    for _ in range(11):  # frames 4 to 14, a second and more, but too few
        script.show(every_s=0.2)
    assert script.stream._fresher is None
    script.show(every_s=0.2)
    assert int(script.stream._fresher[0][0, 0, 0]) == 15
    assert int(script.stream._before[0][0, 0, 0]) == 3
    script.show(count=19, every_s=0.05)  # enough frames, but less than a second
    assert int(script.stream._fresher[0][0, 0, 0]) == 15
    script.show(count=2, every_s=0.05)
    assert int(script.stream._before[0][0, 0, 0]) == 15
    assert int(script.stream._fresher[0][0, 0, 0]) == (looked := script.number)
    script.show(count=11, every_s=0.2)
    assert int(script.stream._fresher[0][0, 0, 0]) == looked
    script.show(every_s=0.2)
    assert int(script.stream._fresher[0][0, 0, 0]) == looked + 12


def test_a_new_card_forgets_every_picture_of_the_old_one(script):
    settled(script)
    script.show(count=30)
    script.show(HAND)
    script.show(BURN)
    script.stream.pulse_told(script.time_s)
    before = script.cleared
    script.stream.fresh_card()
    names = "_quiet _before _best _follower _reading _pulse_s _wide _mark_change _told_s _fresher"
    assert [name for name in names.split() if getattr(script.stream, name) is not None] == []
    assert script.cleared == before + 1
    assert script.show(count=3) == []
    assert script.last.reading is None
    assert script.stream._quiet.number == script.number


def test_a_mark_that_is_hidden_keeps_its_last_reading(script):
    settled(script)
    script.again = None
    script.show()
    assert script.last.reading is READING


def test_pictures_are_straightened_first(script):
    class Camera:
        def straighten(self, picture):
            return picture + 100

    script.stream.camera = Camera()
    script.show(count=3)
    assert script.stream._quiet.number == 103


@pytest.mark.parametrize(("px", "lies"), [(9, False), (10, True)])
def test_most_of_a_step_must_lie_on_an_old_mark(px, lies):
    """Of 15 points, 10 are more than six in ten."""
    stepped = np.zeros((SIDE, SIDE), bool)
    on, off = np.argwhere(np.hypot(U, V) < 1.5), np.argwhere(np.hypot(U - 15, V) < 3.0)
    stepped[tuple(on[:px].T)] = stepped[tuple(off[: 15 - px].T)] = True
    assert live._lies_on(stepped, [follower((0.0, 0.0))], VIEW) == lies


@pytest.mark.parametrize("unit_mm", [1.0, 2.0])
@pytest.mark.parametrize(("beyond", "lies"), [(0.7, True), (0.9, False)])
def test_a_step_lies_on_a_mark_to_0_8_units_beside_its_edge(unit_mm, beyond, lies):
    """A mark of 5 mm is half as wide on a card whose unit is 2 mm."""
    radius = 2.5 / unit_mm
    old = SimpleNamespace(
        mark=replace(MARK, width_mm=(5.0, 1.0)),
        spot=SimpleNamespace(relative_radius=lambda u, v: np.hypot(u, v) / radius),
    )
    stepped = np.zeros((SIDE, SIDE), bool)
    away = np.abs(np.hypot(U, V) - radius - beyond)
    stepped[np.unravel_index(np.argmin(away), away.shape)] = True
    assert away.min() < 0.06
    assert live._lies_on(stepped, [old], replace(VIEW, unit_mm=unit_mm)) == lies


@pytest.mark.parametrize(("share", "lies"), [(1.31, True), (1 + 0.8 / 2.5, False), (1.33, False)])
def test_what_is_0_8_units_away_lies_beside_a_mark(share, lies):
    spot = SimpleNamespace(relative_radius=lambda u, v: np.full(u.shape, share))
    old = SimpleNamespace(mark=MARK, spot=spot)
    assert live._lies_on(np.hypot(U, V) < 1, [old], VIEW) == lies
    assert live._lies_on(np.hypot(U, V) < 1, [old], replace(VIEW, unit_mm=50.0))  # no mark is that small


def test_a_mark_that_faded_is_not_seen_again(script):
    settled(script)
    script.show(change((3.0, 2.0), 30.0))
    script.again = replace(MARK, offset_mm=(9.0, 9.0))
    script.show(count=2)
    assert script.last.reading is READING


@pytest.mark.parametrize(("every_s", "looked"), [(0.1, True), (0.05, False)])
def test_a_stream_that_begins_at_zero_takes_its_first_look_after_a_second(script, every_s, looked):
    script.time_s = 0.0
    script.show(count=16, every_s=every_s)
    assert (script.stream._fresher is not None) == looked


@pytest.mark.parametrize(("share", "lies"), [(3.6, True), (3.7, False)])
def test_a_tiny_mark_counts_as_0_3_units_wide(share, lies):
    old = SimpleNamespace(
        mark=MARK, spot=SimpleNamespace(relative_radius=lambda u, v: np.full(u.shape, share))
    )
    assert live._lies_on(np.hypot(U, V) < 1, [old], replace(VIEW, unit_mm=50.0)) == lies

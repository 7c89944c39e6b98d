from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware.camera.watchdog import Watch


def test_a_silent_camera_is_killed_and_restarted() -> None:
    watch = Watch(patience_s=2, warm_up_s=8, pauses_s=(0.5, 3))
    assert watch.order(0) == "start"
    watch.started(0)
    assert watch.order(7.9) == "wait"
    watch.frame(7.9)
    assert watch.next_look_s(8.0) == 1.9000000000000004
    assert watch.order(9.8) == "wait"
    assert watch.order(9.9) == "kill"
    assert "frozen" in (watch.problem or "")
    assert watch.order(10.3) == "wait"
    assert watch.order(10.4) == "start"


def test_a_machine_that_opens_its_camera_slowly_is_given_longer_each_time() -> None:
    watch, now_s, given = Watch(warm_up_s=8, pauses_s=(0.0,)), 0.0, []
    for _ in range(6):
        watch.started(now_s)
        given.append(watch.next_look_s(now_s))
        now_s += given[-1]
        assert watch.order(now_s) == "kill"
    assert given == [8, 16, 32, 64, 64, 64]
    watch.started(now_s)
    watch.frame(now_s)
    assert watch.next_look_s(now_s) == watch.patience_s  # it is open now: a silence counts as before
    watch.order(now_s + watch.patience_s)
    watch.started(now_s)
    assert watch.next_look_s(now_s) == 8


def test_pauses_grow_and_a_frame_ends_the_trouble() -> None:
    watch, starts, now_s = Watch(pauses_s=(1, 2, 4)), [], 0.0
    for _ in range(5):
        now_s += watch.next_look_s(now_s)
        assert watch.order(now_s) == "start"
        starts.append(now_s)
        watch.started(now_s)
        watch.died(now_s, "not there")
    assert [b - a for a, b in pairwise(starts)] == [1, 2, 4, 4]
    assert watch.problem == "not there"
    watch.started(now_s)
    watch.frame(now_s)
    assert (watch.failures, watch.problem) == (0, None)


def test_a_camera_that_is_plugged_in_is_tried_at_once() -> None:
    watch = Watch(pauses_s=(0.2, 60))
    for now_s in (0.0, 1.0):
        watch.started(now_s)
        watch.died(now_s, "not there")
    assert watch.order(30) == "wait"
    watch.appeared(30)
    assert watch.order(30) == "start"
    watch.started(30)
    watch.appeared(31)  # while one that looked too early is still at it
    assert watch.order(31) == "wait"
    watch.died(32, "not there")
    assert watch.next_look_s(32) == pytest.approx(0.2)


def test_dying_twice_counts_once() -> None:
    watch = Watch()
    watch.started(0)
    watch.died(1, "first")
    watch.died(1, "second")
    assert (watch.failures, watch.problem) == (1, "first")


@given(st.lists(st.tuples(st.sampled_from(["frame", "died", "pass"]), st.floats(0, 5)), max_size=30))
def test_whatever_happens_it_is_started_again_within_the_longest_pause(story) -> None:
    watch, now_s = Watch(), 0.0
    for what, passed_s in story:
        now_s += passed_s
        order = watch.order(now_s)
        if order == "start":
            watch.started(now_s)
        elif what == "frame" and order == "wait":
            watch.frame(now_s)
        elif what == "died":
            watch.died(now_s, "gone")
    watch.died(now_s, "gone")
    assert watch.order(now_s + 5.0) == "start"

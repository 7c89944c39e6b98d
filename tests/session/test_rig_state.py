"""What is reported to a page about the hardware, and when."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from firmware.health import Finding
from server.session.rig_state import RigView
from server.session.snapshot import LiveMark, RigSight
from tests.session.conftest import Clock

HOT, OLD, DARK = Finding("hot", "hot", True), Finding("clock", "clock", False), Finding("dark", "dark", True)


class View(RigView):
    """A view that counts what it announces."""

    def __init__(self, clock: Any) -> None:
        self.announced = 0
        super().__init__(threading.Condition(), self._count, clock=clock)

    def _count(self) -> None:
        self.announced += 1


@pytest.fixture
def view(clock: Clock) -> View:
    return View(clock)


def live(u_mm: float) -> LiveMark:
    return LiveMark("mirror-1", (u_mm, 0.0), (0.1, 0.1), 1.0, 1.0)


def test_faults_are_shown_urgent_ones_first_and_announced_when_they_change(view: View) -> None:
    view.set_faults([])
    assert view.announced == 0
    view.set_faults([OLD, HOT, DARK])
    assert view.now().faults == (HOT, DARK, OLD)
    view.set_faults([HOT, DARK, OLD])
    assert view.announced == 1
    view.set_faults([])
    assert (view.now().faults, view.announced) == ((), 2)


@pytest.mark.parametrize(
    ("own", "rigs", "closed"),
    [
        (None, [], None),
        (None, [None], None),
        (None, [True, None], True),
        (None, [True, False], False),
        (True, [False], True),
        (False, [True], False),
    ],
)
def test_the_lid_here_comes_before_those_of_other_rigs(
    view: View, own: bool | None, rigs: list[bool | None], closed: bool | None
) -> None:
    view.set_lid(own)
    assert view.announced == (own is not None)
    view.set_lid(own)
    assert view.announced == (own is not None)
    for number, lid in enumerate(rigs):
        view.set_rig(RigSight(f"rig-{number}", lid_closed=lid), None)
    assert view.lid_closed is closed
    assert view.now().lid_closed is closed


def test_the_live_mark_has_a_version_of_its_own_and_nothing_twice_in_a_row_none(view: View) -> None:
    view.set_live(None)
    assert view.live_version == 0
    for version, seen in enumerate((live(1.0), live(1.0), None), start=1):
        view.set_live(seen)
        assert (view.now().live, view.live_version) == (seen, version)
    view.set_live(None)
    assert (view.live_version, view.announced) == (3, 0)


def test_where_the_beam_struck_first_is_kept_until_something_is_done(view: View) -> None:
    view.set_beam(None)
    assert (view.now().from_mm, view.announced) == (None, 0)
    for u_mm in (1.0, 2.0):
        view.set_beam(live(u_mm))
        assert (view.now().from_mm, view.now().live, view.announced) == ((1.0, 0.0), live(u_mm), 1)
    view.set_beam(None)
    assert (view.now().from_mm, view.now().live) == ((1.0, 0.0), None)
    view.forget_live()
    assert view.now().from_mm is None
    view.set_beam(live(3.0))
    assert (view.now().from_mm, view.announced) == ((3.0, 0.0), 2)


def test_whoever_waits_is_woken_by_a_live_mark(view: View) -> None:
    woken = threading.Event()
    with view._changed:
        waits = threading.Thread(target=lambda: (wait(view), woken.set()), daemon=True)
        waits.start()
    while not woken.wait(0.01) and waits.is_alive():
        view.set_live(live(1.0))
    assert woken.is_set()


def wait(view: View) -> None:
    with view._changed:
        view._changed.wait(60)


def test_the_pictures_of_a_rig_are_counted_and_it_is_silent_after_a_while(view: View, clock: Clock) -> None:
    for number, picture in enumerate((None, b"one", None, b"two")):
        view.set_rig(RigSight("far"), picture)
        (rig,) = view.now().rigs
        assert (rig.seen, rig.has_picture) == ((number + 1) // 2, number > 0)
    assert view.pictures == {"far": b"two"}
    clock.sleep(20.0)
    assert not view.now().rigs[0].silent
    clock.sleep(0.1)
    assert view.now().rigs[0].silent


@pytest.mark.parametrize(
    ("kept", "dropped"),
    [
        ({"delivers": True}, {}),  # the log has readings from it
        ({"address": "192.0.2.1"}, {"address": "192.0.2.2"}),  # the others share an address
        ({}, {"silent": True}),
    ],
)
def test_of_too_many_rigs_the_one_of_least_worth_is_dropped(
    view: View, clock: Clock, kept: dict[str, Any], dropped: dict[str, Any]
) -> None:
    silent = dropped.pop("silent", False)
    view.set_rig(RigSight("kept"), b"kept", **kept)
    view.set_rig(RigSight("gone"), b"gone", **dropped)
    if silent:
        clock.sleep(20.1)
        view.set_rig(RigSight("kept"), b"kept")
    for number in range(6):
        clock.sleep(0.1)
        view.set_rig(RigSight(f"rig-{number}"), None, **dropped)
    assert len(view.now().rigs) == 8  # nobody was dropped so far
    clock.sleep(0.1)
    view.set_rig(RigSight("new"), None, **dropped)
    names = {rig.name for rig in view.now().rigs}
    assert len(names) == 8 and {"kept", "new"} <= names
    assert "gone" not in names and "gone" not in view.pictures

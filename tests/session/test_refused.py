"""What was refused was not done: the practice screw did not move, and forged names hide no rig."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from server.log import Log, LogError
from server.practice import PracticeMachine
from server.session.rig_state import MOST_RIGS, SILENT_S, RigView
from server.session.services import Refused, refusing
from server.session.session import Session
from server.session.snapshot import RigSight
from server.solver import DocumentError, profile_as_json
from server.sources.practice_source import PracticeSource
from tests.session.conftest import Clock


@pytest.fixture
def practice(tmp_path: Path) -> Session:
    machine = PracticeMachine(3)
    session = Session(Log(tmp_path), PracticeSource(machine), machine=profile_as_json(machine.profile))
    session.acknowledge()
    return session


@pytest.mark.parametrize("action", ["turn", "shift"])
def test_a_turn_that_the_log_does_not_take_was_not_made(
    practice: Session, action: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise LogError("the disk is full")

    before = practice.source.to_json()
    with monkeypatch.context() as patch:
        patch.setattr(Log, "add_event", full)
        with pytest.raises(LogError):
            practice.turn(1, "top", 0.25) if action == "turn" else practice.shift("tube", [0.0, 0.0, 1.0])
    assert practice.source.to_json() == before
    assert practice.snapshot().events == ()
    practice.turn(1, "top", 0.25)
    assert practice.source.to_json() != before


@pytest.mark.parametrize("turns", [0.0, 21.0, float("nan")])
def test_a_turn_that_cannot_be_was_not_made(practice: Session, turns: float) -> None:
    before = practice.source.to_json()
    with pytest.raises(Refused):
        practice.turn(1, "top", turns)
    assert practice.source.to_json() == before


@pytest.mark.parametrize(
    ("path", "shown"),
    [
        ("events.3.turns", "turns"),
        ("events.3.head_mm.0", "head_mm.0"),
        ("events.3", "events.3"),
        ("events", "events"),
        ("machine.bed.width_mm", "machine.bed.width_mm"),
        ("bed.zero.corner", "bed.zero.corner"),
    ],
)
def test_a_refusal_names_the_field_and_not_the_event_that_was_made_for_it(path: str, shown: str) -> None:
    with pytest.raises(Refused) as refused, refusing():
        raise DocumentError(path, "is wrong")
    assert refused.value.path == shown


@pytest.fixture
def view(clock: Clock) -> RigView:
    return RigView(threading.Condition(), lambda: None, clock=clock)


def names(view: RigView) -> set[str]:
    return {rig.name for rig in view.now().rigs}


@pytest.mark.parametrize(
    ("address", "delivers"), [("192.0.2.7", False), ("192.0.2.66", True), ("192.0.2.66", False)]
)
def test_forged_names_do_not_hide_an_honest_rig(
    view: RigView, clock: Clock, address: str, delivers: bool
) -> None:
    for number in range(3 * MOST_RIGS):
        clock.sleep(0.01)
        view.set_rig(RigSight(f"forged-{number}", None), b"picture", address="192.0.2.66")
    view.set_rig(RigSight("honest", None), None, address=address, delivers=delivers)
    assert "honest" in names(view)
    assert len(names(view)) == MOST_RIGS
    assert len(view.pictures) < MOST_RIGS
    if (address, delivers) != ("192.0.2.66", False):  # it can be told apart: it stays, whatever else comes
        for number in range(3 * MOST_RIGS):
            clock.sleep(0.01)
            view.set_rig(RigSight(f"more-{number}", None), None, address="192.0.2.66")
        assert "honest" in names(view)


def test_only_what_changes_about_a_rig_is_announced(clock: Clock) -> None:
    announced: list[int] = []
    view = RigView(threading.Condition(), lambda: announced.append(1), clock=clock)
    changes = (
        (RigSight("far", None), None),
        (RigSight("far", "mirror-1"), None),
        (RigSight("far", "mirror-1"), b"picture"),
        (RigSight("far", "mirror-1"), b"picture"),
    )
    for number, (sight, picture) in enumerate(changes, start=1):
        view.set_rig(sight, picture)
        assert len(announced) == number
    view.set_rig(RigSight("far", "mirror-1"), None)
    assert len(announced) == len(changes)


def test_silent_rigs_are_dropped_first(view: RigView, clock: Clock) -> None:
    view.set_rig(RigSight("gone", None), None, address="192.0.2.1", delivers=True)
    clock.sleep(SILENT_S + 1)
    for number in range(MOST_RIGS):
        view.set_rig(RigSight(f"rig-{number}", None), None, address="192.0.2.2")
    assert "gone" not in names(view)

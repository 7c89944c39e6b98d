"""What a hand did is the step that was asked for only if it is that step in every part."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from server.session.session import Session
from server.session.snapshot import expect_of
from tests.pages.doubles import EXPECT, MACHINE, Bench, Script, new_log, step_of

Json = dict[str, Any]
TURN: Json = {"do": "turn", "mount": 2, "screw": "side", "turns": 0.25, "say": "Turn.", "expect": EXPECT}
SHIFT: Json = {"do": "shift", "part": "mirror-2", "move_mm": [0.5, -0.5, 1], "say": "Move.", "expect": EXPECT}
LOOK: Json = {"do": "inspect", "cause": "loose-mount-2", "say": "Look.", "expect": EXPECT}


def did(folder: Path, step: Json, act: str, *what: Any, turned: bool = False) -> tuple[Session, Bench]:
    bench = Bench()
    session = Session(
        new_log(folder), bench, machine=MACHINE, services=Script().services(lambda _: step_of(step))
    )
    session.acknowledge()
    if turned:
        session.ease(2, "side", 1)
    getattr(session, act)(*what)
    return session, bench


@pytest.mark.parametrize(
    ("step", "act", "what"),
    [
        (TURN, "turn", (2, "side", 0.25)),
        (SHIFT, "shift", ("mirror-2", [0.5, -0.5, 1.0])),
        (LOOK, "inspected", ("loose-mount-2", "fixed")),
        (LOOK, "inspected", ("loose-mount-2", "nothing-found")),
    ],
)
def test_the_step_that_was_asked_for_has_an_aim(
    tmp_path: Path, step: Json, act: str, what: tuple[Any, ...]
) -> None:
    session, bench = did(tmp_path, step, act, *what)
    assert session.snapshot().said.startswith("Done")
    assert session.snapshot().aimed == expect_of(EXPECT)
    assert (act, what) in bench.asked


@pytest.mark.parametrize(
    ("step", "act", "what"),
    [
        (TURN, "turn", (1, "side", 0.25)),
        (TURN, "turn", (3, "side", 0.25)),
        (TURN, "turn", (2, "diagonal", 0.25)),
        (TURN, "turn", (2, "top", 0.25)),
        (TURN, "turn", (2, "side", -0.25)),
        (TURN, "turn", (2, "side", 0.5)),
        (TURN, "shift", ("tube", [1.0, 0.0, 0.0])),
        (TURN, "inspected", ("loose-mount-2", "fixed")),
        (SHIFT, "shift", ("mirror-1", [0.5, -0.5, 1.0])),
        (SHIFT, "shift", ("tube", [0.5, -0.5, 1.0])),
        (SHIFT, "shift", ("mirror-2", [0.4, -0.5, 1.0])),
        (SHIFT, "shift", ("mirror-2", [0.5, -0.5, 1.5])),
        (SHIFT, "turn", (2, "side", 0.25)),
        (LOOK, "inspected", ("loose-mount-1", "fixed")),
        (LOOK, "inspected", ("loose-mount-3", "fixed")),
    ],
)
def test_anything_beside_it_is_saved_without_an_aim(
    tmp_path: Path, step: Json, act: str, what: tuple[Any, ...]
) -> None:
    session, bench = did(tmp_path, step, act, *what)
    assert "not the step asked for" in session.snapshot().said
    assert session.snapshot().aimed is None
    assert len(session.snapshot().events) == 1
    assert (act, what) in bench.asked


@pytest.mark.parametrize(("turns", "by_hand"), [(0.25, 0), (0.5, 1), (-0.25, 1)])
def test_a_screw_that_was_held_has_made_the_asked_turn_and_no_other(
    tmp_path: Path, turns: float, by_hand: int
) -> None:
    session, bench = did(tmp_path, TURN, "turn", 2, "side", turns, turned=True)
    assert [name for name, _ in bench.asked].count("turn") == by_hand
    assert not session.snapshot().turned


def test_what_the_hand_was_seen_to_do_is_made_and_saved_beside_what_was_asked(tmp_path: Path) -> None:
    bench = Bench()
    session = Session(
        new_log(tmp_path), bench, machine=MACHINE, services=Script().services(lambda _: step_of(TURN))
    )
    session.turn(2, "side", 0.25, went=0.125)
    assert ("turn", (2, "side", 0.125)) in bench.asked
    (entry,) = session.snapshot().events
    assert (session.document()["events"][0]["turns"], entry.asked_turns) == (0.125, 0.25)
    assert session.snapshot().aimed == expect_of(EXPECT)

"""A held practice screw: the asked turn takes six seconds, within limits, and ends when let go."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from server.session.session import Refused, Session
from server.solver import Step
from tests.pages.doubles import MACHINE, Bench, Script, blank_card, new_log, reading
from tests.session.conftest import Clock

LOOK_S = 0.2


def held(
    folder: Path, clock: Clock, turns: float | None, script: Script | None = None
) -> tuple[Session, Bench]:
    bench, step = Bench(), Step("turn", mount=1, screw="top", turns=turns)
    services = (script or Script()).services(lambda _: step)
    session = Session(new_log(folder), bench, machine=MACHINE, services=services, clock=clock)
    session.acknowledge()
    return session, bench


def eased(bench: Bench) -> list[float]:
    return [what[2] for name, what in bench.asked if name == "ease"]  # type: ignore[index]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(
    ("turns", "per_s"),
    [
        (0.6, 0.1),  # the whole turn in six seconds
        (-0.6, 0.1),
        (None, 0.25 / 6),  # not asked for: as a quarter turn
        (0.12, 1 / 40),  # never slower than this
        (3.0, 1 / 4),  # nor faster
    ],
)
def test_a_held_screw_turns_evenly(
    tmp_path: Path, clock: Clock, turns: float | None, per_s: float, way: int
) -> None:
    session, bench = held(tmp_path, clock, turns)
    for _ in range(4):
        session.ease(1, "top", way)
        clock.sleep(LOOK_S)
    assert eased(bench)[0] == 0.0  # the first call of a step only looks
    assert eased(bench)[1:] == pytest.approx([way * per_s * LOOK_S] * 3)


def test_a_slow_computer_looks_sixteen_times_over_the_asked_turn(tmp_path: Path, clock: Clock) -> None:
    session, bench = held(tmp_path, clock, 0.16)
    for _ in range(3):
        session.ease(1, "top", 1)
        clock.sleep(0.45)
    assert eased(bench)[1:] == pytest.approx([0.01] * 2)


def test_after_a_pause_it_goes_on_as_if_it_had_just_been_taken_hold_of(tmp_path: Path, clock: Clock) -> None:
    session, bench = held(tmp_path, clock, 0.6)
    session.ease(1, "top", 1)
    clock.sleep(0.5)
    assert session.held_screw.held
    session.ease(1, "top", 1)
    clock.sleep(0.6)
    assert not session.held_screw.held and session.held_screw.shown
    session.ease(1, "top", 1)
    assert eased(bench) == pytest.approx([0.0, min(0.1 * 0.5, 0.6 / 16), 0.1 * 0.1])


def test_letting_go_turns_nothing_and_counts_as_another_mark_on_the_tape(
    tmp_path: Path, clock: Clock
) -> None:
    session, bench = held(tmp_path, clock, 0.6)
    hung = session.hung
    session.ease(1, "top", 1)
    assert (session.hung, session.snapshot().turned, session.snapshot().used) == (hung, True, True)
    session.ease(1, "top", 0)
    assert eased(bench) == [0.0, 0.0]
    assert session.hung == hung + 1
    assert not session.held_screw.held


def test_a_beam_that_has_left_the_card_is_shown_as_gone(tmp_path: Path, clock: Clock) -> None:
    script = Script([reading("mirror-1")])
    session, bench = held(tmp_path, clock, 0.6, script)
    session.ease(1, "top", 1)
    looks, live = bench.frames, session.snapshot().rig.live
    assert live is not None and session.held_screw.shown
    script.readings = [blank_card()]
    session.ease(1, "top", 1)
    assert bench.frames == looks + 2  # one frame without a mark may be chance
    assert session.snapshot().rig.live is None
    clock.sleep(math.inf)
    assert not session.held_screw.shown


def test_a_mark_from_elsewhere_ends_what_the_hold_has_shown(tmp_path: Path, clock: Clock) -> None:
    session, _ = held(tmp_path, clock, 0.6)
    session.ease(1, "top", 1)
    clock.sleep(60.0)
    assert session.held_screw.shown
    session.rig.forget_live()
    assert not session.held_screw.shown


def test_without_a_picture_a_hold_is_refused_and_ends_when_it_is_let_go(tmp_path: Path, clock: Clock) -> None:
    session, bench = held(tmp_path, clock, 0.6)
    bench.dark = True
    with pytest.raises(Refused) as refused:
        session.ease(1, "top", 1)
    assert (refused.value.path, refused.value.status) == ("camera", 409)
    clock.sleep(0.6)
    assert not session.held_screw.held


@pytest.mark.parametrize("error", [KeyError("no screw of that name"), ValueError("no screw of that name")])
def test_a_screw_that_is_none_is_refused(tmp_path: Path, clock: Clock, error: Exception) -> None:
    session, bench = held(tmp_path, clock, 0.6)

    def none(*_: Any) -> None:
        raise error

    bench.ease = none  # type: ignore[method-assign]
    with pytest.raises(Refused) as refused:
        session.ease(1, "nose", 1)
    assert (refused.value.path, refused.value.message) == ("screw", "no screw of that name")

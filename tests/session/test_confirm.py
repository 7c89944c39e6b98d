"""No long move of tube or mount on the word of one mark."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from server.log import Log
from server.session.confirm import confirm_step
from server.session.events import Event, MarkSeen, Turn
from server.session.session import Session
from server.solver import Step, parse_profile
from server.sources.base import Place
from tests.pages.doubles import BACK_LEFT, FRONT_LEFT, MACHINE, STEPS, Bench, Script, mark, reading, step_of

Json = dict[str, Any]
PROFILE = parse_profile(MACHINE)
HERE, THERE = (BACK_LEFT[0], BACK_LEFT[1]), (FRONT_LEFT[0], FRONT_LEFT[1])


def shift(up_mm: float) -> Step:
    return step_of({**STEPS[3], "move_mm": [0.0, 0.0, up_mm]})


def seen(u_mm: float, *, head: tuple[float, float] = HERE, sigma_mm: float = 0.05) -> MarkSeen:
    return MarkSeen("mirror-1", head, (u_mm, 0.0), (sigma_mm, sigma_mm), None)


def asks_again(*events: Event, up_mm: float = 16.0) -> bool:
    step = confirm_step(events, PROFILE, shift(up_mm))
    if step.do == "mark":
        assert (step.station, step.head_mm) == ("mirror-1", events[-1].head_mm)  # type: ignore[union-attr]
        assert "only when two readings agree" in step.why
    return step.do == "mark"


def test_a_long_move_waits_for_a_second_mark_that_agrees() -> None:
    assert asks_again(seen(16.0))
    assert not asks_again(seen(16.0), seen(16.3))
    assert asks_again(seen(16.0), seen(0.4))  # one of the two was wrong: the third tells which
    assert not asks_again(seen(16.0), seen(0.4), seen(0.5))


def test_a_short_move_does_not_wait() -> None:
    assert not asks_again(seen(3.0), up_mm=3.0)
    assert asks_again(seen(3.1), up_mm=3.1)


def test_the_newest_of_many_marks_is_the_one_to_confirm() -> None:
    assert asks_again(seen(0.4), seen(0.5), seen(8.0), seen(16.0))
    assert not asks_again(seen(16.0), seen(0.4), seen(8.0), seen(16.2))


@pytest.mark.parametrize(("apart_mm", "agree"), [(0.5, True), (0.6, False)])
def test_exact_readings_agree_within_half_a_millimetre(apart_mm: float, agree: bool) -> None:
    assert asks_again(seen(16.0, sigma_mm=0.0), seen(16.0 + apart_mm, sigma_mm=0.0)) is not agree


def test_the_part_that_would_move_is_named() -> None:
    step = step_of({**STEPS[3], "part": "mirror-2", "move_mm": [0.0, 0.0, 5.0]})
    assert "would move the whole mount of mirror 2" in confirm_step([seen(5.0)], PROFILE, step).why


def test_marks_elsewhere_or_from_before_a_turn_do_not_confirm() -> None:
    assert asks_again(seen(16.0), seen(16.0, head=THERE))
    assert asks_again(seen(16.0), Turn(1, "top", 0.25), seen(16.0))


def test_coarse_readings_agree_within_what_they_are_good_to() -> None:
    assert not asks_again(seen(16.0, sigma_mm=0.5), seen(17.5, sigma_mm=0.5))
    assert not asks_again(seen(16.0, sigma_mm=0.3), seen(17.4, sigma_mm=0.4))  # 3 sigmas are 1.5 mm
    assert asks_again(seen(16.0, sigma_mm=0.3), seen(17.6, sigma_mm=0.4))
    assert asks_again(seen(16.0, sigma_mm=0.1), seen(17.5, sigma_mm=0.1))


@pytest.mark.parametrize("second_mm", [16.1, 0.3])
def test_the_session_asks_for_it_before_it_asks_for_the_move(tmp_path: Path, second_mm: float) -> None:
    def due(document: Json) -> Step:
        return shift(16.0) if document["events"] else step_of(STEPS[0])

    script = Script([reading("mirror-1", mark(16.0, 0.0)), reading("mirror-1", mark(second_mm, 0.0))])
    with Log(tmp_path) as log:
        session = Session(log, Bench(), machine=MACHINE, services=script.services(due))
        session.acknowledge()
        for _ in range(2):
            session.hang(Place("mirror-1", HERE))
            session.pulse()
            assert session.snapshot().step.do in ("mark", "shift")
        assert session.snapshot().step.do == ("shift" if second_mm > 10 else "mark")

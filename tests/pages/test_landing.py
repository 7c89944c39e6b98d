"""Overshoot, wrong way and wrong screw are recognised by where the mark went."""

from __future__ import annotations

from typing import Any

import pytest

from server.pages.landing import landing
from tests.pages.test_view import row, seen, snapshot

AIM = {"station": "mirror-2", "head_mm": [0.0, 0.0], "offset_mm": [0.0, 0.0], "sigma_mm": 0.2}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.1}


def at(u: float, v: float) -> dict[str, Any]:
    return seen("mirror-2", u, v, [0.0, 0.0])


def landed(*events: dict[str, Any], aim: dict[str, Any] | None = AIM) -> dict[str, Any] | None:
    rows = [row(event, number) for number, event in enumerate(events)]
    return landing(snapshot({"do": "done", "say": "-"}, events=rows, aimed=aim))


@pytest.mark.parametrize(
    ("end", "kind"),
    [
        ((0.1, 0.2), "there"),
        ((2.0, 0.0), "short"),
        ((-1.5, 0.2), "far"),
        ((6.5, 0.1), "back"),
        ((3.5, 3.0), "aside"),
        ((4.0, 0.0), "short"),
    ],
)
def test_each_way_to_miss_has_its_word(end: tuple[float, float], kind: str) -> None:
    landing = landed(at(4.0, 0.0), TURN, at(*end))
    assert landing is not None
    assert landing["kind"] == kind


def test_the_bar_empties_with_the_way_still_to_go() -> None:
    landing = landed(at(4.0, 0.0), TURN, at(1.0, 0.0))
    assert landing is not None
    assert landing["left"] == pytest.approx(0.25)
    there = landed(at(4.0, 0.0), TURN, at(0.1, 0.0))
    assert there is not None
    assert there["left"] == 0


def test_without_an_aim_or_a_turn_before_it_nothing_is_said() -> None:
    assert landed(at(4.0, 0.0), TURN, at(0.0, 0.0), aim=None) is None
    assert landed(at(4.0, 0.0), at(0.0, 0.0)) is None
    assert landed(at(4.0, 0.0), TURN, seen("mirror-3", 1, 1)) is None
    assert landed() is None


def test_after_two_turns_the_first_mark_says_nothing_about_the_second() -> None:
    landing = landed(at(4.0, 0.0), TURN, TURN, at(9.0, 9.0))
    assert landing is not None
    assert landing["kind"] == "short"

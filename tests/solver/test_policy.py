"""The constants of the decision: each is explained; and examples of what some of them do."""

from __future__ import annotations

import re
from dataclasses import FrozenInstanceError, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.solver import answer, parse_alignment
from server.solver.decide import next_step, policy
from server.solver.decide.moves import Lever, direction
from server.solver.decide.policy import POLICY, Policy
from server.solver.decide.situation import Choice, look
from server.solver.estimate.belief import believe
from server.solver.estimate.samples import KEYS, everywhere, leans, limits, numbers, pushed, ratios
from server.solver.estimate.screws import DEAD, base_chances
from server.solver.machine import model as m
from server.solver.machine.trace import Rays
from server.solver.say import parts
from tests.machines import profile
from tests.solver.test_proof import FIVE, straight, within

SOURCE = Path(policy.__file__).read_text(encoding="utf-8")
USES = "".join(
    path.read_text(encoding="utf-8")
    for path in Path(policy.__file__).parent.glob("*.py")
    if path.stem != "policy"
)


@pytest.mark.parametrize("name", [field.name for field in fields(Policy)])
def test_each_number_is_explained_and_used(name: str) -> None:
    assert re.search(rf"^    {name}: .* = .*  # .{{10,}} \[[AW-]\]$", SOURCE, re.MULTILINE), name
    assert re.search(rf"\bPOLICY\.{name}\b", USES), name


def test_the_numbers_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        POLICY.gain = 0.5  # type: ignore[misc]


def first_mark(*offsets: list[float]) -> dict[str, Any]:
    events = [
        {"kind": "mark", "station": "mirror-1", "head_mm": [0.0, 400.0], "offset_mm": o, "sigma_mm": 0.05}
        for o in offsets
    ]
    return answer({"machine": profile("600"), "events": events})


def test_a_long_shift_waits_for_two_marks_that_agree() -> None:
    """One mark that is 7 mm off may be misread: it is made again, and the tube is moved if both agree."""
    again = first_mark([7.0, 0.0])
    assert (again["do"], again["station"], again["tape"]) == ("mark", "mirror-1", "fresh")
    assert "misread" in again["why"]
    assert first_mark([7.0, 0.0], [7.1, 0.0])["do"] == "shift"
    assert first_mark([7.0, 0.0], [0.2, 0.0])["do"] == "mark"


@pytest.mark.parametrize(
    "marks",
    [
        [
            ("mirror-1", 400.0, [9.0, -7.0]),
            ("mirror-1", 400.0, [0.3, -0.2]),
            ("mirror-1", 400.0, [0.28, -0.22]),
        ],
        [("mirror-1", 400.0, [0.3, -0.2]), ("mirror-1", 400.0, [9.0, -7.0])],
        [("mirror-1", 400.0, [0.3, -0.2]), ("mirror-2", 400.0, [9.0, -7.0])],
        [("mirror-1", 400.0, [0.3, -0.2]), ("mirror-2", 400.0, [9.0, -7.0]), ("mirror-2", 400.0, [0.1, 0.2])],
        [("mirror-1", 400.0, [0.3, -0.2]), ("mirror-2", 400.0, [9.0, -7.0]), ("mirror-2", 0.0, [1.0, 1.0])],
    ],
)
def test_nothing_is_moved_far_for_one_mark_that_others_do_not_bear_out(
    marks: list[tuple[str, float, list[float]]],
) -> None:
    events = [
        {"kind": "mark", "station": station, "head_mm": [0.0, y], "offset_mm": offset, "sigma_mm": 0.05}
        for station, y, offset in marks
    ]
    step = answer({"machine": profile("600"), "events": events})
    assert np.hypot.reduce(step.get("move_mm", [0.0])) <= POLICY.long_shift_mm


def test_a_move_is_weighed_on_all_that_marks_have_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """A move of the tube for mirror 1 must not spoil the legs behind it, once these have marks."""
    asked: list[int] = []
    monkeypatch.setattr(next_step, "best_move", lambda _, stage: asked.append(stage))
    machine = straight()
    machine.shift("tube", [0.0, 0.0, 2.0])
    machine.pulse("mirror-1", FIVE[0])
    next_step._work(look(parse_alignment(machine.document())), 0)
    assert asked == [3]


def test_where_one_base_does_not_move_the_others_are_not_asked_to() -> None:
    alone, beside, free = base_chances(np.array([[0, 0, 0], [0, DEAD, 0], [0, 1, 0]]))
    assert alone[1] == free[1] < 0.1 and beside[1] > 0.5
    alignment = parse_alignment(straight().document())
    mixture = believe(alignment)  # cached, so it must not be changed
    stuck = mixture.sign.copy()
    stuck[:, 10] = DEAD
    mixture = replace(mixture, sign=stuck)
    for mirror in (1, 2, 3):
        lever = Lever(0, 1.0, f"mirror-{mirror}", axes=(0, 1, 2))
        assert not direction(alignment.machine, mixture, lever).any()


def test_a_cut_that_leans_is_not_within_tolerance_though_lens_and_nozzle_are() -> None:
    """1.9 mm off at a lens of 50.8 mm leans by 0.22 mm in 6 mm; 12 mrad against it make it 0.15 mm."""
    alignment = parse_alignment(straight().document())
    view = look(alignment)
    zero = Rays(*(np.zeros_like(a[:1]) for a in (view.rays.offset_mm, view.rays.lens_mm, view.rays.slope)))
    zero.lens_mm[..., 0] = 1.9
    lens = KEYS.index("lens")
    assert numbers(zero)[0, lens] < limits(alignment.machine)[lens]
    assert leans(alignment.machine, zero)[0] == pytest.approx(6 * 1.9 / 50.8)
    assert ratios(alignment.machine, zero)[0, lens] == pytest.approx(6 * 1.9 / 50.8 / 0.2)
    zero.slope[:, :, 3, 0] = 12e-3
    assert ratios(alignment.machine, zero)[0, lens] == pytest.approx(1.9 / 2.0)


def test_a_slope_that_a_move_changes_is_carried_along() -> None:
    view = look(parse_alignment(straight().document()))
    change = np.zeros((1, m.SIZE))
    change[0, 0] = 0.5  # the tube's exit, sideways
    traced = everywhere(view.profile, view.mixture.mean[[view.mixture.best]] + change)
    np.testing.assert_allclose(pushed(view.best, view.jacobian, change).slope, traced.slope, atol=1e-6)
    assert np.abs(traced.slope - view.best.slope).max() > 1e-4


def test_done_says_that_no_mark_has_shown_the_lens_until_one_has() -> None:
    machine = straight()
    view = look(parse_alignment(machine.document()))
    assert "no mark has shown" in parts(view, Choice("done"), None, None).care
    machine.pulse("below", FIVE[2], below_mm=145.0)
    assert not parts(look(parse_alignment(machine.document())), Choice("done"), None, None).care


@pytest.mark.parametrize(
    ("share", "base", "stops"),
    [
        (0.4, "free", "nothing that can still be moved"),
        (0.4, "fixed", "the base of mirror 2"),
        (0.9, "free", ""),
    ],
)
def test_a_bed_that_is_hardly_good_is_not_called_done(
    share: float, base: str, stops: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No mark would add anything and no move helps; all machines are within 1.5 times the tolerances. If a
    base that could help does not move, the reason says so."""
    machine = straight()
    machine.profile["mount"][1]["base"] = base
    view = look(parse_alignment(machine.document()))
    monkeypatch.setattr(next_step, "best_move", lambda *_: None)
    monkeypatch.setattr(next_step, "_sets", lambda *_: [])
    monkeypatch.setattr(next_step, "worth", lambda *args: [np.full(len(args[2]), v) for v in (0.0, 0.0, 1.0)])
    choice = next_step._work(within(view, share), 4)
    assert (choice is None) is (not stops)
    assert choice is None or (choice.do == "stop" and stops in choice.reason)


def test_a_turn_that_was_not_done_is_found_behind_marks_that_cannot_show_it() -> None:
    """A screw of mirror 3 was to be turned again, but was not: only a mark at the nozzle can show that."""
    machine = straight()
    for _ in range(2):
        machine.turn(3, "top", 0.375)
        machine.pulse("nozzle", FIVE[2])
    machine.events.append({"kind": "turn", "mount": 3, "screw": "top", "turns": -0.75})
    machine.pulse("mirror-3", FIVE[0])
    machine.pulse("nozzle", FIVE[2])
    mixture = believe(parse_alignment(machine.document()))
    assert [note.kind for note in mixture.notes[mixture.best]] == ["none"]

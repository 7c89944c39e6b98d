"""The step made of a choice: its fields, and where the next mark should land."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from server.solver import answering
from server.solver.answering import MOST_EVENTS
from server.solver.decide import moves, next_step
from server.solver.decide.move_choice import Move
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View
from server.solver.estimate import belief
from server.solver.estimate import samples as o
from server.solver.events import Alignment, Event, Inspected, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.trace import Rays
from tests.solver.test_proof import FIVE
from tests.solver.test_situation import BETWEEN, LOOKED, at, blank, mark, seen

Patch = pytest.MonkeyPatch
TURN, SHIFT = Turn(2, "bottom", -0.25), Shift("tube-far", (0.0, 1.0, -2.0))


class LookedAtError(Exception):
    """Raised in place of all the work that a look takes."""


def looks(*_: Any) -> View:
    raise LookedAtError


def test_an_alignment_of_too_many_events_is_not_looked_at(monkeypatch: Patch) -> None:
    monkeypatch.setattr(answering, "look", looks)
    longest = Alignment(seen().profile, (LOOKED,) * MOST_EVENTS)
    with pytest.raises(LookedAtError):
        answering.next_step(longest)
    step = answering.next_step(replace(longest, events=(*longest.events, LOOKED)))
    assert step.do == "stop" and step.reason is not None
    assert f"{MOST_EVENTS + 1} events" in step.reason and f"at most {MOST_EVENTS}" in step.say
    assert step.verdict is None and step.forecast is None


@pytest.mark.parametrize(
    ("choice", "fields"),
    [
        (Choice("turn", event=TURN), {"mount": 2, "screw": "bottom", "turns": -0.25}),
        (Choice("turn", event=TURN, place=Place(1, 1)), {"mount": 2, "screw": "bottom", "turns": -0.25}),
        (Choice("shift", event=SHIFT), {"part": "tube-far", "move_mm": (0.0, 1.0, -2.0)}),
        (Choice("inspect", cause="rail-bow", reason="none"), {"cause": "rail-bow"}),
        (Choice("stop", cause="rail-bow", reason="it was not fixed"), {"reason": "it was not fixed"}),
        (Choice("done", reason="none"), {}),
        (Choice("mark"), {}),
    ],
)
def test_a_step_has_the_fields_of_its_kind(choice: Choice, fields: dict[str, Any]) -> None:
    assert answering._fields(at(), choice) == fields


@pytest.mark.parametrize(
    ("events", "place", "fields"),
    [
        ([], Place(0, 0), {"station": "mirror-1", "tape": "fresh"}),
        ([mark("nozzle", FIVE[2])], Place(3, 1), {"station": "nozzle", "tape": "same"}),
        ([mark("nozzle", FIVE[2])], Place(3, 2), {"station": "nozzle", "tape": "fresh"}),  # it lies there
        ([mark("nozzle", FIVE[2])], Place(2, 1), {"station": "mirror-3", "tape": "fresh"}),
        (
            [mark("nozzle", FIVE[2])],
            Place(3, 1, anew=True),
            {"station": "nozzle", "tape": "fresh", "hang": "anew"},
        ),
        ([BETWEEN], Place(3, 1), {"station": "nozzle", "tape": "same"}),
        ([BETWEEN], Place(3, 4), {"station": "nozzle", "tape": "fresh"}),
        ([mark("nozzle", FIVE[2]), TURN], Place(3, 1), {"station": "nozzle", "tape": "fresh"}),
        ([mark("nozzle", FIVE[2]), blank()], Place(3, 1), {"station": "nozzle", "tape": "fresh"}),
        (
            [mark("nozzle", FIVE[2])],
            Place(m.BELOW_AT, 2),
            {"station": "below", "tape": "fresh", "below_mm": m.BELOW_MM, "lens": "out"},
        ),
    ],
)
def test_a_mark_goes_on_the_same_tape_beside_the_last_one_if_the_card_stays(
    events: list[Event], place: Place, fields: dict[str, Any]
) -> None:
    view = at(*events, mixture=replace(seen().mixture, hung=("nozzle", None)))
    head = {"head_mm": o.grid(view.profile)[place.position]}
    assert answering._fields(view, Choice("mark", place=place)) == fields | head


def in_corner(corner: Any) -> View:
    view = seen()
    profile = replace(view.profile, path=replace(view.profile.path, corner=corner))
    return replace(view, alignment=replace(view.alignment, machine=profile))


def catching(*places: tuple[int, int]) -> Callable[..., Any]:
    """A replacement for ``hits``: nine of sixteen machines hit these places, eight hit all others."""

    def hits(_: Any, rays: Rays, station: int) -> Any:
        found = np.zeros((16, len(o.GRID)), dtype=bool)
        found[:8] = True
        for at_station, position in places:
            found[8, position] |= at_station == station
        return found

    return hits


@pytest.mark.parametrize(
    ("corner", "stage", "event", "likely", "place"),
    [
        ("back-left", 0, SHIFT, [], (0, 0)),
        ("back-right", 0, SHIFT, [(0, 0)], (0, 3)),
        ("back-left", 1, SHIFT, [(1, 0), (1, 1), (1, 5)], (1, 1)),
        ("back-left", 1, SHIFT, [(1, 0), (1, 5)], (1, 5)),
        ("back-left", 1, SHIFT, [], (1, 0)),
        ("back-left", 2, SHIFT, [(2, 0), (2, 1), (2, 2), (2, 3), (2, 4)], (2, 4)),
        ("back-right", 2, SHIFT, [(2, 0), (2, 1), (2, 2), (2, 3), (2, 4)], (2, 1)),
        ("back-left", 2, SHIFT, [(2, 2), (2, 0)], (2, 2)),
        ("back-left", 2, SHIFT, [(2, 1), (2, 3)], (2, 0)),
        ("back-right", 2, SHIFT, [(2, 0), (2, 4)], (2, 3)),
        ("back-left", 3, SHIFT, [], (3, 2)),
        ("back-left", 4, Turn(3, "top", 0.5), [], (3, 2)),
        ("back-left", 4, Turn(2, "top", 0.5), [(2, 4)], (2, 4)),
        ("back-left", 3, Turn(1, "top", 0.5), [(1, 1)], (1, 1)),
        ("back-left", 2, Turn(1, "top", 0.5), [(2, 4), (1, 1)], (2, 4)),
    ],
)
def test_a_move_is_seen_at_the_far_end_of_its_leg_if_a_mark_is_probable_there(
    corner: str,
    stage: int,
    event: Event,
    likely: list[tuple[int, int]],
    place: tuple[int, int],
    monkeypatch: Patch,
) -> None:
    view = in_corner(corner)
    monkeypatch.setattr(o, "hits", catching(*likely))
    found = answering._place(view, view, Choice("turn", event=event, stage=stage))
    assert found == Place(*place)


def test_outside_the_mark_after_a_move_lies_where_the_middle_of_the_machines_has_it(
    monkeypatch: Patch,
) -> None:
    """The spread is one that a single machine far off does not change: the median absolute deviation, scaled
    for normals as in scipy; root mean square of both axes."""
    view = seen()
    marks = view.rays.offset_mm.copy()
    marks[:, 2, 3] = np.random.default_rng(3).normal((1.0, -2.0), (0.3, 0.4), (len(marks), 2))
    marks[0, 2, 3] = 99.0
    after = replace(view, rays=replace(view.rays, offset_mm=marks))
    monkeypatch.setattr(answering, "after_moves", lambda _, events: after if events == [TURN] else view)
    monkeypatch.setattr(answering, "_place", lambda *_: Place(3, 2))
    told = answering._expect(view, Choice("turn", event=TURN))
    assert told is not None and (told.station, told.head_mm) == ("nozzle", o.grid(view.profile)[2])
    assert told.offset_mm == pytest.approx(np.median(marks[:, 2, 3], axis=0))
    spread = median_abs_deviation(marks[:, 2, 3], scale="normal")
    assert told.sigma_mm == pytest.approx(np.sqrt(np.mean(spread**2)), rel=1e-4)
    marks[:, 2, 3] = 1.0
    sure = answering._expect(view, Choice("shift", event=TURN))
    assert sure is not None and (sure.offset_mm, sure.sigma_mm) == ((1.0, 1.0), 0.01)
    assert answering._expect(view, Choice("turn")) is None
    assert answering._expect(view, Choice("mark", event=TURN)) is None


@pytest.mark.parametrize(
    ("events", "movable", "gain", "back"),
    [
        ([TURN], False, 0.01, True),
        ([TURN], False, 0.0, False),
        ([TURN], False, None, False),
        ([TURN], True, 0.01, False),
        ([TURN, mark()], False, 0.01, False),
        ([TURN, SHIFT], False, 0.01, False),
        ([], False, 0.01, False),
    ],
)
def test_a_mirror_that_goes_along_its_normal_is_brought_back_before_it_is_searched_for(
    events: list[Event], movable: bool, gain: float | None, back: bool, monkeypatch: Patch
) -> None:
    """``gain``: by how much the best set of moves exceeds the gain that it must have; None for no set."""
    move = None if gain is None else Move([SHIFT, TURN], POLICY.gain + gain, 1.0)
    monkeypatch.setattr(moves, "bases_move", lambda *_: movable)
    monkeypatch.setattr(next_step, "best_move", lambda *_: move)
    found = next_step._brought_back(at(*events), 2)
    assert found == (Choice("shift", event=SHIFT, stage=2) if back else None)


@pytest.fixture
def counted(monkeypatch: Patch) -> list[Event]:
    """The list of events that the filter processes, starting with an empty cache."""
    worked: list[Event] = []

    def step(_: Any, mixture: Any, event: Event) -> Any:
        worked.append(event)
        return mixture

    monkeypatch.setattr(belief, "_KNOWN", {})
    monkeypatch.setattr(belief, "_step", step)
    return worked


def looked(count: int) -> tuple[Event, ...]:
    return tuple(Inspected(f"{i}", "nothing-found") for i in range(count))


@pytest.mark.parametrize(
    ("count", "steps"),
    [(6, 0), (7, 1), (10, 4), (11, 11), (5, 0), (4, 4), (0, 0), (1, 1)],
)
def test_an_alignment_that_goes_on_is_worked_through_only_where_it_is_new(
    counted: list[Event], count: int, steps: int
) -> None:
    """The mixtures after the newest two events are cached, and found again up to four events later."""
    machine = seen().profile
    belief.believe(Alignment(machine, looked(6)))
    assert counted == list(looked(6))
    counted.clear()
    belief.believe(Alignment(machine, looked(count)))
    assert counted == list(looked(count)[count - steps :])


def test_another_last_event_is_one_step_and_another_machine_is_none_that_is_known(
    counted: list[Event],
) -> None:
    machine = seen().profile
    belief.believe(Alignment(machine, looked(3)))
    belief.believe(Alignment(machine, (*looked(2), LOOKED)))
    assert counted == [*looked(3), LOOKED]
    belief.believe(Alignment(replace(machine, name="another"), looked(3)))
    assert counted[4:] == list(looked(3))


def test_only_the_newest_alignments_are_kept(counted: list[Event]) -> None:
    machine = seen().profile
    for i in range(belief.MOST_KNOWN + 1):
        belief.believe(Alignment(machine, (Inspected(f"of {i}", "nothing-found"),)))
    assert len(belief._KNOWN) == belief.MOST_KNOWN
    counted.clear()
    for i, steps in ((1, 0), (0, 1)):  # the oldest has been dropped from the cache
        belief.believe(Alignment(machine, (Inspected(f"of {i}", "nothing-found"),)))
        assert len(counted) == steps

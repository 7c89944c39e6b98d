"""An imported alignment must look as this program writes it; anything else is refused with its path."""

from __future__ import annotations

from typing import Any

import pytest

from server.log import Json, Log
from server.practice import PracticeMachine
from server.session.import_check import check_alignment
from server.session.session import Session
from server.solver import DocumentError, profile_as_json
from server.sources.practice_source import PracticeSource


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Json:
    """An alignment as the program keeps it itself."""
    machine = PracticeMachine(3)
    log = Log(tmp_path_factory.mktemp("log"))
    session = Session(log, PracticeSource(machine), machine=profile_as_json(machine.profile))
    session.acknowledge()
    session.turn(1, "top", 0.25)
    document = log.document(1)
    return {**document, "source": "practice", "state": log.state(1), "verdict": None}


def test_what_the_program_writes_itself_is_taken(written: Json) -> None:
    assert written["state"]["source"]
    check_alignment(written)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("state.source", []),
        ("state.source", {"seed": "x"}),
        ("state.source", {"machine": {}}),
        ("state.cautions", [1]),
        ("state.misses", "three"),
        ("state.place", {"station": "nowhere"}),
        ("verdict", {}),
        ("verdict", {"aligned": "yes"}),
        ("verdict", {"aligned": True, "lens_mm": float("inf")}),
        ("verdict", {"aligned": True, "lens_mm": float("nan")}),
        ("verdict", {"aligned": True, "worst_power": float("nan")}),
        ("verdict", {"aligned": True, "overlap_mm": {"mirror-9": 1.0}}),
        ("verdict", {"aligned": True, "worst_at_head_mm": [1.0]}),
        ("events", [{"kind": "turn", "mount": 9, "screw": "top", "turns": 0.5}]),
        ("events", [{"kind": "turn", "mount": 1, "screw": "none", "turns": 0.5}]),
        ("machine", {"name": "one"}),
    ],
)
def test_anything_else_is_refused_with_its_path(written: Json, path: str, value: Any) -> None:
    changed = {**written, "state": {**written["state"]}}
    place, _, key = path.partition(".")
    if key:
        changed[place][key] = value
    else:
        changed[place] = value
    with pytest.raises(DocumentError) as refused:
        check_alignment(changed)
    assert refused.value.path.startswith("" if path == "machine" else path.partition(".")[0])


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("cards", None),
        ("cards", {"mirror-1": 7}),
        ("head_mm", [1.0]),
        ("head_mm", ["here", "there"]),
        ("head_mm", [10**400, 0]),
        ("state", {}),
        ("random", 7),
        ("profile", {}),
    ],
)
def test_a_practice_laser_that_is_none_is_refused(written: Json, key: str, value: Any) -> None:
    laser = PracticeMachine(3).to_json() | {key: value}
    with pytest.raises(DocumentError, match="not a practice laser") as refused:
        check_alignment({**written, "state": {**written["state"], "source": laser}})
    assert refused.value.path == "state.source"


def test_events_of_a_laser_that_is_lost_are_looked_at_without_it() -> None:
    turn = {"kind": "turn", "mount": 1, "screw": "any", "turns": 0.5}
    lost: Json = {"machine": {}, "source": "camera", "state": None, "verdict": None}
    check_alignment({**lost, "events": [turn, {"kind": "undo", "event": "x"}]})
    with pytest.raises(DocumentError, match=r"events\.0\.turns"):
        check_alignment({**lost, "events": [turn | {"turns": 99}]})


@pytest.mark.parametrize("source", ["camera", "offline", "practice"])
def test_only_a_practice_laser_keeps_one_in_its_state(written: Json, source: str) -> None:
    other = {**written, "source": source, "state": {**written["state"], "source": {"exposure": 1}}}
    if source == "practice":
        with pytest.raises(DocumentError):
            check_alignment(other)
    else:
        check_alignment(other)
    check_alignment({**other, "state": {**written["state"], "source": None}})


TAKEN: Json = {"aligned": True}


@pytest.mark.parametrize(
    ("field", "taken", "refused"),
    [
        ("lens_mm", [1e6, -1e6, None], [1_000_000.5, -1_000_000.5]),
        ("nozzle_mm", [1e6, -1e6, None], [1_000_000.5, "1"]),
        ("worst_power", [0.0, 1.0, None], [-0.01, 1.01]),
        ("worst_at_head_mm", [[0.0, 1.0], None], [[0.0], [0.0] * 3]),
        ("reasons", [[], ["a" * 1000] * 100], [["a" * 1001], ["a"] * 101]),
        ("overlap_mm", [{}, {"mirror-2": 1.0}], [{"below": 1.0}, None]),
        ("aligned", [True, False], [None, 1]),
        ("surprise", [], [1]),
    ],
)
def test_a_verdict_is_one_of_this_program(
    written: Json, field: str, taken: list[Any], refused: list[Any]
) -> None:
    for value in taken:
        check_alignment({**written, "verdict": TAKEN | {field: value}})
    for value in refused:
        with pytest.raises(DocumentError) as raised:
            check_alignment({**written, "verdict": TAKEN | {field: value}})
        assert raised.value.path.startswith(f"verdict.{field}")

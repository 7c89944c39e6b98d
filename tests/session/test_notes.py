"""What a session notes of a frame."""

from __future__ import annotations

import json
import time

import pytest

from server.session.check import Check
from server.session.notes import Memory, mark_event, pair, seen_now
from server.session.snapshot import SeenMark
from server.solver.steps import Expect
from server.sources.base import Place
from tests.pages.doubles import mark, reading


def test_a_frame_two_seconds_old_is_dated_by_the_wall_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "monotonic", lambda: 50.0)
    monkeypatch.setattr(time, "time", lambda: 1000.0)
    # short numbers: they are sent with each frame
    live = seen_now(reading("mirror-1", mark(0.12345, -1.23456)), 48.00004)
    assert (live.taken_s, live.taken_ms, live.offset_mm) == (
        48.0,
        998_000.0,
        (0.123, -1.235),
    )


HERE = Place("nozzle", (1.0, 2.0))
FULL = Memory(
    cautions=True,
    place=HERE,
    expect=Expect("mirror-3", (3.0, 4.0), (0.5, -0.5), 0.25),
    seen=SeenMark("nozzle", (1.0, 2.0), (0.1, 0.2), (0.3, 0.4), (5.0, 6.0), "round", ("blurred",)),
    misses=1,
    used=True,
    watch=True,
    film=True,
    turned=True,
    said="said",
    answered=7,
    hanging=3,
    doubt="no card",
    before={"misses": 2},
    check=Check("weak-far", (HERE,), {"when": "2026-05-04", "verdict": {}}),
    rigs={"far": 9},
)


@pytest.mark.parametrize("memory", [FULL, Memory()])
def test_what_is_remembered_comes_back_from_the_log_as_it_was(memory: Memory) -> None:
    kept = json.loads(json.dumps(memory.as_json({"seed": 1})))
    assert kept["source"] == {"seed": 1}
    assert Memory.from_json(kept) == memory


def test_at_first_nothing_was_said_seen_or_done() -> None:
    assert not any(vars(Memory()).values())
    assert Memory.from_json({}) == Memory()


def test_a_mark_has_the_place_where_the_card_was_said_to_hang() -> None:
    event = mark_event(HERE, (0.1, 0.2), (0.3, 0.4), hanging=2)
    fields = (event.station, event.head_mm, event.offset_mm, event.sigma_mm, event.hanging)
    assert fields == ("nozzle", (1.0, 2.0), (0.1, 0.2), (0.3, 0.4), 2)
    assert mark_event(HERE, (0.1, 0.2), (0.3, 0.4)).hanging is None
    assert pair([0.1, 0.2]) == (0.1, 0.2)

"""What the chart over the years shows, and that it draws."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.log import Log, draw_chart

MACHINE = {"name": "one"}


def mark(u_mm: float, v_mm: float, station: str = "mirror-2") -> dict[str, object]:
    return {"kind": "mark", "station": station, "head_mm": [0, 0], "offset_mm": [u_mm, v_mm], "sigma_mm": 0.1}


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log(tmp_path) as opened:
        number = opened.start_alignment(machine=MACHINE, source="camera")
        opened.withdraw_event(opened.add_event(number, mark(9, 9)))
        for event in (mark(3, -4), mark(1, 1, "nozzle"), mark(2, 2), mark(0.6, 0.8)):
            opened.add_event(number, event)
        opened.start_alignment(machine=MACHINE, source="camera")
        practice = opened.start_alignment(machine=MACHINE, source="practice")
        opened.add_event(practice, mark(5, 12))
        yield opened


def test_first_and_last_mark_that_count(log: Log) -> None:
    (row,) = log.drift("mirror-2")
    assert (row["alignment"], row["found"], row["left"]) == (1, pytest.approx(5.0), pytest.approx(1.0))


def test_practice_is_told_apart(log: Log) -> None:
    (row,) = log.drift("mirror-2", sources=("practice",))
    assert (row["alignment"], row["found"], row["left"]) == (3, pytest.approx(13.0), pytest.approx(13.0))
    assert len(log.drift("mirror-2", sources=("practice", "camera"))) == 2


def test_one_laser_of_several(log: Log) -> None:
    other = log.start_alignment(machine={"name": "other"}, source="camera")
    log.add_event(other, mark(0, 7))
    assert [row["alignment"] for row in log.drift("mirror-2", laser="other")] == [other]
    assert [row["alignment"] for row in log.drift("mirror-2")] == [1, other]


def test_nothing_at_a_station(log: Log) -> None:
    assert log.drift("mirror-3") == []


@pytest.mark.parametrize(
    ("kind", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG\r\n\x1a\n"), ("pdf", b"%PDF-")]
)
def test_chart_is_drawn(log: Log, kind: str, begins: bytes) -> None:
    stream = io.BytesIO()
    draw_chart(log, stream, kind=kind)
    assert stream.getvalue().startswith(begins)


def test_chart_of_an_empty_log(tmp_path: Path) -> None:
    stream = io.BytesIO()
    with Log(tmp_path) as log:
        draw_chart(log, stream)
    assert stream.getvalue().startswith(b"<?xml")

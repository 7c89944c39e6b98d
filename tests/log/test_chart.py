"""What the chart over the years shows, and that it draws."""

from __future__ import annotations

import io
import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from server.log import Log, add_entry, draw_chart
from server.log import _chart as chart
from server.log._chart import COLOURS, thinned, what_to_draw

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


@pytest.mark.parametrize(("station", "left"), [("mirror-2", 0.34), ("nozzle", 0.15)])
def test_left_is_what_the_verdict_says(log: Log, station: str, left: float) -> None:
    log.set_verdict(1, {"aligned": True, "centre_mm": {"mirror-2": 0.34}, "nozzle_mm": 0.15}, done=True)
    assert log.drift(station)[0]["left"] == left


def test_a_damaged_verdict_is_not_believed(log: Log, tmp_path: Path) -> None:
    log.set_verdict(1, {"aligned": True, "centre_mm": {"mirror-2": 0.34}, "nozzle_mm": 0.15}, done=True)
    with closing(sqlite3.connect(tmp_path / "spotwright.db")) as db, db:
        db.execute("UPDATE alignment SET verdict = replace(verdict, '0.34', '9.34')")
    assert log.drift("mirror-2")[0]["left"] == pytest.approx(1.0)


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


def drawing(log: Log) -> ET.Element:
    stream = io.BytesIO()
    draw_chart(log, stream)
    return ET.fromstring(stream.getvalue())


def dots(root: ET.Element, ink: str) -> list[tuple[float, float]]:
    """The places of the dots of a colour in their panels, not those of the legends."""
    found = []
    for panel in root.findall(".//{*}g"):
        if panel.get("id", "").startswith("axes_"):
            lines = [g for g in panel.findall("{*}g") if g.get("id", "").startswith("line2d_")]
            uses = [use for line in lines for use in line.findall(".//{*}use")]
            found += [use for use in uses if f"fill: {ink}" in use.get("style", "")]
    return [(float(use.get("x", "nan")), float(use.get("y", "nan"))) for use in found]


def test_the_svg_has_a_dot_for_each_mark_found_and_left(log: Log) -> None:
    root = drawing(log)
    found, left = dots(root, COLOURS["found"]), dots(root, COLOURS["left"])
    assert len(found) == len(left) == 3  # mirror-2 twice, once by the practice laser; the nozzle once
    texts = [text.text for text in root.findall(".//{*}text")]
    assert {"mirror 1", "mirror 2", "mirror 3", "nozzle", "as found", "as left"} <= set(texts)
    (_, far), (_, near) = found[0], left[0]
    assert far < near  # 5 mm stands higher than 1 mm


def test_the_svg_shows_what_was_done_as_it_was_written(log: Log) -> None:
    add_entry(log, "upkeep", {"laser": "one", "what": "tube <new> & $x_1"}, alignment_id=1)
    assert "tube <new> & $x_1" in [text.text for text in drawing(log).findall(".//{*}text")]


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 50)), max_size=200))
def test_thinning_only_drops_what_lies_on_another(points: list[tuple[float, float]]) -> None:
    kept = thinned(points, (0.5, 0.2))
    assert set(kept) <= set(points)
    cells = [(int(x / 0.5), int(y / 0.2)) for x, y in kept]
    assert len(set(cells)) == len(cells) and {(int(x / 0.5), int(y / 0.2)) for x, y in points} == set(cells)


def test_dots_stand_by_number_and_distance_and_upkeep_between(log: Log) -> None:
    """Of the first panel's axes: as far apart as the alignments are, from nought at the bottom."""
    for size_mm in (1.0, 2.0, 4.0):
        number = log.start_alignment(machine=MACHINE, source="camera")
        log.add_event(number, mark(size_mm, 0, "mirror-1"))
    add_entry(
        log, "upkeep", {"laser": "one", "what": "a very long description of what was done"}, alignment_id=4
    )
    root = drawing(log)
    first, second, third = dots(root, COLOURS["left"])[:3]
    assert second[0] - first[0] == pytest.approx(third[0] - second[0])
    assert third[1] - second[1] == pytest.approx(2 * (second[1] - first[1]))
    lines = [
        path.get("d", "").split() for path in root.findall(".//{*}path") if "#5a5a5a" in path.get("style", "")
    ]
    assert float(lines[0][1]) == pytest.approx((first[0] + second[0]) / 2)
    texts = [text.text for text in root.findall(".//{*}text")]
    assert texts.count("a very long description ") == 4  # once in each panel
    assert texts.count("no mark here yet") == 1  # mirror 3


def test_upkeep_of_another_laser_is_not_drawn(log: Log) -> None:
    add_entry(log, "upkeep", {"laser": "other", "what": "cleaning"}, alignment_id=1)
    add_entry(log, "upkeep", {"laser": "one", "what": "of no alignment"})
    for laser, shown in ((None, True), ("one", False), ("other", True)):
        stream = io.BytesIO()
        draw_chart(log, stream, laser=laser)
        text = stream.getvalue().decode()
        assert ("cleaning" in text) is shown and "of no alignment" not in text


def test_what_there_is_nothing_to_draw_of_is_said(log: Log, tmp_path: Path) -> None:
    assert what_to_draw(log) is None
    assert what_to_draw(log, sources=("practice",)) is None
    assert what_to_draw(log, laser="one") is None
    assert what_to_draw(log, laser="two") == "the log has no laser named two; it has one"
    with Log(tmp_path / "other") as other:
        assert what_to_draw(other, laser="two") == "the log has no laser named two"
        assert what_to_draw(other) == "no alignment of these has a mark yet"
        number = other.start_alignment(machine=MACHINE, source="practice")
        other.add_event(number, mark(1, 1))
        assert what_to_draw(other) is None
        assert "--practice draws it" in str(what_to_draw(other, sources=("camera",)))
        assert what_to_draw(other, sources=("practice",)) is None


def test_thinning_keeps_the_first_of_each_cell() -> None:
    points = [(0.0, 0.0), (5.0, 1.0), (0.4, 0.1), (9.9, 0.3), (5.4, 1.1), (5.6, 1.0)]
    assert sorted(thinned(points, (0.5, 0.2))) == [(0.0, 0.0), (5.0, 1.0), (5.6, 1.0), (9.9, 0.3)]


def panels(log: Log, monkeypatch: pytest.MonkeyPatch) -> list[Axes]:
    """What is drawn, before it is saved."""
    kept: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_, **__: kept.append(figure))
    draw_chart(log, io.BytesIO())
    return kept[0].axes


def test_the_axes_reach_one_alignment_beyond_both_ends_and_a_twentieth_above(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    log.add_event(2, mark(0, 0, "mirror-1"))
    add_entry(log, "upkeep", {"laser": "one", "what": "cleaning"}, alignment_id=3)
    one, two, three, nozzle = panels(log, monkeypatch)
    assert {panel.get_xlim() for panel in (one, two, three, nozzle)} == {(0.0, 4.5)}
    tops = [panel.get_ylim() for panel in (one, two, three, nozzle)]
    assert tops == [(0, 1.0), (0, pytest.approx(1.05 * 13)), (0, 1.05), (0, pytest.approx(1.05 * 2**0.5))]
    assert all(float(tick).is_integer() for tick in one.xaxis.get_major_locator()())


def test_the_axes_of_a_log_without_marks_stand_around_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(tmp_path) as empty:
        assert {panel.get_xlim() for panel in panels(empty, monkeypatch)} == {(0.0, 2.0)}


def test_a_dot_hides_those_behind_it_that_are_within_a_cell_of_the_grid() -> None:
    """A cell is here 2 alignments wide and 1 mm high, about a pixel."""
    wide, high = chart._GRID
    rows = [(2, 10.2), (3, 10.8), (4, 10.2), (2, 11.1), (5, high / 1.05)]
    panel = Figure().subplots()
    chart._draw(panel, [{"alignment": x, "found": y, "left": y} for x, y in rows], (0, 2 * wide))
    for line in panel.lines:
        across, up = np.asarray(line.get_data())
        assert set(zip(across, up, strict=True)) == {rows[i] for i in (0, 2, 3, 4)}


@pytest.mark.parametrize(("more", "small"), [(0, False), (1, True)])
def test_many_dots_are_drawn_small_and_as_pixels(more: int, small: bool) -> None:
    count = chart.MANY + more
    rows = [{"alignment": 10 * i, "found": (1.0, 9.0)[i % 2], "left": 0.5} for i in range(count)]
    panel = Figure().subplots()
    chart._draw(panel, rows, (0, 10 * count))
    found, left = panel.lines
    assert np.size(found.get_xdata()) == count
    assert (found.get_markersize() < 5, bool(found.get_rasterized())) == (small, small)
    assert not left.get_rasterized()  # all in a row: as many dots as the grid is wide


def test_only_lasers_that_were_aligned_are_named(log: Log) -> None:
    log.start_alignment(machine={"name": "empty"}, source="camera")
    assert what_to_draw(log, laser="two") == "the log has no laser named two; it has one"

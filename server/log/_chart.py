"""A chart over the years: how far from the centre each alignment found the marks, and how it left them."""

from __future__ import annotations

from typing import IO, Any

from server.log._chart_parts import COLOURS, Chart, Panel, Point, parts
from server.log._store import SOURCES, Log
from server.log._upkeep import entries

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
_GRID = (420, 280)  # about the pixels of a panel: where points are denser than that, one in each will do
_WORDS = 24  # of what was done, as far as they are shown


def draw_chart(
    log: Log, stream: IO[bytes], *, kind: str = "svg", sources: tuple[str, ...] = (), laser: str | None = None
) -> None:
    """Write a chart of the whole log as ``kind``: svg, png or pdf.

    The horizontal axis counts alignments, since a clock may have been wrong. ``sources`` as in ``Log.drift``,
    empty for all; ``laser`` is the name of one, None for all.
    """
    drawn = parts(_chart(log, sources or SOURCES, laser))
    if kind == "svg":
        from server.log._chart_svg import as_svg

        stream.write(as_svg(drawn).encode())
    else:
        from server.log._chart_print import write_print

        write_print(drawn, stream, kind)


def _chart(log: Log, sources: tuple[str, ...], laser: str | None) -> Chart:
    rows = {station: log.drift(station, sources=sources, laser=laser) for station in STATIONS}
    between = [
        (row["alignment"] + 0.5, row["what"][:_WORDS])
        for row in entries(log, "upkeep")
        if row["alignment"] is not None and laser in (None, row["laser"])
    ]
    places = [row["alignment"] for each in rows.values() for row in each] + [at for at, _ in between]
    first, last = (min(places), max(places)) if places else (0, 1)
    edge = 0.03 * (last - first) + 0.5
    span = (first - edge, last + edge)
    return Chart(tuple(_panel(station, each, span) for station, each in rows.items()), between, span)


def _panel(station: str, rows: list[dict[str, Any]], span: tuple[float, float]) -> Panel:
    top = 1.05 * max((row[key] for row in rows for key in COLOURS), default=1.0) or 1.0
    cell = ((span[1] - span[0]) / _GRID[0], top / _GRID[1])
    points = {key: _thinned([(row["alignment"], row[key]) for row in rows], cell) for key in COLOURS}
    return Panel(station, points, top)


def _thinned(points: list[Point], cell: Point) -> list[Point]:
    """The points, of those that would lie on each other only the first."""
    wide, high = cell
    return list({(int(x / wide), int(y / high)): (x, y) for x, y in reversed(points)}.values())[::-1]

"""A chart over the years: how far from the centre each alignment found the marks, and how it left them."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, Any

from server.log._store import SOURCES, Log
from server.log._upkeep import entries

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MANY = 500  # more points than that are drawn as pixels in an svg or pdf, or it grows to megabytes
STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")


def draw_chart(
    log: Log, stream: IO[bytes], *, kind: str = "svg", sources: tuple[str, ...] = (), laser: str | None = None
) -> None:
    """Write a chart of the whole log as ``kind``: svg, png or pdf.

    The horizontal axis counts alignments, since a clock may have been wrong. ``sources`` as in ``Log.drift``,
    empty for all; ``laser`` is the name of one, None for all.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 7))
    figure.subplots_adjust(left=0.08, right=0.98, bottom=0.08, top=0.95)
    panels = figure.subplots(2, 2, sharex=True).ravel()
    for panel, station in zip(panels, STATIONS, strict=True):
        _draw(panel, station, log.drift(station, sources=sources or SOURCES, laser=laser))
        _between(panel, log, laser)
    figure.supxlabel("alignment, in the order they were begun")
    figure.supylabel("distance of the mark from the centre, mm")
    figure.savefig(stream, format=kind, dpi=110)


def _between(panel: Axes, log: Log, laser: str | None) -> None:
    """What was cleaned, changed or moved, as upright lines behind the alignment that came before it."""
    for row in entries(log, "upkeep"):
        if row["alignment"] is not None and laser in (None, row["laser"]):
            at = row["alignment"] + 0.5
            panel.axvline(at, color="#5a5a5a", linestyle="--", linewidth=0.8)
            words = row["what"][:24]
            across = panel.get_xaxis_transform()
            panel.text(at, 0.02, words, rotation=90, fontsize=7, transform=across, parse_math=False)


def _draw(panel: Axes, station: str, rows: list[dict[str, Any]]) -> None:
    panel.set_title(station, loc="left")
    numbers = [row["alignment"] for row in rows]
    for key, colour in (("found", "#b3541e"), ("left", "#1b6f8a")):
        distances = [row[key] for row in rows]
        style: dict[str, Any] = {
            "color": colour,
            "markersize": 3 if len(rows) > MANY else 8,
            "label": f"as {key}",
            "rasterized": len(rows) > MANY,
        }
        panel.plot(numbers, distances, ".", **style)
    panel.set_ylim(bottom=0)
    panel.grid(alpha=0.3)
    if rows:
        panel.legend(loc="upper right", fontsize="small")

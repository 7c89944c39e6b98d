"""A chart over the years: how far from the centre the marks were before and after each alignment."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, Any

from server.log._schema import SOURCES
from server.log._store import Log
from server.log._upkeep import entries

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
COLOURS = {"found": "#b3541e", "left": "#1b6f8a"}
SIGNS = {"found": "x", "left": "o"}  # different signs, so that no colour is needed
MANY = 500  # from this many points on they are drawn small, in pixels even in svg and pdf, to save megabytes
_GRID = (420, 280)  # about the pixels of a panel; one point in each is enough
_WORDS = 24  # how many letters of an upkeep entry's text are shown

Point = tuple[float, float]


def draw_chart(
    log: Log, stream: IO[bytes], *, kind: str = "svg", sources: tuple[str, ...] = (), laser: str | None = None
) -> None:
    """Write a chart of the whole log as ``kind``: svg, png or pdf.

    The horizontal axis counts alignments, since a clock may have been wrong. ``sources`` as in ``Log.drift``,
    empty for all; ``laser`` is the name of one, None for all.
    """
    from matplotlib import rc_context  # slow to import, so only when a chart is drawn
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "chart"}):
        figure = Figure(figsize=(9, 7))
        figure.subplots_adjust(left=0.08, right=0.98, bottom=0.08, top=0.95)
        panels = figure.subplots(2, 2, sharex=True).ravel()
        rows = [log.drift(station, sources=sources or SOURCES, laser=laser) for station in STATIONS]
        done = _between(log, laser)
        places = [row["alignment"] for each in rows for row in each] + [at for at, _ in done]
        span = (min(places, default=1) - 1, max(places, default=1) + 1)
        for panel, station, each in zip(panels, STATIONS, rows, strict=True):
            panel.set_title(station.replace("-", " "), loc="left")
            _draw(panel, each, span)
            _mark(panel, done)
        panels[0].xaxis.set_major_locator(MaxNLocator(integer=True))  # of all four: they share the axis
        figure.supxlabel("alignment, in the order they were begun")
        figure.supylabel("distance of the marks from the centre, mm")
        figure.savefig(stream, format=kind, dpi=110)


def what_to_draw(log: Log, *, sources: tuple[str, ...] = (), laser: str | None = None) -> str | None:
    """Return why there is nothing to draw, and what to ask for instead; None if there is something."""
    if any(log.drift(station, sources=sources or SOURCES, laser=laser) for station in STATIONS):
        return None
    rows = log.alignments()
    names = sorted({str(row["machine"]) for row in rows if row["events"] and row["machine"]})
    if laser is not None and laser not in names:
        known = f"; it has {', '.join(names)}" if names else ""
        return f"the log has no laser named {laser}{known}"
    practice = ("practice",)
    if set(sources) != set(practice) and any(log.drift(at, sources=practice, laser=laser) for at in STATIONS):
        return "only the practice laser has been aligned so far; --practice draws it"
    return "no alignment of these has a mark yet"


def _between(log: Log, laser: str | None) -> list[tuple[float, str]]:
    """What was cleaned, changed or moved: after which alignment, in words."""
    return [
        (row["alignment"] + 0.5, row["what"][:_WORDS])
        for row in entries(log, "upkeep")
        if row["alignment"] is not None and laser in (None, row["laser"])
    ]


def _draw(panel: Axes, rows: list[dict[str, Any]], span: tuple[float, float]) -> None:
    top = 1.05 * max((row[key] for row in rows for key in COLOURS), default=1.0) or 1.0
    panel.set(xlim=span, ylim=(0, top))
    panel.grid(alpha=0.3)
    cell = ((span[1] - span[0]) / _GRID[0], top / _GRID[1])
    for key, colour in COLOURS.items():
        points = thinned([(row["alignment"], row[key]) for row in rows], cell)
        across, up = zip(*points, strict=True) if points else ((), ())
        many = len(points) > MANY
        look: dict[str, Any] = {"markersize": 2 if many else 5, "rasterized": many, "color": colour}
        panel.plot(across, up, SIGNS[key], label=f"as {key}", **look)
    if not rows:
        panel.text(0.5, 0.5, "no mark here yet", ha="center", va="center", transform=panel.transAxes)
    else:
        # beside the panel's name, where it hides no point
        panel.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, frameon=False, fontsize="small")


def _mark(panel: Axes, done: list[tuple[float, str]]) -> None:
    """Draw upkeep as vertical lines with the text at the bottom."""
    across = panel.get_xaxis_transform()
    for at, words in done:
        panel.axvline(at, color="#5a5a5a", linestyle="--", linewidth=0.8)
        panel.text(at, 0.02, words, rotation=90, fontsize=7, transform=across, parse_math=False)


def thinned(points: list[Point], cell: Point) -> list[Point]:
    """Return the points in order, without those that an earlier point would hide."""
    wide, high = cell
    return list({(int(x / wide), int(y / high)): (x, y) for x, y in reversed(points)}.values())[::-1]

"""The chart as PNG or PDF, by matplotlib; its loading is most of what it costs."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, Any

from matplotlib.figure import Figure

from server.log._chart import ACROSS, COLOURS, GREY, UPRIGHT, Chart, Panel, ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MANY = 1000  # more points than that are drawn as pixels in a pdf, or it grows to megabytes


def print_chart(chart: Chart, stream: IO[bytes], kind: str) -> None:
    """Write the chart as ``kind``: png or pdf."""
    figure = Figure(figsize=(9, 7))
    figure.subplots_adjust(left=0.08, right=0.98, bottom=0.08, top=0.95)
    for axes, panel in zip(figure.subplots(2, 2).ravel(), chart.panels, strict=True):
        _draw(axes, panel, chart)
    figure.supxlabel(ACROSS)
    figure.supylabel(UPRIGHT)
    figure.savefig(stream, format=kind, dpi=110)


def _draw(axes: Axes, panel: Panel, chart: Chart) -> None:
    axes.set_title(panel.station, loc="left")
    many = sum(map(len, panel.points.values())) > MANY
    for key, points in panel.points.items():
        look: dict[str, Any] = {"color": COLOURS[key], "markersize": 3 if many else 8, "rasterized": many}
        if points:
            axes.plot(*zip(*points, strict=True), ".", label=f"as {key}", **look)
    for at, words in chart.between:
        axes.axvline(at, color=GREY, linestyle="--", linewidth=0.8)
        across = axes.get_xaxis_transform()
        axes.text(at, 0.02, words, rotation=90, fontsize=7, transform=across, parse_math=False)
    axes.set(xlim=chart.span, ylim=(0.0, panel.top_mm))
    axes.set_xticks(ticks(*chart.span, most=6))
    axes.set_yticks(ticks(0.0, panel.top_mm, most=8))
    axes.grid(alpha=0.3)
    if panel.points["found"]:
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize="small", frameon=False)

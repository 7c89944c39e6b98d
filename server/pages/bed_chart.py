"""The maps of the bed as one SVG: offset above, power below, before beside after."""

from __future__ import annotations

import io
import json
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke

from server.pages.bed import BedMap, bed_maps
from server.solver.power import percent

__all__ = ["bed_svg"]

INK, PAPER = "#fdf8ee", "#241f19"
ARROW = 0.1
OUTLINE: list[AbstractPathEffect] = [withStroke(linewidth=1.6, foreground="black")]


def bed_svg(document: dict[str, Any]) -> bytes:
    """Return the chart of an alignment document as SVG; drawn once per state of it."""
    return _drawn(json.dumps(document, sort_keys=True))


@lru_cache(maxsize=8)
def _drawn(text: str) -> bytes:
    start, now = bed_maps(json.loads(text))
    figure = Figure(figsize=(9, 6.4), facecolor=PAPER, layout="constrained")
    axes = figure.subplots(2, 2, sharex=True, sharey=True)
    maps = [bed for bed in (start, now) if bed is not None]
    most_mm = max([1.0, *(float(bed.offset_mm.max()) for bed in maps)])
    for column, (title, bed) in enumerate((("as found", start), ("now", now))):
        _panel(axes[0][column], bed, f"Offset at mirror 3, mm: {title}", "offset_mm", most_mm)
        _panel(axes[1][column], bed, f"Beam that passes, %: {title}", "power", 100.0)
    stream = io.BytesIO()
    with rc_context({"svg.fonttype": "none"}):  # text stays text: smaller, and a reader can read it
        figure.savefig(stream, format="svg", metadata={"Date": None, "Title": "The bed, as found and now"})
    return stream.getvalue()


def _panel(axes: Axes, bed: BedMap | None, title: str, field: str, most: float) -> None:
    axes.set_title(title, color=INK, fontsize=11)
    axes.set_facecolor("#16130f")
    axes.tick_params(colors=INK, labelsize=8)
    if bed is None:
        axes.text(0.5, 0.5, "not measured", color=INK, ha="center", transform=axes.transAxes)
        return
    values = getattr(bed, field) * (100.0 if field == "power" else 1.0)
    lowest = 0.0 if field == "offset_mm" else float(min(90.0, values.min()))
    steps = np.linspace(lowest, most, 25)
    axes.contourf(bed.x_mm, bed.y_mm, np.clip(values, lowest, most), levels=steps, cmap="cividis")
    if np.ptp(values) > 0.02 * most:
        lines = axes.contour(bed.x_mm, bed.y_mm, values, levels=5, colors="white", linewidths=0.7)
        texts = axes.clabel(lines, fontsize=8, fmt="%.1f" if field == "offset_mm" else "%.0f")
        for text in texts:
            text.set_path_effects(OUTLINE)
    elif field == "power":
        said = f"{percent(bed.power.min())} % everywhere"
        axes.text(0.5, 0.72, said, color="black", ha="center", transform=axes.transAxes)
    _spots(axes, bed, field, most)
    _leave_room(axes, bed)


def _leave_room(axes: Axes, bed: BedMap) -> None:
    """Room around the bed for the longest arrow, so that none reaches into the next chart."""
    width_mm, depth_mm = float(bed.x_mm[-1]), float(bed.y_mm[-1])
    room_mm = 1.25 * ARROW * width_mm
    axes.set_xlim(-room_mm, width_mm + room_mm)
    axes.set_ylim(-room_mm, depth_mm + room_mm)
    axes.set_xticks(np.linspace(0, width_mm, 3))
    axes.set_yticks(np.linspace(0, depth_mm, 3))
    axes.set_aspect("equal")


def _spots(axes: Axes, bed: BedMap, field: str, most: float) -> None:
    for mark in bed.marks:
        axes.plot(*mark.head_mm, marker="o", color="#ffb627", markeredgecolor="black")
    x_mm, y_mm = bed.worst.head_mm
    axes.plot(x_mm, y_mm, marker="s", markersize=13, fillstyle="none", color="white")
    if field == "offset_mm":
        axes.quiver(  # both charts have one scale: the longest offset is ARROW bed widths long
            [spot.head_mm[0] for spot in bed.spots],
            [spot.head_mm[1] for spot in bed.spots],
            [spot.offset_mm[0] for spot in bed.spots],
            [spot.offset_mm[1] for spot in bed.spots],
            color="white",
            edgecolor="black",
            linewidth=0.4,
            angles="xy",
            scale_units="xy",
            scale=most / (ARROW * bed.x_mm[-1]),
            width=0.008,
        )

"""The maps of the bed as one SVG: offset, its uncertainty and power, as found and now."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from matplotlib.patheffects import AbstractPathEffect, withStroke
from numpy.typing import NDArray

from server.pages.bed import SURE, BedMap, bed_maps
from server.solver.machine.power import percent

__all__ = ["SHAPES", "bed_svg"]

# width and height, inches. narrow : for a phone. flat : for the printed report, "as found" above "now"
SHAPES = {"wide": (9.0, 9.3), "narrow": (4.6, 5.6), "flat": (9.0, 4.4)}


@dataclass(frozen=True)
class Tones:
    """The colours of the words, of the sheet, of the panels and of the lines across them."""

    ink: str
    paper: str
    floor: str
    line: str


SCREEN, PRINT = Tones("#fdf8ee", "#241f19", "#16130f", "white"), Tones("black", "white", "white", "black")
ARROW = 0.1  # length of the arrow of the largest offset, in bed widths
LEAST_MM = 0.5  # the uncertainty's scale ends no lower, or small differences would look large
OUTLINE: list[AbstractPathEffect] = [withStroke(linewidth=1.6, foreground="black")]


def bed_svg(document: dict[str, Any], *, shape: str = "wide") -> bytes:
    """Return the chart of an alignment document as SVG, in one of SHAPES; drawn once if it stays the same."""
    return _drawn(json.dumps(document, sort_keys=True), shape)


@lru_cache(maxsize=8)
def _drawn(text: str, shape: str) -> bytes:
    start, now = bed_maps(json.loads(text))
    tones = PRINT if shape == "flat" else SCREEN
    figure = Figure(figsize=SHAPES[shape], facecolor=tones.paper, layout="constrained")
    rows, columns = (2, 3) if shape == "flat" else (3, 2)
    axes = figure.subplots(rows, columns, sharex=True, sharey=True)
    pairs = axes if shape == "flat" else axes.T
    maps = [bed for bed in (start, now) if bed is not None]
    most_mm = max([1.0, *(float(bed.offset_mm.max()) for bed in maps)])
    doubt_mm = max([LEAST_MM, *(SURE * float(bed.sigma_mm.max()) for bed in maps)])
    for column, (when, bed) in zip(pairs, (("as found", start), ("now", now)), strict=True):
        for panel, what in zip(
            column, ("Offset, mm", "Offset known to ±, mm", "Beam that passes, %"), strict=True
        ):
            _frame(panel, f"{what}: {when}", bed, tones, size=7.5 if shape == "narrow" else 11)
        if bed is not None:
            _offset(column[0], bed, most_mm, tones)
            _map(column[1], bed, SURE * bed.sigma_mm, (0.0, doubt_mm), "%.2g", tones)
            _power(column[2], bed, tones)
    stream = io.BytesIO()
    with rc_context({"svg.fonttype": "none"}):  # text stays text: smaller, and a reader can read it
        figure.savefig(stream, format="svg", metadata={"Date": None, "Title": "The bed, as found and now"})
    return stream.getvalue()


def _frame(axes: Axes, title: str, bed: BedMap | None, tones: Tones, *, size: float) -> None:
    axes.set_title(title, color=tones.ink, fontsize=size)
    axes.set_facecolor(tones.floor)
    axes.tick_params(colors=tones.ink, labelsize=0.75 * size)
    if bed is None:
        axes.text(0.5, 0.5, "not measured", color=tones.ink, ha="center", transform=axes.transAxes)
        return
    # room around the bed for the longest arrow, so that none reaches into the next chart
    width_mm, depth_mm = float(bed.x_mm[-1]), float(bed.y_mm[-1])
    room_mm = 1.25 * ARROW * width_mm
    axes.set_xlim(-room_mm, width_mm + room_mm)
    axes.set_ylim(-room_mm, depth_mm + room_mm)
    axes.set_xticks(np.linspace(0, width_mm, 3))
    axes.set_yticks(np.linspace(0, depth_mm, 3))
    axes.set_aspect("equal")


def _map(
    axes: Axes,
    bed: BedMap,
    values: NDArray[np.float64],
    scale: tuple[float, float],
    form: str,
    tones: Tones,
    *,
    colours: str = "cividis",
) -> None:
    """Draw values as colours, bright where it is bad; with labelled lines where they differ enough."""
    low, high = scale
    shown = np.clip(values, low, high)
    axes.contourf(bed.x_mm, bed.y_mm, shown, levels=np.linspace(low, high, 13), cmap=colours)
    if np.ptp(values) > 0.02 * high:
        lines = axes.contour(bed.x_mm, bed.y_mm, values, levels=4, colors="white", linewidths=0.7)
        for text in axes.clabel(lines, fontsize=8, fmt=form):
            text.set_path_effects(OUTLINE)
    for mark in bed.marks:
        axes.plot(*mark.head_mm, marker="o", color="#ffb627", markeredgecolor="black")
    axes.plot(*bed.worst.head_mm, marker="s", markersize=13, fillstyle="none", color=tones.line)


def _offset(axes: Axes, bed: BedMap, most_mm: float, tones: Tones) -> None:
    """Draw the offset, with an arrow at each named place; the circle at its tip is the uncertainty."""
    _map(axes, bed, bed.offset_mm, (0.0, most_mm), "%.1f", tones)
    stretch = ARROW * float(bed.x_mm[-1]) / most_mm  # both charts have one scale
    heads = np.array([spot.head_mm for spot in bed.spots])
    moves = np.array([spot.offset_mm for spot in bed.spots]) * stretch
    axes.quiver(
        *heads.T,
        *moves.T,
        color="white",
        edgecolor="black",
        linewidth=0.4,
        angles="xy",
        scale_units="xy",
        scale=1.0,
        width=0.008,
    )
    for spot, tip in zip(bed.spots, heads + moves, strict=True):
        radius = SURE * spot.sigma_mm * stretch
        axes.add_patch(
            Circle((tip[0], tip[1]), radius, fill=False, color=tones.line, linestyle=":", linewidth=1.2)
        )


def _power(axes: Axes, bed: BedMap, tones: Tones) -> None:
    values = 100.0 * bed.power
    _map(axes, bed, values, (float(min(90.0, values.min())), 100.0), "%.0f", tones, colours="cividis_r")
    likely, least = percent(bed.power.min()), percent(bed.power_low.min())
    said = f"{likely} % or more" if likely == least else f"{likely} % or more\n(surely {least} %)"
    text = axes.text(0.5, 0.62, said, color=SCREEN.ink, fontsize=8, ha="center", transform=axes.transAxes)
    text.set_path_effects(OUTLINE)

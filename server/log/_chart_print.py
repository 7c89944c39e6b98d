"""The chart as PNG or PDF, by matplotlib; its loading is most of what it costs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import IO, Any

from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Affine2D

from server.log._chart_parts import HIGH, INK, WIDE, Dots, Line, Part, Words

_POINT = 0.72  # points in a unit of the sheet, which is 9 by 7 inches
_ANCHORS = {"start": "left", "middle": "center", "end": "right"}


def write_print(parts: Iterable[Part], stream: IO[bytes], kind: str) -> None:
    """Write the chart as ``kind``: png or pdf."""
    figure = Figure(figsize=(WIDE / 100, HIGH / 100), dpi=110)
    sheet = Affine2D().scale(1 / WIDE, -1 / HIGH).translate(0, 1) + figure.transFigure
    for part in parts:
        _add(figure, part, transform=sheet)
    figure.savefig(stream, format=kind, dpi=110)


def _add(figure: Figure, part: Part, **place: Any) -> None:
    look: dict[str, Any]
    match part:
        case Line(points, ink, dashed):
            look = {"color": ink, "linewidth": 0.8 * _POINT, "linestyle": (0, (7, 4)) if dashed else "-"}
            figure.add_artist(Line2D([x for x, _ in points], [y for _, y in points], **look, **place))
        case Dots(ink, size, places) if places:
            look = {"color": ink, "marker": "o", "markersize": size * _POINT, "markeredgewidth": 0.0}
            look |= {"linestyle": ""}
            figure.add_artist(Line2D([x for x, _ in places], [y for _, y in places], **look, **place))
        case Words(text, (x, y), anchor, size, upright):
            look = {"fontsize": size * _POINT, "ha": _ANCHORS[anchor], "va": "baseline", "color": INK}
            look |= {"rotation": 90, "rotation_mode": "anchor"} if upright else {}
            figure.text(x, y, text, parse_math=False, **look, **place)

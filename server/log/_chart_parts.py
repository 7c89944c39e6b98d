"""What the chart is made of: lines, frames, dots and words on a sheet of 900 by 700, y down."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

WIDE, HIGH = 900, 700
COLOURS = {"found": "#b3541e", "left": "#1b6f8a"}
INK, GREY, PALE = "#111111", "#5a5a5a", "#dddddd"
MANY = 1000  # points in a panel: from then on they are small
_SIZE = (390, 275)  # of a panel
_LEFT, _TOP = (72, 497), (40, 365)

Point = tuple[float, float]


@dataclass(frozen=True)
class Panel:
    """One station: points (alignment, mm) as found and as left, and the top of its scale in mm."""

    station: str
    points: dict[str, list[Point]]
    top_mm: float


@dataclass(frozen=True)
class Chart:
    """All panels, what was done between the alignments (place, words), first and last place shown."""

    panels: tuple[Panel, ...]
    between: list[tuple[float, str]]
    span: tuple[float, float]


@dataclass(frozen=True)
class Line:
    """A line through points."""

    points: list[Point]
    ink: str = PALE
    dashed: bool = False


@dataclass(frozen=True)
class Dots:
    """Round dots of a diameter."""

    ink: str
    size: float
    places: list[Point]


@dataclass(frozen=True)
class Words:
    """One line of text on its baseline; ``anchor`` is start, middle or end, ``upright`` reads upwards."""

    text: str
    at: Point
    anchor: str = "start"
    size: float = 13
    upright: bool = False


Part = Line | Dots | Words


def parts(chart: Chart) -> Iterator[Part]:
    """Everything to draw, from the back to the front."""
    across, upright = "alignment, in the order they were begun", "distance of the mark from the centre, mm"
    yield Words(across, (WIDE / 2, HIGH - 12), "middle", 15)
    yield Words(upright, (20, HIGH / 2), "middle", 15, upright=True)
    for number, panel in enumerate(chart.panels):
        yield from _panel(panel, chart, (_LEFT[number % 2], _TOP[number // 2]), numbered=number >= 2)


def _panel(panel: Panel, chart: Chart, corner: Point, *, numbered: bool) -> Iterator[Part]:
    (left, top), (wide, high) = corner, _SIZE
    right, bottom = left + wide, top + high
    first, last = chart.span

    def across(x: float) -> float:
        return left + (x - first) / (last - first) * wide

    def down(y: float) -> float:
        return bottom - y / panel.top_mm * high

    yield Words(panel.station, (left, top - 8), size=16)
    for x in ticks(first, last, most=6):
        yield Line([(across(x), top), (across(x), bottom)])
        if numbered:
            yield Words(f"{x:.10g}", (across(x), bottom + 18), "middle")
    for y in ticks(0.0, panel.top_mm, most=8):
        yield Line([(left, down(y)), (right, down(y))])
        yield Words(f"{y:.10g}", (left - 7, down(y) + 4), "end")
    yield Line([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], INK)
    for x, words in chart.between:
        yield Line([(across(x), top), (across(x), bottom)], GREY, dashed=True)
        yield Words(words, (across(x) - 4, bottom - 6), size=10, upright=True)
    small = sum(map(len, panel.points.values())) > MANY
    for key, points in panel.points.items():
        yield Dots(COLOURS[key], 3 if small else 7, [(across(x), down(y)) for x, y in points])
    if panel.points["found"]:
        yield from _legend((right, top - 8))


def _legend(end: Point) -> Iterator[Part]:
    """Beside the panel's name, where it hides no point."""
    x, y = end
    for start, (key, ink) in zip((x - 150, x - 62), COLOURS.items(), strict=True):
        yield Dots(ink, 7, [(start, y - 4)])
        yield Words(f"as {key}", (start + 8, y))


def ticks(low: float, high: float, *, most: int) -> list[float]:
    """Round numbers (1, 2 or 5 times a power of ten apart) from ``low`` to ``high``, at most so many."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    return [number * step for number in range(math.ceil(low / step), math.floor(high / step) + 1)]

"""The chart as SVG, written straight: a plotting library takes longer to load than all the rest takes."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from server.log._chart import ACROSS, COLOURS, GREY, UPRIGHT, Chart, Panel, Point, ticks

WIDE, HIGH = 900, 700
_SIZE = (390, 275)  # of a panel
_LEFT, _TOP = (72, 497), (40, 365)
_HEAD = (
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}"'
    ' font-family="DejaVu Sans, sans-serif" font-size="13" fill="#111111">'
)


def as_svg(chart: Chart) -> str:
    """Return the chart as one SVG document; text stays text."""
    parts = [
        '<?xml version="1.0" encoding="utf-8"?>',
        _HEAD,
        "<title>How far off the marks were found and left</title>",
        f'<rect width="{WIDE}" height="{HIGH}" fill="#ffffff"/>',
        _text(ACROSS, (WIDE / 2, HIGH - 12), anchor="middle", size=15),
        _text(UPRIGHT, (20, HIGH / 2), anchor="middle", size=15, upright=True),
    ]
    for number, panel in enumerate(chart.panels):
        parts += _panel(panel, chart, (_LEFT[number % 2], _TOP[number // 2]), numbered=number >= 2)
    return "\n".join([*parts, "</svg>\n"])


def _panel(panel: Panel, chart: Chart, corner: Point, *, numbered: bool) -> Iterator[str]:
    (left, top), (wide, high) = corner, _SIZE
    first, last = chart.span

    def across(x: float) -> float:
        return left + (x - first) / (last - first) * wide

    def down(y: float) -> float:
        return top + high - y / panel.top_mm * high

    yield _text(panel.station, (left, top - 8), size=16)
    for x in ticks(first, last, most=6):
        yield _line((across(x), top), (across(x), top + high))
        if numbered:
            yield _text(f"{x:g}", (across(x), top + high + 18), anchor="middle")
    for y in ticks(0.0, panel.top_mm, most=8):
        yield _line((left, down(y)), (left + wide, down(y)))
        yield _text(f"{y:.10g}", (left - 7, down(y) + 4), anchor="end")
    yield f'<rect x="{left}" y="{top}" width="{wide}" height="{high}" fill="none" stroke="#111111"/>'
    for x, words in chart.between:
        yield _line((across(x), top), (across(x), top + high), ink=GREY, dash=True)
        yield _text(words, (across(x) - 4, top + high - 6), size=10, upright=True)
    dot = 3 if sum(map(len, panel.points.values())) > 1000 else 7
    for key, points in panel.points.items():
        yield _dots(COLOURS[key], dot, [(across(x), down(y)) for x, y in points])
    if panel.points["found"]:
        yield from _legend((left + wide, top - 8))


def _legend(end: Point) -> Iterator[str]:
    """Beside the panel's name, where it hides no point."""
    x, y = end
    for start, (key, ink) in zip((x - 150, x - 62), COLOURS.items(), strict=True):
        yield _dots(ink, 7, [(start, y - 4)])
        yield _text(f"as {key}", (start + 8, y))


def _dots(ink: str, size: float, places: list[Point]) -> str:
    # a stroke of no length with round ends is a dot (SVG 2, 13.5.4): one path for all
    path = "".join([f"M{x:.1f} {y:.1f}h0" for x, y in places])
    return f'<path d="{path}" stroke="{ink}" stroke-width="{size}" stroke-linecap="round"/>'


def _line(start: Point, end: Point, *, ink: str = "#dddddd", dash: bool = False) -> str:
    (x0, y0), (x1, y1) = start, end
    extra = ' stroke-dasharray="5 3"' if dash else ""
    return f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="{ink}" stroke-width="0.8"{extra}/>'


def _text(words: str, at: Point, *, anchor: str = "start", size: float = 13, upright: bool = False) -> str:
    x, y = at
    turned = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if upright else ""
    look = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{turned}'
    return f"<text {look}>{escape(words)}</text>"

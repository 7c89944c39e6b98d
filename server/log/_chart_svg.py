"""The chart as SVG, written straight: a plotting library takes longer to load than all the rest takes."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from server.log._chart_parts import HIGH, INK, WIDE, Dots, Line, Part, Words

_HEAD = (
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}"'
    f' fill="none" font-family="DejaVu Sans, sans-serif">'
)


def as_svg(parts: Iterable[Part]) -> str:
    """Return the chart as one SVG document; text stays text."""
    head = [
        '<?xml version="1.0" encoding="utf-8"?>',
        _HEAD,
        "<title>How far off the marks were found and left</title>",
        f'<rect width="{WIDE}" height="{HIGH}" fill="#ffffff"/>',
    ]
    return "\n".join([*head, *map(_element, parts), "</svg>\n"])


def _element(part: Part) -> str:
    match part:
        case Line(points, ink, dashed):
            path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
            dash = ' stroke-dasharray="5 3"' if dashed else ""
            return f'<path d="M{path}" stroke="{ink}" stroke-width="0.8"{dash}/>'
        case Dots(ink, size, places):
            # a stroke of no length with round ends is a dot (SVG 2, 13.5.4): one path for all
            path = "".join([f"M{x:.1f} {y:.1f}h0" for x, y in places])
            return f'<path d="{path}" stroke="{ink}" stroke-width="{size}" stroke-linecap="round"/>'
        case Words(text, (x, y), anchor, size, upright):
            turned = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if upright else ""
            look = f'text-anchor="{anchor}" font-size="{size}" fill="{INK}"{turned}'
            return f'<text x="{x:.1f}" y="{y:.1f}" {look}>{escape(text)}</text>'

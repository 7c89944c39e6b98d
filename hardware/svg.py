"""Drawings in millimetres: an SVG page whose user unit is one millimetre, y down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from html import escape
from pathlib import Path

import numpy as np

from hardware.measures import Floats

INK, GREY, BLUE, RED = "#111111", "#6d7378", "#1f5fa8", "#b0281e"


@dataclass
class Page:
    """A page with a size in mm; parts are added and written as one file."""

    width_mm: float
    height_mm: float
    title: str
    paper: bool = True
    parts: list[str] = field(default_factory=list)

    def line(self, ends: Floats, *, ink: str = INK, line_mm: float = 0.25, dash: str = "") -> None:
        """A straight line between two points (2, 2)."""
        (x0, y0), (x1, y1) = np.asarray(ends, float)
        self.parts.append(f'<path d="M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}" {_stroke(ink, line_mm, dash)}/>')

    def area(
        self, rings: Iterable[Floats], *, fill: str = "none", ink: str = "none", line_mm: float = 0.25
    ) -> None:
        """Closed outlines; one inside another is a hole."""
        path = "".join("M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in ring) + "Z" for ring in rings)
        look = f'fill="{fill}" fill-rule="evenodd" {_stroke(ink, line_mm)}'
        self.parts.append(f'<path d="{path}" {look}/>')

    def circle(
        self, at: tuple[float, float], radius: float, *, ink: str = INK, line_mm: float = 0.25, dash: str = ""
    ) -> None:
        """The outline of a circle."""
        place = f'cx="{at[0]:.3f}" cy="{at[1]:.3f}" r="{radius:.3f}"'
        self.parts.append(f"<circle {place} {_stroke(ink, line_mm, dash)}/>")

    def text(
        self,
        words: str,
        at: tuple[float, float],
        *,
        size_mm: float = 3.5,
        ink: str = INK,
        anchor: str = "middle",
        turned: bool = False,
    ) -> None:
        """One line of text; `at` is on its base line."""
        x, y = at
        turn = f' transform="rotate(-90 {x:.3f} {y:.3f})"' if turned else ""
        look = f'font-size="{size_mm}" fill="{ink}" stroke="none" text-anchor="{anchor}"{turn}'
        self.parts.append(f'<text x="{x:.3f}" y="{y:.3f}" {look}>{escape(words)}</text>')

    def measure(self, ends: Floats, words: str, *, off_mm: float) -> None:
        """A dimension between two points, its line `off_mm` to the right as seen from the first one."""
        a, b = np.asarray(ends, float)
        ahead = (b - a) / np.linalg.norm(b - a)
        side = np.array([-ahead[1], ahead[0]])
        p, q = a + side * off_mm, b + side * off_mm
        for point, foot in ((p, a), (q, b)):
            self.line(
                np.array([foot + side * np.sign(off_mm), point + side * np.sign(off_mm)]),
                ink=BLUE,
                line_mm=0.13,
            )
            tick = (ahead + side) * 1.2 / np.sqrt(2)
            self.line(np.array([point - tick, point + tick]), ink=BLUE, line_mm=0.3)
        self.line(np.array([p, q]), ink=BLUE, line_mm=0.13)
        upright = abs(ahead[1]) > 0.7
        middle = (p + q) / 2 + (np.array([-1.2, 0.0]) if upright else np.array([0.0, -1.2]))
        self.text(words, (middle[0], middle[1]), ink=BLUE, turned=upright)

    def write(self, path: Path) -> Path:
        """Write the page; returns its path."""
        w, h = f"{self.width_mm:g}", f"{self.height_mm:g}"
        head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}"'
        look = ' fill="none" font-family="DejaVu Sans, sans-serif">'
        paper = f'<rect width="{w}" height="{h}" fill="#ffffff"/>' if self.paper else ""
        lines = [head + look, f"<title>{escape(self.title)}</title>", paper, *self.parts, "</svg>\n"]
        path.write_text("\n".join(lines), encoding="utf-8")
        return path


def _stroke(ink: str, line_mm: float, dash: str = "") -> str:
    extra = f' stroke-dasharray="{dash}"' if dash else ""
    return f'stroke="{ink}" stroke-width="{line_mm}"{extra}'

"""A dimensioned drawing of a clip: from the side, from the front and from above, without hidden edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from manifold3d import Manifold

from hardware.boards import HOLES_MM
from hardware.body import layout
from hardware.measures import Floats, Measures
from hardware.plug import to_card_mm
from hardware.svg import BLUE, GREY, RED, Page

# Rows: the directions that point right on paper, down on paper, and towards the viewer.
VIEWS = {
    "side": np.array([[0, 1, 0], [0, 0, -1], [1, 0, 0]], float),
    "front": np.array([[1, 0, 0], [0, 0, -1], [0, -1, 0]], float),
    "above": np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1]], float),
}
_SHARP = 0.94  # cosine between two faces whose common edge is drawn
_STEP_MM = 2.0


def visible_edges(body: Manifold, view: Floats) -> list[Floats]:
    """Return the visible pieces (2, 2) of sharp edges in a view, in its plane, mm."""
    pieces = [piece for edge in _sharp_edges(body, view[2]) for piece in _seen(body, edge, view[2])]
    return [piece @ view[:2].T for piece in pieces]


def _sharp_edges(body: Manifold, towards: Floats) -> Floats:
    """Edges (n, 2, 3) between faces that meet at an angle, or on the silhouette."""
    mesh = body.to_mesh()
    points = np.asarray(mesh.vert_properties, float)[:, :3]
    corners = points[mesh.tri_verts]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
    sides = np.concatenate([mesh.tri_verts[:, [i, (i + 1) % 3]] for i in range(3)])
    order = np.lexsort(np.sort(sides, axis=1).T)
    pairs = np.tile(np.arange(len(corners)), 3)[order].reshape(-1, 2)
    facing = normals[pairs] @ towards
    sharp = np.einsum("nd,nd->n", normals[pairs[:, 0]], normals[pairs[:, 1]]) < _SHARP
    rim = (facing[:, 0] > 1e-6) != (facing[:, 1] > 1e-6)
    return np.asarray(points[sides[order[::2]]][sharp | rim])


def _seen(body: Manifold, edge: Floats, towards: Floats) -> list[Floats]:
    """The parts of an edge that nothing hides."""
    count = max(1, int(np.ceil(np.linalg.norm(edge[1] - edge[0]) / _STEP_MM)))
    ends = edge[0] + (edge[1] - edge[0]) * np.linspace(0, 1, count + 1)[:, None]
    middles = (ends[:-1] + ends[1:]) / 2
    free = [not body.ray_cast(tuple(p + 0.05 * towards), tuple(p + 500 * towards)) for p in middles]
    turns = np.flatnonzero(np.diff([False, *free, False]))
    return [ends[[start, stop]] for start, stop in turns.reshape(-1, 2)]


class _View:
    """A view on the page: the card's middle is at `at`, x to the right and y downwards."""

    def __init__(self, page: Page, at: tuple[float, float]) -> None:
        self.page, self.at = page, np.asarray(at)

    def edges(self, body: Manifold, view: Floats) -> None:
        for piece in visible_edges(body, view):
            self.page.line(piece + self.at, line_mm=0.3)

    def measure(
        self, start: tuple[float, float], end: tuple[float, float], words: str, off_mm: float
    ) -> None:
        self.page.measure(np.array([start, end]) + self.at, words, off_mm=off_mm)

    def line(self, start: tuple[float, float], end: tuple[float, float], **look: object) -> None:
        self.page.line(np.array([start, end]) + self.at, **look)  # type: ignore[arg-type]

    def text(self, words: str, x: float, y: float, **look: object) -> None:
        self.page.text(words, (self.at[0] + x, self.at[1] + y), **look)  # type: ignore[arg-type]


def write_drawing(path: Path, body: Manifold, m: Measures) -> Path:
    """Write the drawing at full scale on A3; returns its path."""
    low, high = np.array(body.bounding_box()).reshape(2, 3)
    size = np.ceil([high[1] - low[1] + 2 * high[0] + 125, high[2] - low[2] + 2 * high[0] + 98])
    page = Page(float(size[0]), float(size[1]), f"Spotwright clip, {m.mount} mount {m.mount_mm:g} mm")
    side = _View(page, (36 - low[1], 26 + high[2]))
    front = _View(page, (side.at[0] + high[1] + 45 + high[0], 26 + high[2]))
    above = _View(page, (36 - low[1], page.height_mm - 10 - high[0]))
    for view, name in ((side, "side"), (front, "front"), (above, "above")):
        view.edges(body, VIEWS[name])
    _side_notes(side, m, low, high)
    _front_notes(front, m, low, high)
    above.text("from above", low[1], -high[0] - 4, ink=GREY, anchor="start")
    side.text("from the side", low[1], -high[2] - 12, ink=GREY, anchor="start")
    _words(above, m, high - low, body.volume() / 1000)
    return page.write(path)


def _side_notes(view: _View, m: Measures, low: Floats, high: Floats) -> None:
    """Dimensions along the beam, the line of sight and the beam itself."""
    at = layout(m)
    if m.camera != "none":
        _sight(view, m)
    view.line((low[1] - 12, 0), (at.stop[0], 0), ink=RED, line_mm=0.7)
    view.text("beam", low[1] - 13, 1.2, ink=RED, anchor="end")
    view.measure((low[1], -low[2]), (high[1], -low[2]), f"{high[1] - low[1]:.1f}", 8)
    view.measure((low[1], -low[2]), (0, -low[2]), f"{-low[1]:.1f}", 16)
    if m.mount != "nozzle":
        view.measure((0, -low[2]), (to_card_mm(m), -low[2]), f"{to_card_mm(m):.1f} to the mount", 24)
    view.measure((high[1], -low[2]), (high[1], -high[2]), f"{high[2] - low[2]:.1f}", 22)
    view.measure((high[1], -low[2]), (high[1], 0), f"{-low[2]:.1f}", 12)
    top = -at.top
    for start, end, words, rise in (
        (at.card[0], at.card[1], f"card {at.card[1]:.1f}", 26),
        (at.card[1], at.stop[0], f"air {m.air_mm:g}", 16),
        (at.stop[0], at.stop[1], f"stop {at.stop[1] - at.stop[0]:.1f}", 8),
    ):
        view.measure((start, top), (end, top), words, -rise)


def _sight(view: _View, m: Measures) -> None:
    """The line from the lens to the card's middle."""
    lens = (m.lens_mm[1], -m.lens_mm[2])
    view.line(lens, (0, 0), ink=BLUE, line_mm=0.2, dash="4 1.5")
    words = f"{m.tilt_deg:g}°, {m.distance_mm:g} to the lens"
    view.text(words, lens[0] / 2 + 8, lens[1] / 2 - 3, ink=BLUE, anchor="start")


def _front_notes(view: _View, m: Measures, low: Floats, high: Floats) -> None:
    radius = m.corridor_mm / 2
    view.page.circle((view.at[0], view.at[1]), radius, ink=BLUE, dash="3 1.5")
    view.text(f"Ø {m.corridor_mm:g}: no plastic", 0, 1, ink=BLUE, size_mm=3.0)
    view.measure((low[0], -low[2]), (high[0], -low[2]), f"{high[0] - low[0]:.1f}", 8)
    inner = layout(m).inner
    if m.camera != "none":
        board = _holes_seen(m)
        view.measure((board[0][0], board[0][1]), (board[1][0], board[1][1]), f"{np.ptp(board[:, 0]):g}", -34)
    view.measure((-inner, -low[2]), (inner, -low[2]), f"free {2 * inner:.1f}", 16)
    view.text("as the beam comes", 0, -high[2] - 17, ink=GREY)


def _holes_seen(m: Measures) -> Floats:
    """The camera's upper holes as they are seen from the front, (2, 2)."""
    right, up, _ = m.axes
    row = max(z for _, z in HOLES_MM)
    places = m.lens_mm + np.array([x * right + z * up for x, z in HOLES_MM if z == row])
    return np.asarray(places @ VIEWS["front"][:2].T)


def _words(view: _View, m: Measures, size: Floats, volume_cm3: float) -> None:
    lines = [
        f"Clip for a {m.mount} mount of {m.mount_mm:g}, {m.card} card, camera: {m.camera}.",
        "All lengths in mm. Print as it stands, without support:",
        f"{size[1]:.0f} × {size[0]:.0f} × {size[2]:.0f}, {volume_cm3:.0f} cm³ if solid.",
        f"Magnets Ø {m.magnet_mm[0]:g} × {m.magnet_mm[1]:g}.",
        "Never pulse without card and beam stop in their slots.",
    ]
    right = layout(m).rear + 45.0
    for i, words in enumerate(lines):
        view.text(words, right, 6 * i - 12, anchor="start", size_mm=3.4)

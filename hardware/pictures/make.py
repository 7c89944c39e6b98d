"""Draw the pictures of this folder: run `python -m hardware.pictures.make` in the checkout."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
from manifold3d import Manifold
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hardware.body import BOARD_MM, LENS_TO_RIBBON_EDGE_MM, layout
from hardware.cards import shapes
from hardware.holds import clip_body
from hardware.measures import Floats, Measures, camera_axes
from hardware.solids import bore, box
from vision.card import Boxes

HERE = Path(__file__).parent
PLASTIC, CARD, STOP, BEAM, BOARD, METAL = "#d9a441", "#fbfbf6", "#5c656d", "#c0392b", "#2f7d4f", "#aeb6bd"
INK = "#1c1c1c"
VIEWS = {"front": (0.62, -0.60, 0.42), "rear": (0.55, 0.62, 0.30)}


def scene(m: Measures) -> list[tuple[Manifold, str]]:
    """Return the clip with everything that is put into it, each with its colour."""
    at = layout(m)
    width, height = (side / 2 for side in m.card_size_mm)
    y = np.array([0.0, 1.0, 0.0])
    card = box((-width, width), (0, m.card_mm), (-height, height)) - bore(
        m.window_mm / 2, -y, y, 9, roof=False
    )
    stop = box((-width, width), (at.stop[0] + 0.1, at.stop[1] - 0.2), (-height, height - 4))
    right, up, ahead = camera_axes(m.tilt_deg)
    lens = bore(3.5, m.lens_mm - 7 * ahead, ahead, 7.0, roof=False)
    beam = bore(3.5, -150 * y * (m.distance_mm / 158), y, 150 * (m.distance_mm / 158), roof=False)
    edge = LENS_TO_RIBBON_EDGE_MM
    board = box((-12.5, 12.5), (edge - BOARD_MM[1], edge), (-8.2, -6.6)).transform(
        np.column_stack([right, up, ahead, m.lens_mm])
    )
    mount = bore(m.mount_mm / 2, y * (at.rear + 3), y, 22, roof=False)
    if m.mount == "square":
        half = m.mount_mm / 2
        mount = box((-half, half), (at.rear + 6, at.rear + 30), (-half, half))
    if m.mount == "nozzle":
        mount = bore(m.mount_mm / 2, -y * (m.gap_mm + m.tip_mm), -y, 60, roof=False)
    return [
        (clip_body(m), PLASTIC),
        (card, CARD),
        (_ink(m), INK),
        (stop, STOP),
        (lens, "#222222"),
        (board, BOARD),
        (mount, METAL),
        (beam, BEAM),
    ]


def _ink(m: Measures) -> Manifold:
    """The markers and rulers that are printed on the card, as plates."""
    boxes = [shape.sides_mm for shape in shapes("mirror-1", m.card) if isinstance(shape, Boxes)]
    plates = [box((a, c), (-0.15, 0.02), (b, d)) for a, b, c, d in np.concatenate(boxes)]
    return Manifold.compose(plates)


def draw(parts: list[tuple[Manifold, str]], view: Floats, *, width_px: int = 900) -> Figure:
    """Paint triangles by a depth buffer, shaded by the angle to the light; returns a figure."""
    ahead = -np.asarray(view) / np.linalg.norm(view)
    right = np.cross(ahead, (0, 0, 1.0))
    right /= np.linalg.norm(right)
    frame = np.column_stack([right, np.cross(right, ahead), ahead])
    corners, colours = _triangles(parts)
    seen = corners @ frame
    low, high = seen.reshape(-1, 3)[:, :2].min(0) - 4, seen.reshape(-1, 3)[:, :2].max(0) + 4
    per_mm = 2 * width_px / (high[0] - low[0])
    cols, rows = np.ceil((high - low) * per_mm).astype(int)
    picture, depth = np.ones((rows, cols, 3)), np.full((rows, cols), np.inf)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    light = np.array([0.35, -0.5, 0.8]) / np.linalg.norm([0.35, -0.5, 0.8])
    shade = 0.62 + 0.38 * np.clip(normal @ light, -0.6, 1)
    for triangle, colour in zip(seen, colours * np.clip(shade, 0, 1)[:, None], strict=True):
        _fill(picture, depth, (triangle[:, :2] - low) * per_mm, triangle[:, 2], colour)
    return _figure(_edged(picture, depth)[::-1], width_px)


def _triangles(parts: list[tuple[Manifold, str]]) -> tuple[Floats, Floats]:
    corners, colours = [], []
    for solid, colour in parts:
        mesh = solid.to_mesh()
        triangles = mesh.vert_properties[:, :3][mesh.tri_verts]
        corners.append(triangles)
        colours.append(np.tile(mpl.colors.to_rgb(colour), (len(triangles), 1)))
    return np.concatenate(corners).astype(float), np.concatenate(colours)


def _fill(picture: Floats, depth: Floats, px: Floats, far: Floats, colour: Floats) -> None:
    """One triangle into the depth buffer, by barycentric coordinates."""
    low = np.maximum(np.floor(px.min(0)).astype(int), 0)
    high = np.minimum(np.ceil(px.max(0)).astype(int) + 1, depth.shape[::-1])
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    (ax, ay), (bx, by), (cx, cy) = px
    area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
    if abs(area) < 1e-9 or not x.size:
        return
    second = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) / area
    third = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) / area
    z = far[0] + second * (far[1] - far[0]) + third * (far[2] - far[0])
    part = np.s_[low[1] : high[1], low[0] : high[0]]
    hit = (second >= 0) & (third >= 0) & (second + third <= 1) & (z < depth[part])
    depth[part][hit], picture[part][hit] = z[hit], colour


def _edged(picture: Floats, depth: Floats) -> Floats:
    """Darken where the depth bends or jumps: outlines that read in print."""
    filled = np.where(np.isfinite(depth), depth, np.nanmax(depth[np.isfinite(depth)]) + 60)
    bend = abs(np.diff(filled, 2, axis=0))[:, 1:-1] + abs(np.diff(filled, 2, axis=1))[1:-1]
    edge = np.zeros(depth.shape)
    edge[1:-1, 1:-1] = np.clip(bend / 0.6 - 0.3, 0, 1)
    return picture * (1 - 0.75 * edge[..., None])


def _figure(picture: Floats, width_px: int) -> Figure:
    rows, cols, _ = picture.shape
    figure = Figure(figsize=(width_px / 100, width_px / 100 * rows / cols), dpi=100)
    axes: Axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.imshow(np.clip(picture, 0, 1), interpolation="antialiased", aspect="auto")
    return figure


KINDS = {
    "round": Measures(),
    "square": Measures(mount="square", mount_mm=50),
    "nozzle": Measures(mount="nozzle", mount_mm=20, tilt_deg=35),
    "small": Measures(mount_mm=20, card="small"),
}


def main() -> None:
    """Draw every clip from both sides."""
    for kind, m in KINDS.items():
        for side, view in VIEWS.items():
            draw(scene(m), np.array(view), width_px=700).savefig(
                HERE / f"clip-{kind}-{side}.png", pil_kwargs={"optimize": True}
            )


if __name__ == "__main__":
    main()

"""Draw the pictures of this folder: run `python -m hardware.pictures.make` in the checkout."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hardware.holder import Cut
from hardware.measures import Floats, Measures
from hardware.pictures import scene
from hardware.pictures.scene import Part, view_frame

HERE = Path(__file__).parent
VIEWS = {"front": (0.62, -0.60, 0.42), "rear": (0.55, 0.62, 0.30)}


def draw(parts: list[Part], view: Floats, *, width_px: int = 900) -> Figure:
    """Paint triangles by a depth buffer, shaded by the angle to the light; returns a figure."""
    frame = view_frame(view)
    corners, colours = _triangles(parts)
    seen = corners @ frame
    low, high = seen.reshape(-1, 3)[:, :2].min(0) - 4, seen.reshape(-1, 3)[:, :2].max(0) + 4
    per_mm = 2 * width_px / (high[0] - low[0])
    cols, rows = np.ceil((high - low) * per_mm).astype(int)
    picture, depth = np.ones((rows, cols, 3)), np.full((rows, cols), np.inf)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    light = (
        0.35 * frame[:, 0] - 0.6 * frame[:, 2] + np.array([0.0, 0.0, 0.7])
    )  # over the viewer's right shoulder
    light /= np.linalg.norm(light)
    shade = 0.62 + 0.38 * np.clip(normal @ light, -0.6, 1)
    for triangle, colour in zip(seen, colours * np.clip(shade, 0, 1)[:, None], strict=True):
        _fill(picture, depth, (triangle[:, :2] - low) * per_mm, triangle[:, 2], colour)
    return _figure(_edged(picture, depth)[::-1], width_px)


def _triangles(parts: list[Part]) -> tuple[Floats, Floats]:
    corners, colours = [], []
    for solid, colour in parts:
        mesh = solid.to_mesh()
        triangles = mesh.vert_properties[:, :3][mesh.tri_verts]
        corners.append(triangles)
        colours.append(np.tile(mpl.colors.to_rgb(colour), (len(triangles), 1)))
    return np.concatenate(corners).astype(float), np.concatenate(colours)


def _fill(picture: Floats, depth: Floats, px: Floats, far: Floats, colour: Floats) -> None:
    """Draw one triangle into the depth buffer, by barycentric coordinates."""
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


CLIPS = {
    "round": Measures(),
    "square": Measures(mount="square", mount_mm=50),
    "bracket": Measures(mount="bracket", mount_mm=50),
    "nozzle": Measures(mount="nozzle", mount_mm=20, card="standard", camera="standard"),
    "standard": Measures(card="standard", camera="standard"),
    "holder": Measures(mount="square", mount_mm=50, card="standard", camera="none"),
}
NEAR = CLIPS["round"]
DETAILS: dict[str, tuple[Callable[[], list[Part]], tuple[float, float, float]]] = {
    "plug": (lambda: scene.plug_scene(NEAR, 16.0), (1.0, -0.25, 0.25)),
    "magnets": (lambda: scene.magnet_scene(CLIPS["square"]), (0.75, 0.62, 0.35)),
    "board": (lambda: scene.board_scene(NEAR), (0.45, -0.9, 0.55)),
    "hood": (lambda: scene.hood_scene(NEAR), (0.35, 0.9, -0.15)),
    "holder-round": (
        lambda: scene.holder_scene(Cut(mount="round", mount_mm=40, aperture_mm=18)),
        (0.62, 0.55, 0.35),
    ),
    "holder-square": (lambda: scene.holder_scene(Cut()), (0.62, -0.6, 0.42)),
    "holder-bracket": (lambda: scene.holder_scene(Cut(mount="bracket")), (0.75, -0.2, 0.8)),
    "holder-nozzle": (lambda: nozzle_holder(Cut(mount="nozzle", mount_mm=20)), (0.5, -0.8, 0.45)),
    "tape": (lambda: scene.tape_scene(CLIPS["standard"]), (0.5, 0.9, 0.2)),
}


def nozzle_holder(c: Cut) -> list[Part]:
    """The cut holder below a nozzle, as it stands."""
    return [(scene.hung_at_the_nozzle(part), colour) for part, colour in scene.holder_scene(c)]


def main() -> None:
    """Draw every clip from both sides, the details and the cut holders."""
    pictures = {
        f"clip-{kind}-{side}": (scene.clip_scene(m), view)
        for kind, m in CLIPS.items()
        for side, view in VIEWS.items()
    }
    pictures |= {name: (parts(), view) for name, (parts, view) in DETAILS.items()}
    for name, (parts, view) in pictures.items():
        draw(parts, np.array(view), width_px=700).savefig(HERE / f"{name}.png", pil_kwargs={"optimize": True})


if __name__ == "__main__":
    main()

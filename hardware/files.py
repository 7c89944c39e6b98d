"""Writing a body as STL (binary) and 3MF, both in millimetres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from manifold3d import Manifold


def as_mesh(body: Manifold) -> trimesh.Trimesh:
    """Return the body as a mesh that stands on z = 0, its middle over the origin."""
    mesh = body.to_mesh()
    points = np.asarray(mesh.vert_properties, float)[:, :3]
    low, high = points.min(axis=0), points.max(axis=0)
    shift = np.array([*(low + high)[:2] / 2, low[2]])
    return trimesh.Trimesh(points - shift, mesh.tri_verts, process=False)


def write_body(folder: Path, name: str, body: Manifold) -> list[Path]:
    """Write `name.stl` and `name.3mf`; returns both paths."""
    folder.mkdir(parents=True, exist_ok=True)
    mesh = as_mesh(body)
    mesh.units = "mm"
    paths = [folder / f"{name}.stl", folder / f"{name}.3mf"]
    for path in paths:
        mesh.export(path)
    return paths

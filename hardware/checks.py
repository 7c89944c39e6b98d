"""Checks of a clip before it is printed; each measures something and states its limit."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold

from hardware.boards import board_solids, screw_solids
from hardware.body import layout
from hardware.measures import AXIS_OFF_DEG, BED_MM, FILLED, Floats, Measures
from hardware.solids import bore

OVERHANG_DEG = 45.0  # a face that leans farther from the vertical needs support: common practice, no source
WALL_MM = 1.2  # three lines of a 0.4 mm nozzle: common practice, no source
_OPPOSED = -0.85  # cosine between two faces that count as the two sides of one wall
WINDOW_TARGETS = 120  # the first of the targets are in the window, the others around the markers
_PUPIL_MM = 2.0  # the lens is not a point, and it cannot be mounted more exactly than this


@dataclass(frozen=True)
class Check:
    """One property: what was measured, and whether that is within its limit."""

    name: str
    value: float
    limit: str
    holds: bool

    def __str__(self) -> str:
        return f"{'ok  ' if self.holds else 'FAIL'} {self.name}: {self.value:.4g} ({self.limit})"


def check_clip(body: Manifold, m: Measures) -> list[Check]:
    """Return every check of a clip in its own frame, in a fixed order."""
    side = float(np.subtract(body.bounding_box()[3:], body.bounding_box()[:3]).max())
    parts, beam = len(body.decompose()), in_beam_mm3(body, m)
    checks = [
        Check("separate bodies", parts, "1", parts == 1),
        Check("longest side, mm", side, f"at most {BED_MM:g}", side <= BED_MM),
        *_print_checks(body),
        Check("plastic in the beam's corridor, mm³", beam, f"0 within Ø {m.corridor_mm:g} mm", beam <= 1e-6),
    ]
    return checks if m.camera == "none" else checks + _camera_checks(body, m)


def _camera_checks(body: Manifold, m: Measures) -> list[Check]:
    """The checks of the camera: its view, its board, its focus."""
    hidden, clash = len(blocked(body, targets(m), m)), overlap_mm3(body, m)
    filled, off = 100 * m.in_view(m.distance_mm), 100 * m.in_view(m.distance_mm, off_deg=AXIS_OFF_DEG)
    checks = [
        Check("lines of sight that are blocked", hidden, "0 to the window and all markers", hidden == 0),
        Check("field of view filled, %", filled, f"at most {100 * FILLED:g}", filled <= 100 * FILLED),
        Check("the same, axis 3° off, %", off, "at most 100", off <= 100.0),
        Check(
            "plastic in the camera's board, mm³",
            clash,
            "0, the board at either end of its slots",
            clash <= 1e-6,
        ),
        Check("blur at the farthest marker, modules", m.blur, "at most 0.33", m.blur <= 0.33),
    ]
    return [*checks, _past_the_nozzle(m)] if m.mount == "nozzle" else checks


def camera_frame(m: Measures) -> Floats:
    """The camera's right, up and line of sight and the front of its lens, as columns (3, 4)."""
    return np.column_stack([*m.axes, m.lens_mm])


def front_mm(body: Manifold, m: Measures) -> float:
    """How far clip and camera (without the ribbon's end) reach from the card's struck face into the beam."""
    parts = [body]
    if m.camera != "none":
        parts += [p.transform(camera_frame(m)) for p in screw_solids(m.board).values()]
        parts += [
            p.transform(camera_frame(m)) for name, p in board_solids(m.board).items() if name != "ribbon"
        ]
    return float(max(-part.bounding_box()[1] for part in parts))


def overlap_mm3(body: Manifold, m: Measures) -> float:
    """Volume that the camera's board, flex, socket, ribbon, screws and nuts share with a body, mm³."""
    found = 0.0
    for slid in (-0.9, 0.0, 0.9):
        for part in (*board_solids(m.board, slid).values(), *screw_solids(m.board, slid).values()):
            found += max(0.0, float((body ^ part.transform(camera_frame(m))).volume()))
    return found


def _print_checks(body: Manifold) -> list[Check]:
    roof, wall = unsupported_mm2(body), thinnest_mm(body)
    return [
        Check("faces that need support, mm²", roof, "at most 0.5", roof <= 0.5),
        Check("thinnest wall, mm", wall, f"at least {WALL_MM:g}", wall >= WALL_MM),
    ]


def _past_the_nozzle(m: Measures) -> Check:
    aims = np.vstack([mark_zone(), targets(m)[WINDOW_TARGETS:]])
    hidden = len(blocked(nozzle(m), aims, m))
    limit = "0 to the middle 8 mm and all markers"
    return Check("lines of sight that the nozzle blocks", hidden, limit, hidden == 0)


def _faces(body: Manifold) -> tuple[Floats, Floats, Floats]:
    """Corners (n, 3, 3), outward unit normals (n, 3) and areas (n,) of all faces."""
    mesh = body.to_mesh()
    corners = np.asarray(mesh.vert_properties, float)[:, :3][mesh.tri_verts]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.linalg.norm(across, axis=1)
    return corners, across / np.maximum(double, 1e-12)[:, None], double / 2


def unsupported_mm2(body: Manifold) -> float:
    """Area of the faces that look down more steeply than 45° and do not lie on the bed."""
    corners, normals, areas = _faces(body)
    lean = np.sin(np.radians(OVERHANG_DEG + 0.5))
    on_bed = corners[:, :, 2].max(axis=1) < body.bounding_box()[2] + 0.01
    return float(areas[(normals[:, 2] < -lean) & ~on_bed].sum())


def thinnest_mm(body: Manifold, *, count: int = 4000, seed: int = 1) -> float:
    """Least thickness met by rays from random places of the surface straight inwards, mm.

    A ray counts only if it leaves through a face opposite to the one it entered by; others cross an edge.
    """
    corners, normals, areas = _faces(body)
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(areas), size=count, p=areas / areas.sum())
    weight = rng.dirichlet((1, 1, 1), size=count)
    points = np.einsum("nk,nkd->nd", weight, corners[chosen])
    return min(_through(body, p, n) for p, n in zip(points, normals[chosen], strict=True))


def _through(body: Manifold, point: Floats, normal: Floats) -> float:
    start, reach = point - 1e-3 * normal, 40.0
    hits = body.ray_cast(tuple(start), tuple(start - reach * normal))
    if not hits or np.dot(hits[0].normal, normal) > _OPPOSED:
        return np.inf
    return float(hits[0].distance * reach + 1e-3)


def corridor(m: Measures) -> Manifold:
    """The straight path of the beam to the beam stop's face; at the nozzle it begins at the nozzle's tip."""
    start = -m.gap_mm if m.mount == "nozzle" else -m.distance_mm - 100.0
    ahead = np.array([0.0, 1.0, 0.0])
    return bore(m.corridor_mm / 2, start * ahead, ahead, layout(m).stop[0] - start, roof=False)


def in_beam_mm3(body: Manifold, m: Measures) -> float:
    """Volume of plastic inside the corridor, mm³."""
    return float((body ^ corridor(m)).volume())


def targets(m: Measures) -> Floats:
    """What the camera must see, (n, 3): the window in rings, then the markers and their white."""
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    radii = np.linspace(0, m.window_mm / 2, WINDOW_TARGETS // len(turn))
    rings = [np.column_stack([r * np.cos(turn), 0 * turn, r * np.sin(turn)]) for r in radii]
    squares = m.markers_mm.reshape(-1, 4, 3)
    steps = (np.roll(squares, -1, axis=1) - squares)[..., None, :] * np.array([[0], [1 / 3], [2 / 3]])
    return np.vstack([*rings, (squares[..., None, :] + steps).reshape(-1, 3)])


def mark_zone() -> Floats:
    """The middle of the card, 8 mm wide, where the mark of a focused beam is if it can be read at all."""
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return np.vstack([np.zeros(3), 4.0 * np.column_stack([np.cos(turn), 0 * turn, np.sin(turn)])])


def nozzle(m: Measures) -> Manifold:
    """What is assumed of the nozzle: its tip, the cone above it, and 60 mm of its full diameter."""
    tip = Manifold.cylinder(m.tip_mm, m.tip_diameter_mm / 2, m.mount_mm / 2, 48)
    upright = tip + Manifold.cylinder(60.0, m.mount_mm / 2).translate((0, 0, m.tip_mm))
    return upright.rotate((90, 0, 0)).translate((0, -m.gap_mm, 0))


def blocked(body: Manifold, aims: Floats, m: Measures) -> Floats:
    """Those of the aims (n, 3) that a body hides from part of the lens; a ray ends 0.3 mm before the card."""
    sides = itertools.product((-_PUPIL_MM, _PUPIL_MM), (0, 2))
    lenses = m.lens_mm + np.vstack([np.zeros(3), *(shift * np.eye(3)[axis] for shift, axis in sides)])
    hidden = [aim for aim in aims for lens in lenses if _meets(body, lens, aim)]
    return np.unique(np.array(hidden).reshape(-1, 3), axis=0)


def _meets(body: Manifold, lens: Floats, aim: Floats) -> bool:
    back = lens - aim
    return bool(body.ray_cast(tuple(lens), tuple(aim + 0.3 * back / np.linalg.norm(back))))

"""Pictures as a person takes them: each with its own camera, light, focus and file, of one and the same
sheet.

A `Sheet` is what hangs at the mirror: the printed card, maybe bent, and the tape. The tape may be in front of
or behind the card's plane, is wavy, has wrinkles, smudges and pen lines, and carries burns with a relief of
their own. A `Shot` is one picture of it. Parallax, shading and glare all come from the one height map. Burns
add up as doses do: what is left of the tape's colour is exp(-sum of doses), so a second pulse on burnt tape
changes little. The reader knows nothing of all this except the printed card.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np
import scenes
from scenes import MARGIN_MM, PX_PER_MM, View

WINDOW_MM = 23.0


@dataclass(frozen=True)
class Burn:
    """One pulse: `diameter` is where half of the tape's colour is gone; `dose` is the centre's (e-folds).

    `form`: `disc` (a threshold burn, soft edge `soft_mm`), `bell` (Gaussian dose), `ring`, `two` or `four`
    lobes about the centre. `halo`: strength of a brown smear on one side, towards `halo_deg`.
    """

    centre: tuple[float, float]
    diameter: float = 5.0
    dose: float = 3.0
    form: str = "disc"
    soft_mm: float = 0.25
    ragged: float = 0.02
    turn_deg: float = 0.0
    halo: float = 0.0
    halo_deg: float = 0.0
    relief_mm: float = 0.03
    seed: int = 1


@dataclass(frozen=True)
class Sheet:
    """What hangs there; from the picture before to the one after only its burns change."""

    station: str = "mirror-2"
    tape: str = "masking"
    burns: tuple[Burn, ...] = ()
    texture: float = 2.0
    depth_mm: float = 0.0
    wave_mm: float = 0.0
    wrinkles: int = 0
    wrinkle_mm: float = 0.1
    smudges: int = 0
    pen_lines: int = 0
    torn: bool = False
    bend_radius_mm: float = 0.0
    bend_deg: float = 0.0
    pale: float = 0.0
    streaks: float = 0.0
    seed: int = 1


@dataclass(frozen=True)
class Shot:
    """One picture: where the camera stands, the light, and what became of the file.

    `gamma` and `bow` (an S about the middle grey) bend its tones; `dark_corners` is the share of light that
    its corners lack, `sharpened` the strength of an unsharp mask.
    """

    view: View = field(default_factory=View)
    light: tuple[float, float, float] = (0.0, 0.0, 1.0)
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    level: float = 1.0
    slope: float = 1.0
    shadow: float = 0.0
    shadow_deg: float = 0.0
    shadow_at_mm: float = 0.0
    penumbra_mm: float = 2.0
    glare: float = 0.0
    glare_at: tuple[float, float] = (0.0, 0.0)
    glare_mm: float = 8.0
    defocus_px: float = 0.8
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 1.5
    jpeg: int | None = 85
    gamma: float = 1.0
    bow: float = 0.0
    sharpened: float = 0.0
    dark_corners: float = 0.0


def dose(burn: Burn, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """How many e-folds of the tape's colour a pulse takes away at points."""
    turn = np.radians(burn.turn_deg)
    du, dv = u - burn.centre[0], v - burn.centre[1]
    x, y = du * np.cos(turn) + dv * np.sin(turn), dv * np.cos(turn) - du * np.sin(turn)
    half = burn.diameter / 2
    turns = np.linspace(-np.pi, np.pi, 721)
    wave = scenes.outline(scenes.Spot((0, 0), ragged=burn.ragged, seed=burn.seed), turns)
    edge = np.interp(np.arctan2(y, x), turns, wave).astype(np.float32)
    r = np.hypot(x, y) / (half * edge)
    if burn.form == "bell":
        return burn.dose * np.exp(-np.log(burn.dose / np.log(2)) * r**2)
    if burn.form in ("two", "four"):
        x, y = 1.6 * x / half, 1.6 * y / half
        shape = x * x * (y * y if burn.form == "four" else 0.6) * np.exp(-(x * x + y * y))
        return burn.dose * np.clip(shape / shape.max() * 1.25 - 0.25, 0, None)
    flat = 1 / (1 + np.exp(np.clip((r - 1) * half / (burn.soft_mm / 2), -40, 40)))
    if burn.form == "ring":
        flat = flat * (0.08 + 0.92 / (1 + np.exp(np.clip((0.45 - r) * half / 0.2, -40, 40))))
    return burn.dose * flat


def halo(burn: Burn, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Smoke that settled on one side of a burn, 0 … 1."""
    way = np.radians(burn.halo_deg)
    du, dv = u - burn.centre[0], v - burn.centre[1]
    along, across = du * np.cos(way) + dv * np.sin(way), dv * np.cos(way) - du * np.sin(way)
    size = burn.diameter / 2
    plume = np.exp(-((along - 1.1 * size) ** 2) / (1.1 * size) ** 2 - across**2 / (0.8 * size) ** 2)
    return burn.halo * plume


@lru_cache(maxsize=6)
def bare(sheet: Sheet) -> tuple[np.ndarray, np.ndarray]:
    """Colour and height (mm, towards the camera) of the window's square, without burns."""
    rng = np.random.default_rng(sheet.seed)
    u, v = square()
    plain = scenes.Scene(tape=sheet.tape, texture=sheet.texture, smudges=sheet.smudges, paint_seed=sheet.seed)
    colour = scenes._bare_tape(plain, u.shape[1] // 2).copy()
    height = np.full((v.shape[0], u.shape[1]), sheet.depth_mm, np.float32)
    for _ in range(3 if sheet.wave_mm else 0):
        way, length = rng.uniform(0, 2 * np.pi), rng.uniform(14, 45)
        phase = (u * np.cos(way) + v * np.sin(way)) * 2 * np.pi / length + rng.uniform(0, 6)
        height += sheet.wave_mm * np.sin(phase) / np.sqrt(3)
    for _ in range(sheet.wrinkles):
        height += sheet.wrinkle_mm * rng.uniform(0.5, 1.5) * _line(rng, u, v, rng.uniform(0.15, 0.5))
    for _ in range(sheet.pen_lines):
        line = _line(rng, u, v, 0.25)
        colour += (np.clip(2 * line, 0, 1) * 0.8)[..., None] * (np.array((90, 40, 30)) - colour)
    if sheet.torn:
        way = rng.uniform(0, 2 * np.pi)
        beyond = (
            u * np.cos(way) + v * np.sin(way) - 15 - 0.4 * np.sin(1.3 * (v * np.cos(way) - u * np.sin(way)))
        )
        colour[beyond > 0] = (96, 104, 108)
    return colour, height


def _line(rng: np.random.Generator, u: np.ndarray, v: np.ndarray, width: float) -> np.ndarray:
    """A bowed line of some length somewhere in the window, 1 at its middle."""
    way, at, bow = rng.uniform(0, np.pi), rng.uniform(-14, 14), rng.uniform(-0.01, 0.01)
    along, across = u * np.cos(way) + v * np.sin(way), v * np.cos(way) - u * np.sin(way)
    middle, reach = rng.uniform(-8, 8), rng.uniform(4, 14)
    ends = np.exp(-(((along - middle) / reach) ** 4))
    return np.exp(-(((across - at - bow * along**2) / width) ** 2)) * ends


def square() -> tuple[np.ndarray, np.ndarray]:
    """Card u (row) and v (column) of the window's square at `PX_PER_MM`."""
    half = round(26 * PX_PER_MM)
    steps = ((np.arange(2 * half) + 0.5 - half) / PX_PER_MM).astype(np.float32)
    return steps[None, :], -steps[:, None]


@lru_cache(maxsize=3)
def surface(sheet: Sheet) -> tuple[np.ndarray, np.ndarray]:
    """Colour of the whole painted card and height of the window's square."""
    colour, height = (part.copy() for part in bare(replace(sheet, burns=())))
    u, v = square()
    char = np.array(scenes.CHARS[sheet.tape], np.float32)
    total = np.zeros_like(height)
    for burn in sheet.burns:
        brown = (0.55 * halo(burn, u, v))[..., None] if burn.halo else None
        if brown is not None:
            colour += brown * ((0.6 * char + 0.4 * np.array((40, 60, 90))) - colour)
        one = dose(burn, u, v)
        total += one
        height -= burn.relief_mm * (1 - np.exp(-one))
        ridge = np.hypot(u - burn.centre[0], v - burn.centre[1]) - burn.diameter / 2
        height += burn.relief_mm * np.exp(-((ridge / 0.3) ** 2))
    colour += (1 - np.exp(-total))[..., None] * (char - colour)
    plane = scenes._blank(sheet.station, "standard", (), (70.0, 78.0, 82.0)).copy()
    if sheet.pale:
        plane += np.float32(sheet.pale) * (200 - plane) * (plane < 190)
    if sheet.streaks:
        plane += streaks(sheet, plane.shape[0])[:, None, None] * (200 - plane) * (plane < 190)
    half = u.shape[1] // 2
    cy, cx = round((55 + MARGIN_MM) * PX_PER_MM), round((45 + MARGIN_MM) * PX_PER_MM)
    part = np.s_[cy - half : cy + half, cx - half : cx + half]
    inside = np.clip((WINDOW_MM - np.hypot(u, v)) * PX_PER_MM + 0.5, 0, 1)[..., None]
    plane[part] += (colour - plane[part]) * inside
    return plane, height


def streaks(sheet: Sheet, rows: int) -> np.ndarray:
    """Share of the ink that each row of the plane lacks, as clogged nozzles leave it."""
    rng = np.random.default_rng(sheet.seed + 7)
    v = np.arange(rows) / PX_PER_MM
    lacks = np.zeros(rows)
    at = 0.0
    while at < v[-1]:
        at += rng.uniform(2, 9)
        lacks = np.maximum(
            lacks, sheet.streaks * rng.uniform(0.5, 1) * (np.abs(v - at) < rng.uniform(0.1, 0.35))
        )
    return lacks.astype(np.float32)


def place_of_camera(view: View) -> np.ndarray:
    """Camera centre in card mm, z towards the struck side."""
    axis = np.radians(view.tilt_axis_deg)
    tilt = cv2.Rodrigues(np.array([np.cos(axis), np.sin(axis), 0]) * np.radians(view.tilt_deg))[0]
    roll = cv2.Rodrigues(np.array([0, 0, np.radians(view.roll_deg)]))[0]
    turn = tilt @ roll @ np.diag([1.0, -1.0, -1.0])
    at = -turn.T @ np.array([*view.shift_mm, view.distance_mm])
    return at if at[2] > 0 else -at


def take(sheet: Sheet, shot: Shot, rng: np.random.Generator) -> np.ndarray:
    """The picture, (rows, cols, 3) uint8 BGR."""
    plane, height = surface(sheet)
    lit = plane * shade(sheet, shot, height, plane.shape[:2])[..., None] + glare(
        shot, height, plane.shape[:2]
    )
    u, v = on_card(sheet, shot.view, height)
    col = ((u + 45 + MARGIN_MM) * PX_PER_MM - 0.5).astype(np.float32)
    row = ((55 + MARGIN_MM - v) * PX_PER_MM - 0.5).astype(np.float32)
    by = max(1, int(PX_PER_MM / (shot.view.focal_px / shot.view.distance_mm) + 0.3))
    if by > 1:
        lit = scenes._reduced(lit, by)
        col, row = (col + 0.5) / by - 0.5, (row + 0.5) / by - 0.5
    ground = np.array((70, 78, 82)) * shot.level
    seen = cv2.remap(
        lit.astype(np.float32), col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=ground
    )
    seen = seen * np.array(shot.colour, np.float32) * np.float32(shot.level)
    blur = scenes.Scene(defocus_px=shot.defocus_px, motion_px=shot.motion_px, motion_deg=shot.motion_deg)
    scene = replace(blur, noise=shot.noise, jpeg=shot.jpeg)
    return scenes._exposed(developed(scenes._blurred(seen, scene), shot), scene, rng)


def developed(seen: np.ndarray, shot: Shot) -> np.ndarray:
    """What a telephone makes of what its sensor saw: dark corners, a tone curve, sharpened edges."""
    if shot.dark_corners:
        rows, cols = seen.shape[:2]
        y, x = np.indices((rows, cols), dtype=np.float32)
        out = ((x - cols / 2) ** 2 + (y - rows / 2) ** 2) / (rows**2 + cols**2) * 4
        seen = seen * (1 - shot.dark_corners * out)[..., None]
    if shot.gamma != 1 or shot.bow:
        share = np.clip(seen / 255, 0, 1) ** shot.gamma
        seen = 255 * (share - shot.bow * np.sin(2 * np.pi * share) / (2 * np.pi))
    if shot.sharpened:
        seen = seen + shot.sharpened * (seen - cv2.GaussianBlur(seen, (0, 0), 1.5))
    return seen.astype(np.float32)


def toned(shot: Shot, rng: np.random.Generator) -> Shot:
    """The same photo with a tone curve, sharpening and corners of its own telephone."""
    return replace(
        shot,
        gamma=float(np.exp(rng.uniform(-0.3, 0.3))),
        bow=float(rng.uniform(-0.1, 0.4)),
        sharpened=float(rng.uniform(0, 0.8)),
        dark_corners=float(rng.uniform(0, 0.4)),
    )


def on_card(sheet: Sheet, view: View, height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where on the printed sheet each pixel looks: bent card and raised tape move it along its ray."""
    cols, rows = view.size
    x, y = np.meshgrid(np.arange(cols, dtype=np.float32), np.arange(rows, dtype=np.float32))
    back = np.linalg.inv(scenes.camera(view)).astype(np.float32)
    w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    u0 = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / w
    v0 = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / w
    eye = place_of_camera(view).astype(np.float32)
    u, v = u0, v0
    if not sheet.bend_radius_mm and not height.any():
        return u, v
    half = height.shape[0] / 2
    for _ in range(12 if sheet.bend_radius_mm else 3):
        col, row = (u * PX_PER_MM + half - 0.5), (half - 0.5 - v * PX_PER_MM)
        z = cv2.remap(height, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR, borderValue=0)
        z = z * (np.hypot(u, v) < WINDOW_MM)
        if sheet.bend_radius_mm:
            z = z + _sag(sheet, u, v)
        u, v = u0 + (eye[0] - u0) * z / eye[2], v0 + (eye[1] - v0) * z / eye[2]
    if not sheet.bend_radius_mm:
        return u, v
    return _unrolled(sheet, u, v)


def _sag(sheet: Sheet, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Height of the bent card above the plane that touches its middle."""
    way, radius = np.radians(sheet.bend_deg), sheet.bend_radius_mm
    across = np.clip(u * np.cos(way) + v * np.sin(way), -0.95 * radius, 0.95 * radius)
    return np.sqrt(radius**2 - across**2) - radius


def _unrolled(sheet: Sheet, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places on the flat sheet of points above the plane: a cylinder keeps lengths along its arc."""
    way, radius = np.radians(sheet.bend_deg), sheet.bend_radius_mm
    across, along = u * np.cos(way) + v * np.sin(way), v * np.cos(way) - u * np.sin(way)
    arc = radius * np.arcsin(np.clip(across / radius, -0.99, 0.99))
    return arc * np.cos(way) - along * np.sin(way), arc * np.sin(way) + along * np.cos(way)


def shade(sheet: Sheet, shot: Shot, height: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Light on each point: the slope of the surface, light that falls off, a shadow with its penumbra."""
    u, v = scenes._plane(shape)
    light = np.array(shot.light) / np.linalg.norm(shot.light)
    way, turn = np.arctan2(light[1], light[0]), np.radians(shot.shadow_deg)
    along = np.clip((u * np.cos(way) + v * np.sin(way)) / 55, -1, 1)
    level = shot.slope ** (along / 2)
    if shot.shadow:
        behind = (u * np.cos(turn) + v * np.sin(turn) - shot.shadow_at_mm) / (shot.penumbra_mm / 4)
        level = level * (1 - shot.shadow / (1 + np.exp(np.clip(-behind, -40, 40))))
    half = height.shape[0] // 2
    cy, cx = round((55 + MARGIN_MM) * PX_PER_MM), round((45 + MARGIN_MM) * PX_PER_MM)
    hv, hu = np.gradient(height, 1 / PX_PER_MM)
    lambert = (
        np.clip(light[2] - light[0] * hu + light[1] * hv, 0, None) / np.sqrt(1 + hu**2 + hv**2) / light[2]
    )
    level = np.asarray(level, np.float32).copy()
    level[cy - half : cy + half, cx - half : cx + half] *= lambert.astype(np.float32)
    return level


def glare(shot: Shot, height: np.ndarray, shape: tuple[int, int]) -> np.ndarray | float:
    """A lamp's image on the tape, shifted by the slope of what it falls on."""
    if not shot.glare:
        return 0.0
    added = np.zeros((*shape, 1), np.float32)
    u, v = square()
    hv, hu = np.gradient(height, 1 / PX_PER_MM)
    du, dv = u - shot.glare_at[0] + 60 * hu, v - shot.glare_at[1] - 60 * hv
    half = height.shape[0] // 2
    cy, cx = round((55 + MARGIN_MM) * PX_PER_MM), round((45 + MARGIN_MM) * PX_PER_MM)
    lamp = shot.glare * np.exp(-((du**2 + 1.7 * dv**2) / shot.glare_mm**2)) * (np.hypot(u, v) < WINDOW_MM)
    added[cy - half : cy + half, cx - half : cx + half, 0] = lamp
    return added


def any_shot(name: str, rng: np.random.Generator) -> Shot:
    """A random hand-held photo: `workshop` (an ordinary one) or `harsh`."""
    harsh = name == "harsh"
    size = (1280, 960) if not harsh or rng.random() < 0.6 else (800, 600)
    focal = 1250.0 * size[0] / 1280
    way = rng.uniform(0, 2 * np.pi)
    steep = rng.uniform(0.2, 1.2 if harsh else 0.8)
    warm = rng.uniform(-0.15, 0.15) if harsh else rng.uniform(-0.08, 0.08)
    return Shot(
        view=View(
            roll_deg=float(rng.normal(0, 12)),
            tilt_deg=float(rng.uniform(0, 25)),
            tilt_axis_deg=float(rng.uniform(0, 360)),
            distance_mm=float(210 * np.exp(rng.uniform(np.log(0.85), np.log(1.4)))),
            focal_px=focal,
            shift_mm=(float(rng.uniform(-8, 8)), float(rng.uniform(-6, 6))),
            size=size,
        ),
        light=(float(steep * np.cos(way)), float(steep * np.sin(way)), 1.0),
        colour=(1 - warm, 1.0, 1 + warm),
        level=float(np.exp(rng.uniform(np.log(0.35), np.log(1.05))))
        if harsh
        else float(rng.uniform(0.55, 1.05)),
        slope=float(rng.uniform(1, 3 if harsh else 1.8)),
        shadow=float(rng.uniform(0.15, 0.5)) if rng.random() < (0.4 if harsh else 0.2) else 0.0,
        shadow_deg=float(rng.uniform(0, 360)),
        shadow_at_mm=float(rng.uniform(-18, 18)),
        penumbra_mm=float(rng.uniform(1.0, 8.0)),
        glare=float(rng.uniform(20, 110 if harsh else 50)) if rng.random() < 0.4 else 0.0,
        glare_at=(float(rng.uniform(-18, 18)), float(rng.uniform(-18, 18))),
        glare_mm=float(rng.uniform(4, 12)),
        defocus_px=float(rng.uniform(0.6, 2.0 if harsh else 1.2)),
        motion_px=float(rng.uniform(0, 4)) if harsh else 0.0,
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(rng.uniform(1, 3.5 if harsh else 2.2)),
        jpeg=int(rng.integers(55, 85)) if harsh else int(rng.integers(80, 95)),
    )


def any_burn(rng: np.random.Generator, centre: tuple[float, float] | None = None) -> Burn:
    """A random pulse, by default anywhere in the window's inner part."""
    if centre is None:
        away, way = 15 * np.sqrt(rng.uniform(0, 1)), rng.uniform(0, 2 * np.pi)
        centre = (float(away * np.cos(way)), float(away * np.sin(way)))
    bell, dose = rng.random() < 0.4, float(rng.uniform(1.0, 4))
    diameter = float(rng.uniform(3, 7))
    if bell:  # of a beam of that 1/e² diameter: where its dose is ln 2
        diameter *= float(np.sqrt(np.log(dose / np.log(2)) / 2))
    return Burn(
        centre,
        diameter=diameter,
        dose=dose,
        form="bell" if bell else "disc",
        soft_mm=float(rng.uniform(0.1, 0.6)),
        ragged=float(rng.uniform(0.01, 0.035)),
        relief_mm=float(rng.uniform(0, 0.06)),
        seed=int(rng.integers(1 << 30)),
    )


def any_sheet(name: str, rng: np.random.Generator, *, burns: int = 0) -> Sheet:
    """A random sheet with so many burns that keep clear of each other, as good as can be."""
    harsh = name == "harsh"
    made: list[Burn] = []
    while len(made) < burns:
        tries = [any_burn(rng) for _ in range(20)]
        clear = [
            min(
                [np.hypot(*np.subtract(b.centre, o.centre)) - (b.diameter + o.diameter) / 2 for o in made]
                or [9]
            )
            for b in tries
        ]
        made.append(tries[int(np.argmax(np.minimum(clear, 1.5)))])
    return Sheet(
        station=str(rng.choice(["mirror-1", "mirror-2", "mirror-3", "nozzle"])),
        tape=str(rng.choice(list(scenes.TAPES))),
        burns=tuple(made),
        texture=float(rng.uniform(0.5, 3)),
        depth_mm=float(rng.uniform(-0.3, 0.3)) if harsh else float(rng.uniform(-0.15, 0.15)),
        wave_mm=float(rng.uniform(0, 0.25 if harsh else 0.1)),
        wrinkles=int(rng.integers(0, 5 if harsh else 3)),
        wrinkle_mm=float(rng.uniform(0.02, 0.12 if harsh else 0.06)),
        smudges=int(rng.integers(0, 4 if harsh else 2)),
        pen_lines=int(rng.random() < 0.3),
        seed=int(rng.integers(1 << 30)),
    )

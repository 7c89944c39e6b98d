"""Pictures of cards with known truth: a small renderer of its own, seeded, for tests and benches.

It shares nothing with the reader but the printed card's picture: the camera here is a pinhole with rotation
and distance (and one radial distortion term), every output pixel is looked up in the card's plane and
averaged over a finer grid, then comes blur, light, noise and the file format.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np

from vision import SIZES, card_sheet, draw_card
from vision.card import Shape, marker_boxes
from vision.raster import draw_shapes

PX_PER_MM = 12.0
MARGIN_MM = 14.0
_RAGGED_LENGTH = 0.3  # radians along the edge over which a burnt edge hangs together

TAPES = {
    "masking": (150, 205, 225),
    "blue": (190, 130, 60),
    "green": (110, 170, 90),
    "white": (243, 245, 244),
    "film": (52, 40, 38),
    "clear": (120, 122, 125),
}
CHARS = {
    "masking": (35, 50, 70),
    "blue": (40, 38, 45),
    "green": (35, 48, 40),
    "white": (40, 38, 42),
    "film": (110, 120, 96),
    "clear": (215, 218, 216),
}


@dataclass(frozen=True)
class Spot:
    """One painted mark, mm in the card frame."""

    centre: tuple[float, float]
    diameter: float = 5.0
    colour: tuple[float, float, float] | None = None
    strength: float = 1.0
    soft_mm: float = 0.25
    ragged: float = 0.0
    stretch: float = 1.0
    axis_deg: float = 0.0
    cut_deg: float | None = None
    cut_depth: float = 0.0
    hole: float = 0.0
    hole_colour: tuple[int, int, int] = (225, 225, 225)
    second: tuple[float, float] | None = None
    seed: int = 1


@dataclass(frozen=True)
class View:
    """Where the camera is."""

    roll_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 90.0
    distance_mm: float = 220.0
    focal_px: float = 1250.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    size: tuple[int, int] = (1280, 720)
    radial: float = 0.0


@dataclass(frozen=True)
class Scene:
    """Everything that is in a picture."""

    station: str = "mirror-2"
    size: str = "standard"
    tape: str = "masking"
    texture: float = 2.0
    wrinkles: float = 0.0
    marks: tuple[Spot, ...] = ()
    pen_circle: float = 0.0
    smudges: int = 0
    view: View = field(default_factory=View)
    light_ratio: float = 1.0
    light_deg: float = 0.0
    shadow: float = 0.0
    shadow_deg: float = 30.0
    shadow_at_mm: float = 8.0
    glare: float = 0.0
    exposure: float = 1.0
    defocus_px: float = 0.7
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 1.5
    jpeg: int | None = 92
    covered: tuple[int, ...] = ()
    paint_seed: int = 1
    background: tuple[float, float, float] = (70, 78, 82)


def camera(view: View) -> np.ndarray:
    """3 × 3 from card mm to picture px (pixel centres at integers), without distortion."""
    axis = np.radians(view.tilt_axis_deg)
    tilt = cv2.Rodrigues(np.array([np.cos(axis), np.sin(axis), 0]) * np.radians(view.tilt_deg))[0]
    roll = cv2.Rodrigues(np.array([0, 0, np.radians(view.roll_deg)]))[0]
    turn = tilt @ roll @ np.diag([1.0, -1.0, -1.0])
    place = np.array([*view.shift_mm, view.distance_mm])
    cols, rows = view.size
    inner = np.array([(view.focal_px, 0, (cols - 1) / 2), (0, view.focal_px, (rows - 1) / 2), (0, 0, 1.0)])
    full = inner @ np.column_stack([turn[:, 0], turn[:, 1], place])
    return full / full[2, 2]


@lru_cache(maxsize=8)
def _print(station: str, size: str) -> np.ndarray:
    """The printed card; other sizes as large as the standard one, which the camera makes up for."""
    if size == "standard":
        return draw_card(station, dpi=PX_PER_MM * 25.4)
    sheet, like = card_sheet(station, size), card_sheet(station)
    codes: list[Shape] = [marker_boxes(i, corners / SIZES[size]) for i, corners in sheet.markers.items()]
    return draw_shapes(codes, (like.width_mm, like.height_mm), like.centre_mm, dpi=PX_PER_MM * 25.4)


def _plane(shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Card u and v of each pixel of the painted card (with its margin)."""
    sheet = card_sheet("mirror-1")
    rows, cols = shape
    u = (np.arange(cols) + 0.5) / PX_PER_MM - sheet.centre_mm[0] - MARGIN_MM
    v = sheet.centre_mm[1] + MARGIN_MM - (np.arange(rows) + 0.5) / PX_PER_MM
    return u[None, :].astype(np.float32), v[:, None].astype(np.float32)


def outline(spot: Spot, angle: np.ndarray) -> np.ndarray:
    """Radius of the ragged edge at angles, as a share of the nominal one."""
    rng = np.random.default_rng(spot.seed)
    orders = np.arange(1, 21)
    size = np.exp(-((orders * _RAGGED_LENGTH) ** 2) / 4)
    size *= spot.ragged / np.sqrt((size**2).sum())
    wave = np.zeros_like(angle)
    for k, s, (a, b) in zip(orders, size, rng.normal(0, 1, (len(orders), 2)), strict=True):
        wave += s * (a * np.cos(k * angle) + b * np.sin(k * angle))
    return 1 + wave


def cover(spot: Spot, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """How burnt each point is, 0 … 1."""
    first = _disc(spot, spot.centre, u, v)
    if spot.second is None:
        return first
    return np.maximum(first, _disc(replace(spot, seed=spot.seed + 1), spot.second, u, v))


def _disc(spot: Spot, centre: tuple[float, float], u: np.ndarray, v: np.ndarray) -> np.ndarray:
    turn = np.radians(spot.axis_deg)
    du, dv = u - centre[0], v - centre[1]
    along = (du * np.cos(turn) + dv * np.sin(turn)) / np.sqrt(spot.stretch)
    across = (dv * np.cos(turn) - du * np.sin(turn)) * np.sqrt(spot.stretch)
    radius = np.hypot(along, across)
    edge = spot.diameter / 2 * outline(spot, np.arctan2(across, along))
    burnt = 1 / (1 + np.exp(np.clip((radius - edge) / (spot.soft_mm / 2), -40, 40)))
    if spot.cut_deg is not None:
        way = np.radians(spot.cut_deg)
        ahead = du * np.cos(way) + dv * np.sin(way) - spot.diameter / 2 * (1 - spot.cut_depth)
        burnt = burnt / (1 + np.exp(np.clip(ahead / 0.1, -40, 40)))
    return burnt


def true_centroid(spot: Spot) -> np.ndarray:
    """Centroid of the visible (painted) mark by brute force."""
    reach = spot.diameter * max(1.0, spot.stretch) + (8 if spot.second else 0)
    t = np.arange(-reach, reach, 0.03)
    u, v = t[None, :] + spot.centre[0], t[:, None] + spot.centre[1]
    w = cover(spot, u, v)
    return np.array([(w * u).sum(), (w * v).sum()]) / w.sum()


def outline_centroid(spot: Spot) -> np.ndarray:
    """Centroid of the perfectly known outline of a round, whole mark."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    r = spot.diameter / 2 * outline(spot, angle)
    area = (r**2).mean() / 2
    return np.array(spot.centre) + np.array(
        [(r**3 * np.cos(angle)).mean(), (r**3 * np.sin(angle)).mean()]
    ) / (3 * area)


def paint(scene: Scene) -> np.ndarray:
    """The card's plane, float32 BGR, `PX_PER_MM`, with tape, marks, pen and smudges."""
    plane = _blank(scene.station, scene.size, scene.covered, scene.background).copy()
    u, v = _plane(plane.shape[:2])
    half = round(26 * PX_PER_MM)
    cy, cx = round((55 + MARGIN_MM) * PX_PER_MM), round((45 + MARGIN_MM) * PX_PER_MM)
    part = np.s_[cy - half : cy + half, cx - half : cx + half]
    pu, pv = u[:, part[1]], v[part[0]]
    plain = Scene(
        tape=scene.tape,
        texture=scene.texture,
        wrinkles=scene.wrinkles,
        pen_circle=scene.pen_circle,
        smudges=scene.smudges,
        paint_seed=scene.paint_seed,
    )
    tape = _bare_tape(plain, half).copy()
    for spot in scene.marks:
        _burn(tape, _in_units(spot, SIZES[scene.size]), scene.tape, pu, pv)
    inside = np.clip((23.0 - np.hypot(pu, pv)) * PX_PER_MM + 0.5, 0, 1)[..., None]
    plane[part] += (tape - plane[part]) * inside
    return plane


def _in_units(spot: Spot, scale: float) -> Spot:
    """A mark on a card of another size, as it is on the standard-sized painting of that card."""
    if scale == 1:
        return spot
    second = spot.second and (spot.second[0] / scale, spot.second[1] / scale)
    return replace(
        spot,
        centre=(spot.centre[0] / scale, spot.centre[1] / scale),
        diameter=spot.diameter / scale,
        soft_mm=spot.soft_mm / scale,
        hole=spot.hole / scale,
        second=second,
    )


@lru_cache(maxsize=4)
def _blank(
    station: str, size: str, covered: tuple[int, ...], background: tuple[float, float, float]
) -> np.ndarray:
    """The printed card on its background, without tape."""
    pad = round(MARGIN_MM * PX_PER_MM)
    grey = cv2.copyMakeBorder(_print(station, size), pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    plane = np.repeat(grey[..., None], 3, axis=2).astype(np.float32) * np.float32(0.88) + 12
    outside = np.ones(grey.shape, bool)
    outside[pad:-pad, pad:-pad] = False
    plane[outside] = background
    _cover_markers(plane, covered, *_plane(grey.shape))
    return plane


def _cover_markers(plane: np.ndarray, covered: tuple[int, ...], u: np.ndarray, v: np.ndarray) -> None:
    for place in covered:
        sign = [(-1, 1), (1, 1), (1, -1), (-1, -1)][place]
        hidden = (u * sign[0] > 26) & (v * sign[1] > 36)
        plane[hidden] = (60, 90, 160)


@lru_cache(maxsize=4)
def _bare_tape(scene: Scene, half: int) -> np.ndarray:
    """The unmarked tape of a square about the window's middle."""
    rng = np.random.default_rng(scene.paint_seed)
    steps = (np.arange(2 * half) + 0.5 - half) / PX_PER_MM
    u, v = steps[None, :], -steps[:, None]
    shape = (2 * half, 2 * half)
    tape = np.ones((*shape, 3), np.float32) * np.array(TAPES[scene.tape], np.float32)
    tape += _texture(shape, scene, rng)[..., None]
    if scene.pen_circle:
        ring = np.abs(np.hypot(u - 0.4, v + 0.3) - scene.pen_circle)
        tape += np.clip((0.3 - ring) * 8, 0, 1)[..., None] * (np.array((90, 40, 30)) - tape) * 0.8
    for _ in range(scene.smudges):
        at, size = rng.uniform(-16, 16, 2), rng.uniform(1.5, 4, 2)
        blob = np.exp(-(((u - at[0]) / size[0]) ** 2 + ((v - at[1]) / size[1]) ** 2))
        tape *= (1 - 0.12 * blob)[..., None]
    return tape


def _burn(tape: np.ndarray, spot: Spot, name: str, u: np.ndarray, v: np.ndarray) -> None:
    """Lay one mark's colour over the tape, where it reaches."""
    centres = np.array([spot.centre, spot.second or spot.centre])
    reach = 0.75 * spot.diameter * spot.stretch**0.5 + 8 * spot.soft_mm + 0.5
    low, high = centres.min(0) - reach, centres.max(0) + reach
    cols = np.flatnonzero((u[0] > low[0]) & (u[0] < high[0]))
    rows = np.flatnonzero((v[:, 0] > low[1]) & (v[:, 0] < high[1]))
    if not len(cols) or not len(rows):
        return
    part = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    u, v = u[:, part[1]], v[part[0]]
    colour = np.array(spot.colour if spot.colour is not None else CHARS[name], np.float32)
    burnt = (cover(spot, u, v) * spot.strength)[..., None].astype(np.float32)
    tape[part] += burnt * (colour - tape[part])
    if spot.hole:
        gap = np.clip((spot.hole / 2 - np.hypot(u - spot.centre[0], v - spot.centre[1])) * 6, 0, 1)
        tape[part] += gap[..., None] * (np.array(spot.hole_colour) - tape[part])


def _texture(shape: tuple[int, int], scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Fibre along one direction, grain, and a few wrinkles."""
    grain = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), 1.2)
    fibre = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), sigmaX=14, sigmaY=1.2)
    texture = scene.texture * (grain / grain.std() * 0.5 + fibre / fibre.std() * 0.8)
    for _ in range(4 if scene.wrinkles else 0):
        y = np.arange(shape[0])[:, None] / shape[0] - rng.uniform(0, 1)
        x = np.arange(shape[1])[None, :] / shape[1] - 0.5
        ridge = y + x * rng.uniform(-0.4, 0.4)
        texture = texture + scene.wrinkles * ridge / 0.01 * np.exp(-((ridge / 0.012) ** 2)).astype(np.float32)
    return np.asarray(texture, np.float32)


def render(scene: Scene, rng: np.random.Generator, *, fine: int = 2) -> np.ndarray:
    """The picture the camera takes, (rows, cols, 3) uint8 BGR, before any file format."""
    plane = _lit_plane(replace(scene, view=View(), exposure=1, defocus_px=0, motion_px=0, noise=0, jpeg=None))
    cols, rows = scene.view.size
    col, row = _lookup(scene.view, fine, SIZES[scene.size])
    reduced = _reduction(scene, fine)
    if reduced > 1:
        plane = _reduced(plane, reduced)
        col, row = (col + 0.5) / reduced - 0.5, (row + 0.5) / reduced - 0.5
    seen = cv2.remap(
        plane, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=scene.background
    )
    picture = seen if fine == 1 else cv2.resize(seen, (cols, rows), interpolation=cv2.INTER_AREA)
    return _exposed(_blurred(picture, scene), scene, rng)


@lru_cache(maxsize=3)
def _lit_plane(scene: Scene) -> np.ndarray:
    return _lit(paint(scene), scene)


def _reduction(scene: Scene, fine: int) -> int:
    """How many of the plane's pixels one sample must average, each way, so that no edge falls between two."""
    to_px = camera(scene.view)
    level = to_px[:2, :2] - np.outer(to_px[:2, 2], to_px[2, :2])
    px_per_mm = float(np.linalg.svd(level, compute_uv=False)[0]) * SIZES[scene.size]
    return max(1, int(PX_PER_MM / (fine * px_per_mm)))


def _reduced(plane: np.ndarray, by: int) -> np.ndarray:
    rows, cols = (side // by for side in plane.shape[:2])
    return cv2.resize(plane[: rows * by, : cols * by], (cols, rows), interpolation=cv2.INTER_AREA)


@lru_cache(maxsize=2)
def _lookup(view: View, fine: int, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Where on the painted plane each point of the finer picture looks: columns and rows."""
    cols, rows = view.size
    x = (np.arange(cols * fine, dtype=np.float32) + 0.5) / fine - 0.5
    y = (np.arange(rows * fine, dtype=np.float32) + 0.5) / fine - 0.5
    gx, gy = np.meshgrid(x, y)
    if view.radial:
        gx, gy = _undistorted(gx, gy, view)
    back = np.linalg.inv(camera(view)) / np.linalg.inv(camera(view))[2, 2]
    back = back.astype(np.float32) if fine == 1 else back
    w = back[2, 0] * gx + back[2, 1] * gy + back[2, 2]
    u = (back[0, 0] * gx + back[0, 1] * gy + back[0, 2]) / w
    v = (back[1, 0] * gx + back[1, 1] * gy + back[1, 2]) / w
    col = (u / scale + 45 + MARGIN_MM) * PX_PER_MM - 0.5
    row = (55 + MARGIN_MM - v / scale) * PX_PER_MM - 0.5
    return col.astype(np.float32), row.astype(np.float32)


def _undistorted(gx: np.ndarray, gy: np.ndarray, view: View) -> tuple[np.ndarray, np.ndarray]:
    """Ideal picture point of each distorted one (one radial term, division model)."""
    cx, cy = (view.size[0] - 1) / 2, (view.size[1] - 1) / 2
    dx, dy = (gx - cx) / view.focal_px, (gy - cy) / view.focal_px
    scale = 1 / (1 + view.radial * (dx * dx + dy * dy))
    return cx + dx * scale * view.focal_px, cy + dy * scale * view.focal_px


def _lit(plane: np.ndarray, scene: Scene) -> np.ndarray:
    if scene.light_ratio == 1 and not scene.shadow and not scene.glare:
        return plane
    u, v = _plane(plane.shape[:2])
    way = np.radians(scene.light_deg)
    along = np.clip((u * np.cos(way) + v * np.sin(way)) / 55, -1, 1)
    light = scene.light_ratio ** (along / 2) / max(1.0, np.sqrt(scene.light_ratio))
    if scene.shadow:
        turn = np.radians(scene.shadow_deg)
        behind = (u * np.cos(turn) + v * np.sin(turn) - scene.shadow_at_mm) / 0.8
        light = light * (1 - scene.shadow / (1 + np.exp(np.clip(-behind, -40, 40))))
    lit = plane * light[..., None].astype(np.float32)
    if scene.glare:
        lit = lit + scene.glare * np.exp(-(((u + 10) / 14) ** 2 + ((v - 12) / 7) ** 2))[..., None]
    return np.asarray(lit, np.float32)


def _blurred(picture: np.ndarray, scene: Scene) -> np.ndarray:
    if scene.defocus_px:
        picture = cv2.GaussianBlur(picture, (0, 0), scene.defocus_px)
    if scene.motion_px:
        size = 2 * int(np.ceil(scene.motion_px)) + 1
        kernel = np.zeros((size * 8, size * 8), np.float32)
        middle = size * 4 - 0.5
        reach = np.array([np.cos(np.radians(scene.motion_deg)), np.sin(np.radians(scene.motion_deg))])
        for t in np.linspace(-0.5, 0.5, 200):
            x, y = middle + reach * t * scene.motion_px * 8
            kernel[round(y), round(x)] += 1
        small = cv2.resize(kernel, (size, size), interpolation=cv2.INTER_AREA)
        picture = cv2.filter2D(picture, -1, small / small.sum())
    return picture


def _exposed(picture: np.ndarray, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    picture = picture * scene.exposure
    sigma = scene.noise * np.sqrt(np.clip(picture, 4, 255) / 128)
    noisy = picture + sigma * rng.standard_normal(picture.shape, dtype=np.float32)
    shot = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    if scene.jpeg is None:
        return shot
    packed = cv2.imencode(".jpg", shot, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])[1]
    shown = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    assert shown is not None
    return shown


def grade(name: str, rng: np.random.Generator, *, tape: str | None = None) -> Scene:
    """A random scene of a grade: `easy`, `workshop` or `harsh`, with one new mark as the last of `marks`."""
    harsh, easy = name == "harsh", name == "easy"
    tape = tape or str(rng.choice(list(TAPES)))
    at = rng.uniform(0, 15) * np.array([np.cos(t := rng.uniform(0, 2 * np.pi)), np.sin(t)])
    full = float(np.abs(np.subtract(CHARS[tape], TAPES[tape])).max())
    if easy:
        strength, ragged = rng.uniform(0.7, 1), 0.0135
    elif harsh:
        strength, ragged = max(rng.uniform(6, 60), 6) / full, 0.041
    else:
        strength, ragged = rng.uniform(0.25, 1), 0.029
    mark = Spot(
        (float(at[0]), float(at[1])),
        float(rng.uniform(3, 7)),
        strength=float(min(strength, 1)),
        soft_mm=float(rng.uniform(0.1, 0.5)),
        ragged=ragged,
        seed=int(rng.integers(1 << 30)),
    )
    view = View(
        roll_deg=float(rng.uniform(-180, 180)),
        tilt_deg=float(rng.uniform(0, 15 if easy else 45)),
        tilt_axis_deg=float(rng.uniform(0, 360)),
        distance_mm=float(rng.uniform(210, 300)),
        shift_mm=(float(rng.uniform(-8, 8)), float(rng.uniform(-4, 4))),
    )
    return Scene(
        station=str(rng.choice(["mirror-1", "mirror-2", "mirror-3", "nozzle"])),
        tape=tape,
        marks=(mark,),
        view=view,
        texture=float(rng.uniform(0.5, 1.5 if easy else 3)),
        wrinkles=0.0 if easy else float(rng.uniform(0, 6)),
        light_ratio=1.2 if easy else float(rng.uniform(1, 4 if harsh else 2.5)),
        light_deg=float(rng.uniform(0, 360)),
        exposure=float(rng.uniform(0.8, 1.1)),
        defocus_px=float(rng.uniform(0.5, 1 if easy else 2 if harsh else 1.3)),
        motion_px=float(rng.uniform(0, 3)) if harsh else 0.0,
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(rng.uniform(0.7, 1.5 if easy else 3)),
        jpeg=60 if harsh else 85 if not easy else 95,
        paint_seed=int(rng.integers(1 << 30)),
    )


def before_of(scene: Scene, rng: np.random.Generator, *, moved_mm: float = 1.0) -> Scene:
    """The same card before the last mark, the camera slightly elsewhere."""
    v = scene.view
    view = replace(
        v,
        roll_deg=v.roll_deg + float(rng.normal(0, moved_mm)),
        tilt_deg=v.tilt_deg + float(rng.normal(0, moved_mm)),
        shift_mm=(
            v.shift_mm[0] + float(rng.normal(0, moved_mm)),
            v.shift_mm[1] + float(rng.normal(0, moved_mm)),
        ),
    )
    return replace(
        scene, marks=scene.marks[:-1], view=view, exposure=scene.exposure * float(rng.uniform(0.95, 1.05))
    )

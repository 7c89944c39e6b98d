"""Render hand-held photos of a new mark on old ones by a second model, independent of `handheld.py`.

The geometry of card and camera is the same. These differ: what a pulse does (a super-Gaussian fluence must
exceed a threshold that varies over the tape as a two-dimensional random field; damage adds, and the colour
left is a power of it), the colour of half-burnt tape (scorched brown before black), its relief (a hollow with
a wide bank), the tape's texture (crossed threads), and the photo's tone curve (it compresses the lights and
lifts the shadows). There are one to four old pulses of one beam, the others 0.3 to 2.5 radii from the first;
the new one lies within 1 mm of the first. Nothing was fitted to these pictures. Every number is our estimate.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from vision_hand_cases import Case

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import handheld
import scenes
from handheld import Burn, Sheet, Shot
from scenes import MARGIN_MM, PX_PER_MM

_SCORCHED = np.array((45.0, 75.0, 115.0))


@dataclass(frozen=True)
class Pulse:
    """One pulse: its centre and the beam's 1/e² radius (mm), the exponent of the profile (2: Gaussian), and
    the peak fluence in units of the tape's threshold.
    """

    centre: tuple[float, float]
    radius: float
    pointed: float
    fluence: float
    seed: int


def damage(pulse: Pulse, rough: float, length_mm: float) -> np.ndarray:
    """Damage by a pulse over the window's square, (side, side): fluence over the threshold, less one."""
    u, v = handheld.square()
    r = np.hypot(u - pulse.centre[0], v - pulse.centre[1]) / pulse.radius
    rng = np.random.default_rng(pulse.seed)
    fluence = pulse.fluence * np.exp(-2 * r**pulse.pointed)
    return np.clip(fluence / (1 + rough * _field(rng, u.shape[1], length_mm)) - 1, 0, None)


def _field(rng: np.random.Generator, side: int, length_mm: float) -> np.ndarray:
    """A smooth random field (side, side) of unit variance."""
    step = 4
    small = rng.standard_normal((side // step, side // step)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), max(length_mm * PX_PER_MM / step, 0.5))
    return cv2.resize(small / small.std(), (side, side), interpolation=cv2.INTER_CUBIC)


@dataclass(frozen=True, eq=False)
class Painted:
    """A tape before any pulse (side, side, 3), its height (mm), and how it chars."""

    sheet: Sheet
    colour: np.ndarray
    height: np.ndarray
    sharp: float
    rough: float
    length_mm: float
    bank_mm: float


def any_tape(rng: np.random.Generator) -> Painted:
    """A tape of crossed threads, a little wavy, that stands before or behind the card's plane."""
    u, v = handheld.square()
    sheet = handheld.any_sheet("workshop", rng)
    side = u.shape[1]
    turn, pitch = rng.uniform(0, np.pi), rng.uniform(0.5, 1.2)
    along, across = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    threads = np.sin(2 * np.pi * along / pitch) + np.sin(2 * np.pi * across / pitch)
    grain = rng.uniform(0.5, 2.5) * threads + rng.uniform(0.5, 2.5) * _field(rng, side, 0.5)
    blotch = 1 + rng.uniform(0, 0.03) * _field(rng, side, 4.0)
    colour = np.array(scenes.TAPES[sheet.tape]) * blotch[..., None] + grain[..., None]
    height = sheet.depth_mm + rng.uniform(0, 0.06) * _field(rng, side, 5.0)
    return Painted(
        sheet,
        colour.astype(np.float32),
        height.astype(np.float32),
        float(rng.uniform(0.8, 3)),
        float(rng.uniform(0.03, 0.15)),
        float(rng.uniform(0.3, 1.2)),
        float(rng.uniform(0, 0.05)),
    )


def burnt(tape: Painted, pulses: list[Pulse]) -> tuple[np.ndarray, np.ndarray]:
    """Colour of the whole painted card and height of the window's square after some pulses."""
    u, v = handheld.square()
    total = sum(damage(p, tape.rough, tape.length_mm) for p in pulses)
    left = ((1 + 2 * np.asarray(total)) ** -tape.sharp)[..., None]
    char = np.array(scenes.CHARS[tape.sheet.tape], np.float32)
    middle = 0.3 * _SCORCHED + 0.4 * char + 0.3 * np.array(scenes.TAPES[tape.sheet.tape])
    gone = 1 - left
    colour = tape.colour * (1 - gone) + char * gone + 1.2 * gone * left * (middle - (tape.colour + char) / 2)
    pressed = cv2.GaussianBlur(gone[..., 0].astype(np.float32), (0, 0), 0.25 * PX_PER_MM)
    banked = cv2.GaussianBlur(pressed, (0, 0), 0.8 * PX_PER_MM)
    height = tape.height + tape.bank_mm * (banked - 1.6 * pressed)
    plane = scenes._blank(tape.sheet.station, "standard", (), (70.0, 78.0, 82.0)).copy()
    half = u.shape[1] // 2
    cy, cx = round((55 + MARGIN_MM) * PX_PER_MM), round((45 + MARGIN_MM) * PX_PER_MM)
    part = np.s_[cy - half : cy + half, cx - half : cx + half]
    inside = np.clip((handheld.WINDOW_MM - np.hypot(u, v)) * PX_PER_MM + 0.5, 0, 1)[..., None]
    plane[part] += ((colour - plane[part]) * inside).astype(np.float32)
    return plane, height.astype(np.float32)


def photo(
    hung: tuple[np.ndarray, np.ndarray], sheet: Sheet, shot: Shot, bend: float, rng: np.random.Generator
) -> np.ndarray:
    """The picture, (rows, cols, 3) uint8; `bend` > 0 compresses its lights and lifts its shadows."""
    plane, height = hung
    light = handheld.shade(sheet, shot, height, plane.shape[:2])[..., None]
    lit = plane * light + handheld.glare(shot, height, plane.shape[:2])
    u, v = handheld.on_card(replace(sheet, bend_radius_mm=0.0), shot.view, height)
    col = ((u + 45 + MARGIN_MM) * PX_PER_MM - 0.5).astype(np.float32)
    row = ((55 + MARGIN_MM - v) * PX_PER_MM - 0.5).astype(np.float32)
    fine = cv2.GaussianBlur(lit.astype(np.float32), (0, 0), 0.35 * PX_PER_MM / _px_per_mm(shot))
    seen = cv2.remap(fine, col, row, cv2.INTER_LINEAR, borderValue=(70.0, 78.0, 82.0))
    seen = cv2.GaussianBlur(seen * shot.level * np.array(shot.colour, np.float32), (0, 0), shot.defocus_px)
    share = np.clip(seen / 255, 0, 1.2)
    rolled = (1 - np.exp(-bend * share)) / (1 - np.exp(-bend)) if bend else share
    seen = 255 * rolled + rng.normal(0, shot.noise, seen.shape) * np.sqrt(0.3 + share)
    taken = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", taken, [cv2.IMWRITE_JPEG_QUALITY, shot.jpeg or 90])[1]
    shown = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    assert shown is not None
    return shown


def _px_per_mm(shot: Shot) -> float:
    return shot.view.focal_px / shot.view.distance_mm


def on_top(count: int, seed: int, *, most_old: int = 4, bent: float = 0.5) -> Iterator[Case]:
    """Pairs with one to `most_old` old marks of one beam; the new one lies within 1 mm of the first.

    `bent`: the largest difference between the photos' tone curves; 0.5 moves a middle grey by 15 levels.
    """
    rng = np.random.default_rng(seed)
    for _ in range(count):
        tape = any_tape(rng)
        radius, pointed = float(rng.uniform(1.5, 3.5)), float(rng.uniform(2, 6))
        fluence = float(np.exp(rng.uniform(np.log(4), np.log(40))))

        def pulse(
            at: np.ndarray, size: float = radius, shape: float = pointed, dose: float = fluence
        ) -> Pulse:
            like = size * float(rng.uniform(0.92, 1.08)), shape, dose * float(rng.uniform(0.8, 1.25))
            return Pulse((float(at[0]), float(at[1])), *like, int(rng.integers(1 << 30)))

        first = 12 * np.sqrt(rng.uniform()) * _way(rng)
        old = [pulse(first)]
        for _ in range(int(rng.integers(1, most_old + 1)) - 1):
            old.append(pulse(first + rng.uniform(0.3, 2.5) * radius * _way(rng)))
        new = pulse(first + rng.uniform(0, 1) * _way(rng))
        shots = [handheld.any_shot("workshop", rng) for _ in range(3)]
        bends = rng.uniform(0, 1) + bent * rng.uniform(-1, 1, 3)
        before, after = burnt(tape, old), burnt(tape, [*old, new])
        pictures = [
            photo(hung, tape.sheet, shot, max(float(bend), 0.0), rng)
            for hung, shot, bend in zip((before, before, after), shots, bends, strict=True)
        ]
        yield Case(*pictures, _burn(new), tuple(_burn(p) for p in old))


def _way(rng: np.random.Generator) -> np.ndarray:
    turn = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(turn), np.sin(turn)])


def _burn(pulse: Pulse) -> Burn:
    """A pulse's place and rough size, as the general methods are told."""
    half = pulse.radius * (np.log(pulse.fluence / 1.3) / 2) ** (1 / pulse.pointed)
    return Burn(pulse.centre, diameter=2 * float(half), dose=pulse.fluence)

"""Measure errors, and how true sigma is, on pictures in which only the printed card is from our own renderer.

    python tests/bench/vision_outside.py [pictures per row] [seed]

The mark is where a rough field (noise filtered at two lengths, scipy) lies above a threshold, so its edge is
correlated in another way than the Fourier edge of our scenes. The card is projected by scikit-image's bicubic
warp after scipy's Gaussian; noise is Poisson; the file is Pillow's JPEG. A coarse edge moves the mark as a
whole, which no reading can detect.
"""

from __future__ import annotations

import io
import sys

import cv2
import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter
from skimage.transform import ProjectiveTransform, warp

import vision

PER_MM = 12.0
FOCAL_PX, SIZE = 1300.0, (1280, 720)
# radius's roughness mm, its two lengths mm, contrast, Poisson gain, JPEG quality, blur px, light, distance mm
ROWS = {
    "clean": (0.05, (0.3, 1.0), 0.8, 0.05, 95, 0.6, 1.2, (210, 260)),
    "workshop": (0.12, (0.3, 1.0), 0.5, 0.2, 85, 0.9, 2.0, (210, 300)),
    "coarse edge": (0.15, (1.0, 2.5), 0.5, 0.2, 85, 0.9, 2.0, (210, 300)),
    "fine edge": (0.15, (0.12, 0.4), 0.5, 0.2, 85, 0.9, 2.0, (210, 300)),
    "harsh": (0.15, (0.3, 1.0), 0.2, 0.4, 60, 1.8, 4.0, (210, 300)),
    "markers of 20 px": (0.10, (0.3, 1.0), 0.5, 0.1, 90, 0.7, 1.5, (1100, 1170)),
}


def painted(station: str, row: tuple, centre: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The card with its tape and mark, (rows, cols, 3) in 0 … 1."""
    rough_mm, lengths, contrast, _, _, _, light, _ = row
    sheet = vision.card_sheet(station)
    card = vision.draw_card(station, dpi=PER_MM * 25.4) / 255 * 0.85 + 0.05
    y, x = (np.indices(card.shape) + 0.5) / PER_MM
    u, v = x - sheet.centre_mm[0], sheet.centre_mm[1] - y
    fields = [gaussian_filter(rng.normal(size=card.shape), length * PER_MM) for length in lengths]
    rough = sum(field / field.std() for field in fields) / np.sqrt(2) * rough_mm
    radius = rng.uniform(1.5, 3.5)
    burnt = np.clip((radius + rough - np.hypot(u - centre[0], v - centre[1])) * 5 + 0.5, 0, 1)
    tape = (
        np.array(rng.uniform(0.4, 0.9, 3)) + gaussian_filter(rng.normal(size=card.shape), 2)[..., None] * 0.03
    )
    tape = tape * (1 - contrast * burnt[..., None])
    way = rng.uniform(0, 2 * np.pi)
    lit = light ** ((u * np.cos(way) + v * np.sin(way)) / 140 - 0.5)
    inside = np.hypot(u, v) < 23
    return np.where(inside[..., None], tape, card[..., None]) * lit[..., None]


def taken(plane: np.ndarray, row: tuple, rng: np.random.Generator) -> np.ndarray:
    """The picture that a pinhole camera takes of a plane, as its JPEG comes back, BGR."""
    _, _, _, gain, quality, blur_px, _, distance = row
    to_px = pose(rng, rng.uniform(*distance)) @ to_card(plane.shape)
    scale = PER_MM / np.sqrt(
        abs(np.linalg.det(to_px[:2, :2] - np.outer(to_px[:2, 2], to_px[2, :2]))) * PER_MM**2
    )
    soft = gaussian_filter(plane, (0.45 * scale, 0.45 * scale, 0))
    back = ProjectiveTransform(np.linalg.inv(to_px))
    seen = warp(soft, back, output_shape=SIZE[::-1], order=3, cval=0.35)
    seen = np.clip(gaussian_filter(seen, (blur_px, blur_px, 0)), 0, 1) * 245
    noisy = rng.poisson(seen / gain) * gain
    stream = io.BytesIO()
    rgb = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)[..., ::-1]
    Image.fromarray(rgb.copy()).save(stream, "JPEG", quality=quality)
    return vision.load_picture(stream.getvalue())


def to_card(shape: tuple[int, ...]) -> np.ndarray:
    """Pixels of the painted plane (centres at integers) to card mm."""
    rows, cols = shape[:2]
    return np.array([(1, 0, 0.5 - cols / 2), (0, -1, rows / 2 - 0.5), (0, 0, PER_MM)]) / PER_MM


def pose(rng: np.random.Generator, distance_mm: float) -> np.ndarray:
    """Card mm to picture px for a camera somewhere in front of it."""
    turn = cv2.Rodrigues(rng.normal(size=3) * (0.25, 0.25, 1.5))[0] @ np.diag([1.0, -1.0, -1.0])
    inner = np.array([(FOCAL_PX, 0, (SIZE[0] - 1) / 2), (0, FOCAL_PX, (SIZE[1] - 1) / 2), (0, 0, 1.0)])
    full = inner @ np.column_stack([turn[:, 0], turn[:, 1], [*rng.uniform(-6, 6, 2), distance_mm]])
    return full / full[2, 2]


def errors_of(row: tuple, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Errors and sigmas (n, 2), mm, of the marks that were found."""
    rng = np.random.default_rng(seed)
    errors, sigmas = [], []
    for _ in range(count):
        station = str(rng.choice(vision.STATIONS))
        centre = rng.uniform(-10, 10, 2)
        answer = vision.read(taken(painted(station, row, centre, rng), row, rng))
        marks = sorted(
            getattr(answer, "marks", ()), key=lambda m: np.hypot(*np.subtract(m.offset_mm, centre))
        )
        if marks and np.hypot(*np.subtract(marks[0].offset_mm, centre)) < 2:
            errors.append(np.subtract(marks[0].offset_mm, centre))
            sigmas.append(marks[0].sigma_mm)
    return np.array(errors), np.array(sigmas)


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 11
    print("pictures            found   median mm   95 % mm   |e|<2s   error / sigma (rms)")
    for name, row in ROWS.items():
        errors, sigmas = errors_of(row, count, seed)
        away = np.hypot(*errors.T)
        r = errors / sigmas
        print(
            f"{name:18s}{len(errors) / count:7.1%}{np.median(away):12.4f}{np.percentile(away, 95):10.4f}"
            f"{np.mean(np.abs(r) < 2):9.1%}{np.sqrt((r**2).mean()):13.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()

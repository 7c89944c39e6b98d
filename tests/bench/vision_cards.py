"""Measure how well the card is found, under one difficulty at a time: share found, error of its centre in µm.

python tests/bench/vision_cards.py [pictures per row] [seed]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import scenes

import vision
from vision.homography import project


def view(rng: np.random.Generator, **changes) -> scenes.View:
    return scenes.View(
        **{
            "roll_deg": float(rng.uniform(-180, 180)),
            "tilt_deg": float(rng.uniform(0, 50)),
            "tilt_axis_deg": float(rng.uniform(0, 360)),
            "distance_mm": float(rng.uniform(250, 300)),
            **changes,
        }
    )


ROWS = {
    "plain, tilt to 50°": lambda rng: scenes.Scene(view=view(rng), jpeg=None),
    "tilt 60°": lambda rng: scenes.Scene(view=view(rng, tilt_deg=60.0)),
    "markers of 20 px": lambda rng: scenes.Scene(view=view(rng, tilt_deg=20.0, distance_mm=1125.0)),
    "one covered": lambda rng: scenes.Scene(view=view(rng), covered=(int(rng.integers(4)),)),
    "two covered": lambda rng: scenes.Scene(view=view(rng), covered=tuple(rng.permutation(4)[:2].tolist())),
    "light 4:1": lambda rng: scenes.Scene(
        view=view(rng), light_ratio=4.0, light_deg=float(rng.uniform(0, 360))
    ),
    "shadow edge": lambda rng: scenes.Scene(
        view=view(rng),
        shadow=0.6,
        shadow_deg=float(rng.uniform(0, 360)),
        shadow_at_mm=float(rng.uniform(-40, 40)),
    ),
    "glare": lambda rng: scenes.Scene(view=view(rng), glare=160.0),
    "JPEG 60, blur 3 px": lambda rng: scenes.Scene(
        view=view(rng), jpeg=60, defocus_px=1.3, motion_px=3.0, noise=2.5
    ),
    "lens distortion": lambda rng: scenes.Scene(view=view(rng, radial=-0.12), jpeg=None),
}


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    print("hardship                 found   rms µm (per axis)   95 % µm   error / sigma (rms)")
    for name, make in ROWS.items():
        rng = np.random.default_rng(seed)
        errors, ratios, found = [], [], 0
        for _ in range(count):
            scene = replace(make(rng), noise=1.5, station=str(rng.choice(vision.STATIONS)))
            answer = vision.find_card(scenes.render(scene, rng))
            if isinstance(answer, vision.NoReading) or answer[0] != scene.station:
                continue
            found += 1
            error, sigma = centre_error(scene, answer[1])
            errors.append(error)
            ratios.append(error / sigma)
        e = np.array(errors) * 1000
        away = np.hypot(*e.T)
        rms = np.sqrt((e**2).mean())
        honest = np.sqrt(np.mean(np.square(ratios)))
        print(
            f"{name:24s}{found / count:6.1%}{rms:13.1f}{np.percentile(away, 95):17.1f}{honest:12.2f}",
            flush=True,
        )


def centre_error(scene: scenes.Scene, seen: vision.CardView) -> tuple[np.ndarray, np.ndarray]:
    """Error (2,) of the card's centre, mm, and the sigma (2,) that is stated for it."""
    from vision.measure import card_sigma

    truth = project(scenes.camera(scene.view), np.zeros((1, 2)))[0]
    if scene.view.radial:
        truth = distorted(truth, scene.view)
    error = project(np.linalg.inv(seen.homography), truth[None])[0]
    return error, card_sigma(seen, np.zeros(2))


def distorted(point: np.ndarray, view: scenes.View) -> np.ndarray:
    """A point (2,) px after the renderer's lens distortion, by iteration of its inverse."""
    at = point.copy()
    for _ in range(30):
        x, y = scenes._undistorted(at[:1], at[1:], view)
        at = at + point - np.array([x[0], y[0]])
    return at


if __name__ == "__main__":
    main()

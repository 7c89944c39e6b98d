"""Measure `read` on rendered pictures of every grade: errors, how true sigma is, marks found, false marks.

    python tests/bench/vision_pictures.py [pictures per grade] [seed] [grade …]

Each picture is read with the one before the pulse and alone. Contrast is measured in the picture as it is
recorded: the scene is rendered once more without noise, with and without its mark, and the difference is
averaged over the mark's inner half in the channel that shows it best. The row `≥ 6` leaves out marks with a
contrast below six levels.
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

FAR_MM = 2.0
GRADES = ("easy", "workshop", "harsh")


def one(name: str, rng: np.random.Generator) -> dict[bool, dict]:
    """What was read of a random scene, with the picture before (True) and without it (False)."""
    scene = scenes.grade(name, rng)
    after = scenes.render(scene, rng)
    before = scenes.render(scenes.before_of(scene, rng), rng)
    contrast = recorded_contrast(scene) if name == "harsh" else np.inf
    return {
        with_before: judged(scene, vision.read(after, before if with_before else None), contrast)
        for with_before in (True, False)
    }


def judged(scene: scenes.Scene, reading: vision.Reading | vision.NoReading, contrast: float) -> dict:
    spot = scene.marks[-1]
    marks = [m for m in getattr(reading, "marks", ()) if m.new is not False]
    away = [np.hypot(*np.subtract(m.offset_mm, spot.centre)) for m in marks]
    best = int(np.argmin(away)) if away else None
    hit = best is not None and away[best] < FAR_MM
    return {
        "found": hit,
        "false": len(marks) - hit,
        "contrast": contrast,
        "error": np.subtract(marks[best].offset_mm, spot.centre) if hit else None,
        "sigma": marks[best].sigma_mm if hit else None,
        "shape": marks[best].shape if hit else None,
        "outline": scenes.outline_centroid(spot) - spot.centre,
    }


def recorded_contrast(scene: scenes.Scene) -> float:
    """Contrast of the mark against the same tape without it, in levels, as the camera records it."""
    clean, rng = replace(scene, noise=0, jpeg=None), np.random.default_rng(0)
    bare = scenes.render(replace(clean, marks=scene.marks[:-1]), rng, fine=1)
    change = scenes.render(clean, rng, fine=1).astype(np.float32) - bare
    spot, turn = scene.marks[-1], np.linspace(0, 2 * np.pi, 40)
    radius = np.linspace(0, 0.5, 6)[:, None] * spot.diameter / 2
    at = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=-1).reshape(-1, 2) + spot.centre
    x, y = project(scenes.camera(scene.view), at).astype(np.float32).T
    return float(np.abs(cv2.remap(change, x, y, cv2.INTER_LINEAR).reshape(-1, 3).mean(axis=0)).max())


def table(results: list[dict]) -> str:
    hits = [r for r in results if r["found"]]
    error = np.array([r["error"] for r in hits])
    away, ideal = np.hypot(*error.T), np.hypot(*np.array([r["outline"] for r in hits]).T)
    honest = np.mean(np.abs(error) < 2 * np.array([r["sigma"] for r in hits]))
    clear = [r["found"] for r in results if r["contrast"] >= 12]
    rms = np.sqrt((away**2).mean() / (ideal**2).mean())
    shapes = np.mean([r["shape"] == "round" for r in hits])
    return (
        f"{np.median(away):8.4f} {np.percentile(away, 95):8.4f} {np.median(ideal):8.4f} {rms:7.2f}"
        f" {np.mean([r['found'] for r in results]):7.1%} {np.mean(clear):7.1%}"
        f" {np.mean([r['false'] for r in results]):7.3f} {honest:7.1%} {shapes:7.1%}"
    )


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print("grade          before   median      95%  outline  ratio   found  ≥12lev   false  |e|<2s   round")
    for name in sys.argv[3:] or GRADES:
        rng = np.random.default_rng(seed)
        results = [one(name, rng) for _ in range(count)]
        for with_before in (True, False):
            judgements, rows = [r[with_before] for r in results], "yes" if with_before else "no "
            print(f"{name:14s} {rows:6s} {table(judgements)}", flush=True)
            if name == "harsh":
                seen = [r for r in judgements if r["contrast"] >= 6]
                print(f"{'harsh ≥ 6':14s} {rows:6s} {table(seen)}", flush=True)


if __name__ == "__main__":
    main()

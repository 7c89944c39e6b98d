"""Rendered pictures of every grade: errors, honesty of sigma, marks found and false ones, in one table.

python tests/bench/vision_pictures.py [pictures per grade] [seed]
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import scenes

import vision

FAR_MM = 2.0


def one(name: str, rng: np.random.Generator, with_before: bool) -> dict:
    scene = scenes.grade(name, rng)
    after = scenes.render(scene, rng)
    before = scenes.render(scenes.before_of(scene, rng), rng) if with_before else None
    reading = vision.read(after, before)
    spot = scene.marks[-1]
    marks = [m for m in getattr(reading, "marks", ()) if m.new is not False]
    away = [np.hypot(*np.subtract(m.offset_mm, spot.centre)) for m in marks]
    best = int(np.argmin(away)) if away else None
    hit = best is not None and away[best] < FAR_MM
    return {
        "found": hit,
        "false": len(marks) - hit,
        "contrast": contrast(scene),
        "error": np.subtract(marks[best].offset_mm, spot.centre) if hit else None,
        "sigma": marks[best].sigma_mm if hit else None,
        "shape": marks[best].shape if hit else None,
        "outline": scenes.outline_centroid(spot) - spot.centre,
        "scene": scene,
        "marks": marks,
    }


def contrast(scene: scenes.Scene) -> float:
    """Levels between tape and mark in the colour where it shows best, before light falls off."""
    tape, char = np.array(scenes.TAPES[scene.tape]), np.array(scenes.CHARS[scene.tape])
    return float(np.abs(char - tape).max() * scene.marks[-1].strength)


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
    print("grade     before   median      95%  outline  ratio   found  ≥12lev   false  |e|<2s   round")
    for name in ("easy", "workshop", "harsh"):
        for with_before in (True, False):
            rng = np.random.default_rng(seed)
            results = [one(name, rng, with_before) for _ in range(count)]
            print(f"{name:9s} {'yes' if with_before else 'no ':6s} {table(results)}", flush=True)


if __name__ == "__main__":
    main()

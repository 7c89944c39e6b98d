"""Measure a new mark near, on or nearly hidden by older ones: errors, how true sigma is, and shapes.

python tests/bench/vision_older.py [pictures per row] [seed]
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import scenes

import vision

SHARES = (0.3, 0.6, 0.9, 1.2)  # of the distance at which the two marks touch


def crowded(share: float, rng: np.random.Generator) -> scenes.Scene:
    """A workshop scene with one older mark beside the new one, in two of five cases with two."""
    scene = scenes.grade("workshop", rng)
    new, older = scene.marks[-1], []
    for _ in range(1 + (rng.random() < 0.4)):
        diameter, way = float(rng.uniform(3, 7)), rng.uniform(0, 2 * np.pi)
        away = share * (diameter + new.diameter) / 2 * np.array([np.cos(way), np.sin(way)])
        at = np.add(new.centre, away)
        strength, seed = float(rng.uniform(0.4, 1)), int(rng.integers(1 << 30))
        older.append(
            replace(new, centre=(float(at[0]), float(at[1])), diameter=diameter, strength=strength, seed=seed)
        )
    view = replace(scene.view, size=(900, 700), focal_px=950.0)
    return replace(scene, view=view, marks=(*older, new))


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print("distance   found   median      95%   further   |e|<2s   shapes")
    for share in SHARES:
        rng = np.random.default_rng(seed)
        away, honest, further, shapes = [], [], 0, Counter()
        for _ in range(count):
            scene = crowded(share, rng)
            before = scenes.render(scenes.before_of(scene, rng), rng, fine=1)
            reading = vision.read(scenes.render(scene, rng, fine=1), before)
            marks = [m for m in getattr(reading, "marks", ()) if m.new]
            errors = [np.subtract(m.offset_mm, scene.marks[-1].centre) for m in marks]
            if marks:
                best = int(np.argmin(np.hypot(*np.array(errors).T)))
                away.append(np.hypot(*errors[best]))
                honest.append(np.abs(errors[best]) < 2 * np.array(marks[best].sigma_mm))
                shapes[marks[best].shape] += 1
                further += len(marks) - 1
        print(
            f"{share:8.1f}{len(away) / count:8.1%}{np.median(away):9.3f}{np.percentile(away, 95):9.3f}"
            f"{further / count:10.3f}{np.mean(honest):9.1%}   {dict(shapes)}",
            flush=True,
        )


if __name__ == "__main__":
    main()

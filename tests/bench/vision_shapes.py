"""Print the confusion table of mark shapes, and the error of a cut-off mark's direction.

python tests/bench/vision_shapes.py [pictures per shape] [grade] [seed]
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

SHAPES = ("round", "stretched", "cut-off", "double", "off-card")


def shaped(spot: scenes.Spot, shape: str, rng: np.random.Generator) -> scenes.Spot:
    if shape == "stretched":
        return replace(spot, stretch=float(rng.uniform(1.4, 2.2)), axis_deg=float(rng.uniform(0, 180)))
    if shape == "cut-off":
        return replace(spot, cut_deg=float(rng.uniform(0, 360)), cut_depth=float(rng.uniform(0.4, 1.2)))
    if shape == "double":
        way, apart = rng.uniform(0, 2 * np.pi), rng.uniform(0.6, 1.3) * spot.diameter
        second = np.add(spot.centre, apart * np.array([np.cos(way), np.sin(way)]))
        return replace(spot, second=(float(second[0]), float(second[1])))
    if shape == "off-card":
        way, away = rng.uniform(0, 2 * np.pi), 23 + rng.uniform(-0.35, 0.15) * spot.diameter
        return replace(spot, centre=(float(away * np.cos(way)), float(away * np.sin(way))))
    return spot


def one(shape: str, name: str, rng: np.random.Generator) -> tuple[str, float, float]:
    """The shape named, the error of the direction in degrees, the error of the centre in mm."""
    scene = scenes.grade(name, rng)
    spot = shaped(scene.marks[-1], shape, rng)
    scene = replace(scene, marks=(*scene.marks[:-1], spot))
    before = scenes.render(scenes.before_of(scene, rng), rng)
    reading = vision.read(scenes.render(scene, rng), before)
    marks = [m for m in getattr(reading, "marks", ()) if m.new]
    if not marks:
        return "(none)", np.nan, np.nan
    mark = marks[0]
    turn = np.nan
    if mark.flat_side_deg is not None and spot.cut_deg is not None:
        turn = abs((mark.flat_side_deg - spot.cut_deg + 180) % 360 - 180)
    truth = spot.centre if shape == "off-card" else scenes.true_centroid(spot)
    return mark.shape, turn, float(np.hypot(*np.subtract(mark.offset_mm, truth)))


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    name = sys.argv[2] if len(sys.argv) > 2 else "workshop"
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    print(
        f"{name:10s}"
        + "".join(f"{s:>10s}" for s in (*SHAPES, "(none)"))
        + "   rightly  centre 50/95 %   turn 95 %"
    )
    for shape in SHAPES:
        rng = np.random.default_rng(seed)
        answers = [one(shape, name, rng) for _ in range(count)]
        named = Counter(t[0] for t in answers)
        right = named[shape] / count
        centre = np.nanpercentile([t[2] for t in answers], (50, 95))
        turns = [t[1] for t in answers if np.isfinite(t[1])]
        turn = f"{np.percentile(turns, 95):8.1f}°" if turns else "        –"
        cells = "".join(f"{named[s]:10d}" for s in (*SHAPES, "(none)"))
        print(f"{shape:10s}{cells}  {right:8.1%}  {centre[0]:6.3f} {centre[1]:6.3f}  {turn}", flush=True)


if __name__ == "__main__":
    main()

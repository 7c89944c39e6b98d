"""Measure what limits the reading of a new mark on fresh tape, with the camera on a stand.

    python tests/bench/vision_fresh.py [scenes] [seed]

Each scene is read as in the row `fresh tape` of `vision_hand.py`. Beside the error, bounds are computed for
the same scene without a picture: how far the ragged edge moves the best fit of a smooth disc to the burn
itself (no camera, noise or light), how far the tape's height moves the mark along the line of sight, and both
together. The last is the error of a reader who knows the card, the light and the tape's colour exactly, but
neither edge nor height.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np
import vision_hand_cases as cases
from vision_hand_cases import handheld

import vision
from vision.fit import fit_spot

PITCH_MM = 0.06


def by_edge(burn: handheld.Burn) -> np.ndarray:
    """Shift (2,) mm of the smooth disc that fits the painted burn best."""
    reach = 0.9 * burn.diameter + 1.0
    steps = np.arange(-reach, reach, PITCH_MM)
    u, v = np.meshgrid(steps + burn.centre[0], steps + burn.centre[1])
    gone = 1 - np.exp(-handheld.dose(burn, u, v))
    spot = fit_spot(
        u.ravel(), v.ravel(), gone.ravel(), centre=burn.centre, radius=burn.diameter / 2, oval=True
    )
    return spot.centre - burn.centre


def by_height(sheet: handheld.Sheet, shot: handheld.Shot, burn: handheld.Burn) -> np.ndarray:
    """Shift (2,) mm along the line of sight, by the tape's mean height under the burn."""
    u, v = handheld.square()
    under = np.hypot(u - burn.centre[0], v - burn.centre[1]) < burn.diameter / 2
    height = float(handheld.bare(sheet)[1][under].mean())
    eye = handheld.place_of_camera(shot.view)
    return -(eye[:2] - burn.centre) * height / eye[2]


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    hung: list[tuple[handheld.Sheet, handheld.Shot]] = []
    taken = handheld.take

    def noted(sheet: handheld.Sheet, shot: handheld.Shot, rng: np.random.Generator) -> np.ndarray:
        hung.append((sheet, shot))
        return taken(sheet, shot, rng)

    handheld.take = noted
    errors: dict[str, list[np.ndarray]] = {"read": [], "edge": [], "height": [], "edge and height": []}
    for case in cases.fresh(count, seed):
        sheet, shot = hung[-1]
        edge, height = by_edge(case.new), by_height(sheet, shot, case.new)
        answer = vision.read(case.after, case.before)
        marks = [m for m in getattr(answer, "marks", ()) if m.new]
        if not marks:
            continue
        off = [np.subtract(m.offset_mm, case.new.centre) for m in marks]
        errors["read"].append(min(off, key=lambda e: float(np.hypot(*e))))
        for name, moved in (("edge", edge), ("height", height), ("edge and height", edge + height)):
            errors[name].append(moved)
    read = np.array(errors["read"])
    for name, moved in errors.items():
        away = np.hypot(*np.array(moved).T)
        rest = "" if name == "read" else f"   read less this {np.median(np.hypot(*(read - moved).T)):.4f}"
        print(f"{name:16s} median {np.median(away):.4f}   90 % {np.percentile(away, 90):.4f} mm{rest}")


if __name__ == "__main__":
    main()

"""Compute a bound for a new mark on an old one in photos by hand: a reader who knows all but the new mark.

    python tests/bench/vision_on_top.py [scenes] [seed]

The scenes are those of the row `on top by hand` of `vision_hand.py`. Instead of pictures, the reader gets
the share of the tape's colour that is gone, at the camera's pixels, with its blur and noise. It knows the old
mark with its ragged edge, the beam's profile, how the tape burns, light and tones exactly. It fits the new
mark's place, diameter and dose as if its edge were smooth. `edge`: without noise; `edge and noise`: with
noise; `like the old`: with noise, and a prior that the pulse is about as large (8 %) and strong (25 %) as the
old one.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import vision_hand_cases as cases
from scipy.ndimage import gaussian_filter
from scipy.optimize import least_squares
from vision_hand_cases import Case, handheld


def pixels(case: Case, shot: handheld.Shot) -> tuple[np.ndarray, np.ndarray, float]:
    """Places (u, v) of the camera's pixels around the marks, and its blur in pixels."""
    step = shot.view.distance_mm / shot.view.focal_px
    reach = 0.8 * case.new.diameter + 1.5
    steps = np.arange(-reach, reach, step)
    u, v = np.meshgrid(steps + case.old[0].centre[0], steps + case.old[0].centre[1])
    return u, v, float(np.hypot(shot.defocus_px, 0.5))


def noise(sheet: handheld.Sheet, shot: handheld.Shot) -> float:
    """Standard deviation of a pixel as a share of how far tape can go, in the clearest colour."""
    tape, char = (np.array(of[sheet.tape], float) for of in (handheld.scenes.TAPES, handheld.scenes.CHARS))
    levels = (tape + char) / 2 * shot.level
    return float((shot.noise * np.sqrt(levels / 128) / (np.abs(tape - char) * shot.level)).min())


def told_all(
    case: Case, shot: handheld.Shot, sd: float, *, like: bool, rng: np.random.Generator
) -> np.ndarray:
    """Error (2,) mm of the reader who is told all but the new mark."""
    u, v, blur = pixels(case, shot)
    old = sum(handheld.dose(burn, u, v) for burn in case.old)

    def gone(burn: handheld.Burn) -> np.ndarray:
        return gaussian_filter(1 - np.exp(-old - handheld.dose(burn, u, v)), blur)

    seen = gone(case.new) + sd * rng.standard_normal(u.shape)
    each = max(sd, 0.02)  # what a ragged edge leaves, beside noise

    def rest(p: np.ndarray) -> np.ndarray:
        smooth = replace(
            case.new,
            centre=(case.old[-1].centre[0] + p[0], case.old[-1].centre[1] + p[1]),
            diameter=case.old[-1].diameter * np.exp(p[2]),
            dose=case.old[-1].dose * np.exp(p[3]),
            ragged=0.0,
        )
        held = np.array([p[2] / 0.08, p[3] / 0.25]) if like else p[2:] * 0.01
        return np.r_[((gone(smooth) - seen) / each).ravel() / 3, held]

    ends = [
        least_squares(
            rest, [0.4 * np.cos(t), 0.4 * np.sin(t), 0, 0], diff_step=1e-3, x_scale=[0.1, 0.1, 0.05, 0.1]
        )
        for t in (0.0, 2.1, 4.2)
    ]
    best = min(ends, key=lambda end: end.cost).x
    return np.add(case.old[-1].centre, best[:2]) - case.new.centre


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 16
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 404
    hung: list[tuple[handheld.Sheet, handheld.Shot]] = []

    def noted(sheet: handheld.Sheet, shot: handheld.Shot, rng: np.random.Generator) -> np.ndarray:
        """No picture, but draws as many random numbers as one would."""
        hung.append((sheet, shot))
        rng.standard_normal((shot.view.size[1], shot.view.size[0], 3), dtype=np.float32)
        return np.zeros(0)

    handheld.take = noted
    errors: dict[str, list[np.ndarray]] = {"edge": [], "edge and noise": [], "like the old": []}
    for case in cases.on_top(count, seed, steady=False):
        sheet, shot = hung[-1]
        sd, rng = noise(sheet, shot), np.random.default_rng(seed)
        errors["edge"].append(told_all(case, shot, 0.0, like=False, rng=rng))
        errors["edge and noise"].append(told_all(case, shot, sd, like=False, rng=rng))
        errors["like the old"].append(told_all(case, shot, sd, like=True, rng=rng))
    for name, moved in errors.items():
        away = np.hypot(*np.array(moved).T)
        near = f"within 0.3 mm {np.mean(away < 0.3):.0%}"
        print(f"{name:16s} {near}   median {np.median(away):.3f}   90 % {np.percentile(away, 90):.3f} mm")


if __name__ == "__main__":
    main()

"""Measure the error of a spot's centre against the Cramér–Rao bound, and its time, beside general libraries.

    python tests/bench/vision_centre.py [spots per row] [seed]

A 64 × 64 crop, white noise, Gaussian spot and flat disc with a soft (error function) edge, amplitude 30 to
75 times the noise, on a flat background and on one that slopes by 10 levels across the crop. The bound is
computed here by numerical Fisher information with all parameters of the drawn spot unknown.
"""

from __future__ import annotations

import sys
import time
from math import erf

import cv2
import numpy as np

from vision.fit import locate_spot

SIDE = 64
COUNT_SOFT_PX = 1.5


def gaussian(p: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Gaussian spot on a plane; p : centre, 1/e² radius, amplitude, plane."""
    r2 = (x - p[0]) ** 2 + (y - p[1]) ** 2
    return p[3] * np.exp(-2 * r2 / p[2] ** 2) + p[4] + p[5] * x + p[6] * y


def disc(p: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Disc on a plane; p : centre, radius, amplitude, plane, sd of the Gaussian that blurs its edge."""
    away = (np.hypot(x - p[0], y - p[1]) - p[2]) / (np.sqrt(2) * p[7])
    return p[3] * 0.5 * (1 - np.vectorize(erf)(away)) + p[4] + p[5] * x + p[6] * y


def bound(model, p: np.ndarray, x: np.ndarray, y: np.ndarray, noise: float) -> float:
    """Cramér–Rao bound of the centre's error: root of the sum of its two variances, px."""
    rows = []
    for i in range(len(p)):
        step = np.zeros(len(p))
        step[i] = 1e-4
        rows.append((model(p + step, x, y) - model(p - step, x, y)).ravel() / 2e-4)
    fisher = np.array(rows) @ np.array(rows).T / noise**2
    return float(np.sqrt(np.trace(np.linalg.inv(fisher)[:2, :2])))


def peers() -> dict:
    found = {"vision": lambda z: locate_spot(z)}
    found["cv2 blob"] = blob
    try:
        from scipy.ndimage import center_of_mass

        found["scipy com"] = lambda z: center_of_mass(np.where(bare(z) > 0.5 * bare(z).max(), bare(z), 0))[
            ::-1
        ]
    except ImportError:
        pass
    try:
        from photutils.centroids import centroid_2dg, centroid_com

        found["photutils com"] = lambda z: centroid_com(np.clip(bare(z), 0, None))
        found["photutils 2dg"] = lambda z: centroid_2dg(bare(z))
    except ImportError:
        pass
    try:
        from skimage.measure import label, regionprops

        def region(z: np.ndarray):
            regions = regionprops(label(bare(z) > bare(z).max() / 2), intensity_image=bare(z))
            return max(regions, key=lambda r: r.area).centroid_weighted[::-1]

        found["skimage props"] = region
    except ImportError:
        pass
    return found


def bare(z: np.ndarray) -> np.ndarray:
    return z - np.median(np.r_[z[0], z[-1], z[:, 0], z[:, -1]])


def blob(z: np.ndarray) -> tuple[float, float]:
    settings = cv2.SimpleBlobDetector_Params()
    settings.filterByColor = settings.filterByArea = settings.filterByCircularity = False
    settings.filterByConvexity = settings.filterByInertia = False
    low, high = z.min(), z.max()
    picture = np.clip(255 - (z - low) / (high - low) * 255, 0, 255).astype(np.uint8)
    points = cv2.SimpleBlobDetector_create(settings).detect(picture)
    return max(points, key=lambda k: k.size).pt if points else (np.nan, np.nan)


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    methods = peers()
    print("RMS error / Cramér–Rao bound (and median ms)")
    print(f"{'spot':10s}{'slope':>6s}" + "".join(f"{name:>22s}" for name in methods))
    y, x = np.indices((SIDE, SIDE)).astype(float)
    for shape, model in (("gaussian", gaussian), ("disc", disc)):
        for slope in (0.0, 10.0):
            print(f"{shape:10s}{slope:6.0f}" + row(methods, model, slope, x, y, count, seed), flush=True)


def row(methods: dict, model, slope: float, x: np.ndarray, y: np.ndarray, count: int, seed: int) -> str:
    rng = np.random.default_rng(seed)
    ratios = {name: [] for name in methods}
    times = {name: [] for name in methods}
    for _ in range(count):
        p = draw(model, slope, rng)
        noise = p[3] / rng.uniform(30, 75)
        z = model(p, x, y) + rng.normal(0, noise, x.shape)
        limit = bound(model, p, x, y, noise)
        for name, method in methods.items():
            start = time.perf_counter()
            error = np.subtract(method(z), p[:2])
            times[name].append(time.perf_counter() - start)
            ratios[name].append(np.hypot(*error) / limit)
    cells = [
        f"{np.sqrt(np.nanmean(np.square(ratios[n]))):10.2f} ({1e3 * np.median(times[n]):6.2f} ms)"
        for n in methods
    ]
    return "".join(f"{c:>22s}" for c in cells)


def draw(model, slope: float, rng: np.random.Generator) -> np.ndarray:
    way = rng.uniform(0, 2 * np.pi)
    plane = [20.0, slope / SIDE * np.cos(way), slope / SIDE * np.sin(way)]
    start = [*((SIDE - 1) / 2 + rng.uniform(-4, 4, 2)), rng.uniform(10, 15), rng.uniform(60, 150), *plane]
    return np.array([*start, COUNT_SOFT_PX] if model is disc else start)


if __name__ == "__main__":
    main()

"""Measure what limits the sigma of a rough edge, on edges drawn as harmonics, without a picture.

    python tests/bench/vision_roughness.py [edges of each kind] [seed]

A rough edge moves a mark by its first harmonic, which no reader sees. Two kinds of edges: `fine` is that of
our scenes (0.3 rad, 1 to 3.5 % of the radius), `coarse` that of the row "coarse edge" of `vision_outside.py`
(1.0 and 2.5 mm, 0.15 mm). Readers: `ours` is `roughness.first_harmonic`; `round, nothing finer` also knows
that the beam is round and that the edge has one correlation alone; `knows both kinds` has both spectra and
only has to find out which one it sees. Then ours with sigma times a factor.
"""

from __future__ import annotations

import sys

import numpy as np

from vision import roughness

ORDERS = np.arange(1, 16)
RADII_MM, RAGGED = (1.5, 3.5), np.linspace(0.01, 0.035, 9)
LENGTH_RAD, COARSE_MM, LENGTHS_MM = 0.3, 0.15, (1.0, 2.5)
FACTORS = (0.9, 0.8, 0.7)
NOISE = 1e-6  # mm²


def fine(radius: float, ragged: float) -> np.ndarray:
    """Variance (15,) of each harmonic's two coefficients, mm², as `scenes.outline` draws them."""
    size = np.exp(-((np.arange(1, 21) * LENGTH_RAD) ** 2) / 4)
    return (radius * ragged * size[: len(ORDERS)]) ** 2 / (size**2).sum()


def coarse(radius: float) -> np.ndarray:
    """The same for a field filtered by Gaussians of the two lengths, along a circle: sd l correlates points
    at a distance d by exp(-d² / 4 l²)."""
    turn = np.linspace(0, 2 * np.pi, 512, endpoint=False)
    apart = 2 * radius * np.sin(turn / 2)
    field = COARSE_MM**2 * np.mean([np.exp(-((apart / length) ** 2) / 4) for length in LENGTHS_MM], axis=0)
    return np.maximum(2 * np.fft.rfft(field).real[1 : len(ORDERS) + 1] / len(turn), 1e-12)


def of_both(power: np.ndarray, radius: float) -> float:
    """Expected variance of the first harmonic if it is of one kind or the other, equally likely."""
    spectra = (
        np.array([*(fine(radius, ragged) for ragged in RAGGED), *[coarse(radius)] * len(RAGGED)]) + NOISE
    )
    likely = -(np.log(spectra[:, 1:]) + power / spectra[:, 1:]).sum(axis=1)
    share = np.exp(likely - likely.max())
    return float((share * spectra[:, 0]).sum() / share.sum())


def round_alone(power: np.ndarray, radius: float) -> float:
    """Ours, but a round beam and nothing finer."""
    kept = roughness._OVALS, roughness._FINER
    roughness._OVALS, roughness._FINER = np.zeros(1), np.zeros(1)
    variance = roughness.first_harmonic(power, NOISE, radius)
    roughness._OVALS, roughness._FINER = kept
    return variance


READERS = {
    "ours": lambda power, radius: roughness.first_harmonic(power, NOISE, radius),
    "round, nothing finer": round_alone,
    "knows both kinds": of_both,
}


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    rng = np.random.default_rng(seed)
    print("edges    reader                   error / sigma (rms)   |e|<2s   median sigma mm")
    for kind in ("fine", "coarse"):
        moved, stated = [], {name: [] for name in READERS}
        for _ in range(count):
            radius = rng.uniform(*RADII_MM)
            variance = fine(radius, rng.uniform(RAGGED[0], RAGGED[-1])) if kind == "fine" else coarse(radius)
            waves = rng.normal(size=(2, len(ORDERS))) * np.sqrt(variance)
            moved.append(waves[:, 0])
            power = (waves[:, 1:] ** 2).sum(axis=0) / 2
            for name, reader in READERS.items():
                stated[name].append(np.sqrt(reader(power, radius)))
        for name, factor in [*((name, 1.0) for name in READERS), *(("ours", factor) for factor in FACTORS)]:
            sigma = factor * np.array(stated[name])[:, None]
            ratio = np.array(moved) / sigma
            label = name if factor == 1 else f"{name}, times {factor}"
            print(
                f"{kind:8s} {label:24s} {np.sqrt((ratio**2).mean()):14.2f}"
                f"{np.mean(np.abs(ratio) < 2):16.1%}{np.median(sigma):14.3f}"
            )


if __name__ == "__main__":
    main()

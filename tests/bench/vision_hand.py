"""Measure `read` on hand-held photos, marks on marks, and hard cards and marks, beside general methods.

    python tests/bench/vision_hand.py [--only NAME,NAME] [--scenes N] [--seed N]

One line for each row. The general methods: `threshold` subtracts the other picture in the card's frame and
reports the largest blob beyond six robust standard deviations; `two discs` fits a new disc on a saturating
sum by scipy's least squares, given the places and sizes of the old ones. Both get the card from our reader.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator

import cv2
import numpy as np
import vision_hand_cases as cases
import vision_other_hand as other
from scipy.ndimage import center_of_mass, gaussian_filter, label
from scipy.optimize import least_squares
from vision_hand_cases import Case

import vision
from vision.find import find_card
from vision.window import flatten_view, window_grid

GRID = window_grid(0.25)
PAIRS: dict[str, Callable[[int, int], Iterator[Case]]] = {
    "hand workshop": lambda n, seed: cases.by_hand("workshop", n, seed),
    "hand harsh": lambda n, seed: cases.by_hand("harsh", n, seed),
    "hand toned": lambda n, seed: cases.by_hand("workshop", n, seed, toned=True),
    "on top": lambda n, seed: cases.on_top(n, seed),
    "on top by hand": lambda n, seed: cases.on_top(n, seed, steady=False),
    "third by hand": lambda n, seed: cases.on_top(n, seed, old=2, steady=False),
    "other on top by hand": lambda n, seed: other.on_top(n, seed),
    "third aligned": lambda n, seed: cases.on_top(n, seed, farthest_mm=0.3, old=2),
    "fresh tape": lambda n, seed: cases.fresh(n, seed),
    "two lobes, pair": lambda n, seed: cases.single(n, seed, form="two", diameter=5.0, pair=True),
    "four lobes, pair": lambda n, seed: cases.single(n, seed, form="four", diameter=5.0, pair=True),
}
SINGLES: dict[str, Callable[[int, int], Iterator[Case]]] = {
    "easy": lambda n, seed: cases.single(n, seed, grade="easy"),
    "workshop": lambda n, seed: cases.single(n, seed),
    "JPEG 50": lambda n, seed: cases.single(n, seed, jpeg=50),
    "JPEG 30": lambda n, seed: cases.single(n, seed, jpeg=30),
    "one-sided halo": lambda n, seed: cases.single(n, seed, halo=0.8, form="disc"),
    "two lobes": lambda n, seed: cases.single(n, seed, form="two", diameter=5.0),
    "four lobes": lambda n, seed: cases.single(n, seed, form="four", diameter=5.0),
    "doughnut": lambda n, seed: cases.single(n, seed, form="ring"),
    "edge twice as ragged": lambda n, seed: cases.single(n, seed, form="disc", ragged=0.06),
    "beside a lamp": lambda n, seed: cases.beside_lamp(n, seed),
    "bent 300": lambda n, seed: cases.hard_card("bent 300", n, seed),
    "bent 100": lambda n, seed: cases.hard_card("bent 100", n, seed),
    "blurred 6 px": lambda n, seed: cases.hard_card("blurred 6 px", n, seed),
    "smeared 8 px": lambda n, seed: cases.hard_card("smeared 8 px", n, seed),
    "pale print": lambda n, seed: cases.hard_card("pale print", n, seed),
    "streaked print": lambda n, seed: cases.hard_card("streaked print", n, seed),
}


def new_marks(answer: vision.Reading | vision.NoReading) -> list[vision.Mark]:
    return [m for m in getattr(answer, "marks", ()) if m.new is not False]


def flat(picture: np.ndarray) -> np.ndarray | None:
    found = find_card(picture)
    if isinstance(found, vision.NoReading):
        return None
    return flatten_view(picture, found[1], GRID).mean(axis=2)


def darkening(after: np.ndarray, before: np.ndarray) -> np.ndarray | None:
    """How much darker each point became (side, side), a common gain removed; None if no card is found."""
    seen, known = flat(after), flat(before)
    if seen is None or known is None:
        return None
    inside = GRID.radius_mm() < 22.5
    return (known * np.median(seen[inside] / np.maximum(known[inside], 4)) - seen) * inside


def by_threshold(after: np.ndarray, before: np.ndarray) -> np.ndarray | None:
    """Centre (2,) mm of the largest blob beyond six robust standard deviations; None if none has 1 mm²."""
    change = darkening(after, before)
    if change is None:
        return None
    change = np.abs(gaussian_filter(change, 1.0))
    spread = 1.4826 * np.median(change[GRID.radius_mm() < 22.5]) + 0.3
    blobs, count = label(change > 6 * spread)
    sizes = np.bincount(blobs.ravel())[1:] if count else np.zeros(1)
    if sizes.max() < 16:
        return None
    row, col = center_of_mass(blobs == 1 + int(np.argmax(sizes)))
    u, v = GRID.axes_mm()
    return np.array([np.interp(col, np.arange(GRID.side), u), np.interp(row, np.arange(GRID.side), v)])


def by_two_discs(case: Case) -> np.ndarray | None:
    """Centre (2,) mm of a new disc on old ones of known places and sizes: h · exp(-old) · (1 - exp(-new))."""
    assert case.after is not None
    change = darkening(case.after, case.before)
    if change is None:
        return None
    u, v = np.broadcast_arrays(GRID.axes_mm()[0][None, :], GRID.axes_mm()[1][:, None])
    near = np.hypot(u - case.old[0].centre[0], v - case.old[0].centre[1]) < 7
    x, y, z = u[near], v[near], change[near]

    def disc(at: np.ndarray, radius: float) -> np.ndarray:
        return 1 / (1 + np.exp(np.clip((np.hypot(x - at[0], y - at[1]) - radius) / 0.2, -40, 40)))

    gone = sum(disc(np.array(o.centre), o.diameter / 2) for o in case.old)

    def rest(p: np.ndarray) -> np.ndarray:
        return p[3] * np.exp(-abs(p[4]) * gone) * (1 - np.exp(-3 * disc(p[:2], p[2]))) + p[5] - z

    first = case.old[-1]
    start = [*first.centre, first.diameter / 2, 60.0, 2.0, 0.0]
    return np.asarray(least_squares(rest, start, loss="soft_l1", f_scale=5.0).x[:2])


Figures = dict[str, float]


def pair_figures(made: Iterator[Case], *, near_mm: float = 0.25) -> Figures:
    """What `read` and the general methods report of pairs: shares, and distances and sigmas in mm.

    `right`: one new mark, in its place; `answered`: a new mark, or the old one on which it must lie.
    """
    nothing, right, answered, errors, sigmas, alarms = [], [], [], [], [], []
    peers: dict[str, list[float]] = {"threshold": [], "two discs": []}
    for case in made:
        assert case.again is not None
        assert case.after is not None
        nothing.append(bool(new_marks(vision.read(case.again, case.before))))
        alarms.append(by_threshold(case.again, case.before) is not None)
        answer = vision.read(case.after, case.before)
        marks = new_marks(answer)
        away = [np.subtract(m.offset_mm, case.new.centre) for m in marks]
        right.append(len(marks) == 1 and float(np.hypot(*away[0])) < near_mm)
        if marks:
            best = int(np.argmin(np.hypot(*np.array(away).T)))
            errors.append(away[best])
            sigmas.append(marks[best].sigma_mm)
        elif isinstance(answer, vision.NoReading) and answer.on_top is not None:
            errors.append(np.subtract(answer.on_top.offset_mm, case.new.centre))
            sigmas.append(answer.on_top.sigma_mm)
        answered.append(bool(marks) or getattr(answer, "on_top", None) is not None)
        places = {"threshold": by_threshold(case.after, case.before)}
        if any(np.hypot(*np.subtract(o.centre, case.new.centre)) < 2 for o in case.old):
            places["two discs"] = by_two_discs(case)
        for peer, at in places.items():
            peers[peer].append(9.0 if at is None else float(np.hypot(*np.subtract(at, case.new.centre))))
    figures = {"new": np.mean(nothing), "right": np.mean(right), "answered": np.mean(answered)}
    figures |= {"threshold alarms": np.mean(alarms)}
    return figures | spread(errors, sigmas) | _of_peers(peers)


def single_figures(made: Iterator[Case]) -> Figures:
    """What `read` reports of single pictures, and `threshold`, which also gets the picture before if any."""
    found, false, blank, errors, sigmas, warned = [], [], [], [], [], []
    peers: dict[str, list[float]] = {"threshold": []}
    for case in made:
        assert case.after is not None
        if case.before.size:
            blank.append(len(new_marks(vision.read(case.before))))
            at = by_threshold(case.after, case.before)
            peers["threshold"].append(
                9.0 if at is None else float(np.hypot(*np.subtract(at, case.new.centre)))
            )
        answer = vision.read(case.after)
        marks = new_marks(answer)
        warned.append(bool(getattr(answer, "warnings", ())))
        away = [np.subtract(m.offset_mm, case.new.centre) for m in marks]
        best = int(np.argmin(np.hypot(*np.array(away).T))) if away else None
        hit = best is not None and float(np.hypot(*away[best])) < 2.5
        found.append(hit)
        false.append(len(marks) - hit)
        if hit and best is not None:
            errors.append(away[best])
            sigmas.append(marks[best].sigma_mm)
    figures = {"found": np.mean(found), "false": np.mean(false), "warned": np.mean(warned)}
    return (
        figures
        | ({"false, blank": np.mean(blank)} if blank else {})
        | spread(errors, sigmas)
        | _of_peers(peers)
    )


def spread(errors: list[np.ndarray], sigmas: list[tuple[float, float]]) -> Figures:
    """Distances from the truth (median, 90 and 95 %), the share of errors within two sigmas, the rms of error
    over sigma, and the median sigma.
    """
    if not errors:
        return {}
    away, ratio = np.hypot(*np.array(errors).T), np.array(errors) / np.array(sigmas)
    return {
        "median": np.median(away),
        "90 %": np.percentile(away, 90),
        "95 %": np.percentile(away, 95),
        "within 2s": np.mean(np.abs(ratio) < 2),
        "error over sigma": np.sqrt((ratio**2).mean()),
        "sigma": np.median(sigmas),
    }


def _of_peers(peers: dict[str, list[float]]) -> Figures:
    figures: Figures = {}
    for name, away in peers.items():
        if away:
            figures |= {f"{name} median": np.median(away), f"{name} 95 %": np.percentile(away, 95)}
    return figures


def line(figures: Figures) -> str:
    """The figures of a row, lengths in mm."""
    return "   ".join(f"{name} {_number(name, value)}" for name, value in figures.items())


def _number(name: str, value: float) -> str:
    if name.endswith("a second"):
        return f"{value:.0f}"
    if name == "error over sigma":
        return f"{value:.2f}"
    if name.endswith(("median", "90 %", "95 %", "sigma")) or name.startswith("false"):
        return f"{value:.3f}"
    return f"{value:.1%}"


def measured(name: str, count: int, seed: int) -> Figures:
    """The figures of one row."""
    if name in PAIRS:
        return pair_figures(PAIRS[name](count, seed), near_mm=0.25 if name.startswith("hand") else 0.3)
    return single_figures(SINGLES[name](count, seed))


def main() -> None:
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default=",".join([*PAIRS, *SINGLES]))
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--seed", type=int, default=101)
    arguments = parser.parse_args()
    for name in arguments.only.split(","):
        print(f"{name:21s} {line(measured(name, arguments.scenes, arguments.seed))}", flush=True)


if __name__ == "__main__":
    main()

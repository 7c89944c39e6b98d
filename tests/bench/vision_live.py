"""Measure a pulse on an old mark, live: how often it is noticed, and whether the answer is true.

    python tests/bench/vision_live.py [scenes per row] [seed]

The camera is on a stand: frames of one view, each with its own noise, flicker and compression. The second
pulse of the same beam lands at a given offset from the first. `noticed`: an event reported it without a
button; `answered`: the mark, or "on top", was given once a button said that a pulse was fired; `alarms`:
events while nothing happened. The general method beside it notices a pulse if a frame's largest smoothed
difference from the mean of the quiet frames is beyond six robust standard deviations.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import handheld
import vision_hand_cases as cases
from vision_hand import Figures, line, spread

import vision

OFFSETS_MM = (0.0, 0.15, 0.3, 0.6)
QUIET, MARKED, RATE = 24, 48, 30.0
SIZE = (800, 600)
TOLD = {"pulse seen", "mark settled", "on top"}


def frames(clean: np.ndarray, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Frames of one still scene: noise, a lamp that flickers, MJPEG."""
    made = []
    for _ in range(count):
        lit = clean * np.float32(1 + rng.normal(0, 0.004)) + rng.normal(0, 1.5, clean.shape)
        coded = cv2.imencode(".jpg", np.clip(lit, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 88])[1]
        made.append(cv2.imdecode(coded, cv2.IMREAD_COLOR))
    return made


def scene(offset_mm: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, handheld.Burn]:
    """Pictures without noise before and after the second pulse, and that pulse."""
    beam = handheld.any_burn(rng)
    way = rng.uniform(0, 2 * np.pi)
    again = cases.again_near(beam, 0.0, rng)
    at = (beam.centre[0] + offset_mm * float(np.cos(way)), beam.centre[1] + offset_mm * float(np.sin(way)))
    again = replace(again, centre=at)
    shot = replace(handheld.any_shot("workshop", rng), noise=0.0, jpeg=None, shadow=0.0)
    view = shot.view
    shot = replace(shot, view=replace(view, size=SIZE, focal_px=view.focal_px * SIZE[0] / view.size[0]))
    sheet = handheld.any_sheet("workshop", rng)
    old, both = replace(sheet, burns=(beam,)), replace(sheet, burns=(beam, again))
    return handheld.take(old, shot, rng), handheld.take(both, shot, rng), again


def by_difference(quiet: list[np.ndarray], marked: list[np.ndarray]) -> bool:
    mean = np.mean(quiet, axis=0).mean(axis=2)
    hits = 0
    for frame in marked[:10]:
        change = np.abs(cv2.GaussianBlur(frame.mean(axis=2) - mean, (0, 0), 2))
        hits += bool(change.max() > 6 * 1.4826 * np.median(change) + 3)
    return hits > 5


def live_figures(offset_mm: float, count: int, seed: int) -> Figures:
    """What a stream, and the general method, report of second pulses at that offset."""
    rng = np.random.default_rng(seed)
    noticed, alarms, peer, answered, errors, sigmas = [], [], [], [], [], []
    for _ in range(count):
        old, both, burn = scene(offset_mm, rng)
        quiet, marked = frames(old, QUIET, rng), frames(both, MARKED, rng)
        peer.append(by_difference(quiet, marked))
        early, events, answer = watched(quiet, marked)
        alarms.append(bool(early & TOLD))
        noticed.append(bool(events & TOLD))
        answered.append(answer is not None)
        if answer is not None:
            errors.append(np.subtract(answer.offset_mm, burn.centre))
            sigmas.append(answer.sigma_mm)
    figures = {"noticed": np.mean(noticed), "alarms": np.mean(alarms), "answered": np.mean(answered)}
    return figures | spread(errors, sigmas) | {"difference noticed": np.mean(peer)}


def watched(
    quiet: list[np.ndarray], marked: list[np.ndarray]
) -> tuple[set[str], set[str], vision.Mark | None]:
    """Events before and after the pulse without a button, and the answer of a stream that was told of it."""
    free, told = vision.Stream(), vision.Stream()
    early: set[str] = set()
    events: set[str] = set()
    answer = None
    for i, frame in enumerate(quiet + marked):
        if i == len(quiet):
            told.pulse_told(i / RATE)
        seen = set(free.feed(frame, i / RATE).events)
        early, events = (early | seen, events) if i < len(quiet) else (early, events | seen)
        moment = told.feed(frame, i / RATE)
        if "on top" in moment.events:
            answer = moment.on_top
        elif "mark settled" in moment.events and moment.reading is not None:
            answer = moment.reading.marks[0]
    return early, events, answer


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 11
    for offset_mm in OFFSETS_MM:
        print(f"offset {offset_mm:4.2f} mm   {line(live_figures(offset_mm, count, seed))}", flush=True)


if __name__ == "__main__":
    main()

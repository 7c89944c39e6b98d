"""A practice run with each step done as asked: number of pulses, turns and shifts, and the true result.

    .venv/bin/python tests/bench/practice_run.py [--runs 4]

Every mark goes through the whole program: the practice laser burns it, its camera renders it, `vision.read`
reads it, `next_step` answers. 'expect' counts how often a mark was within three sigmas of its prediction.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path
from statistics import median
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

import vision
from server.practice import PracticeCamera, PracticeMachine, default_profile
from server.solver import answer, profile_as_json

MOST_STEPS = 200


def pulse(machine: PracticeMachine, camera: PracticeCamera, step: dict[str, Any]) -> dict[str, Any]:
    """Fresh tape at the step's place, a pulse, and the event that its picture gives."""
    machine.hang(step["station"])
    machine.move_head((step["head_mm"][0], step["head_mm"][1]))
    machine.fresh_card()
    before = camera.newest()
    machine.pulse()
    reading = vision.read(camera.newest(newer_than=before.number).pixels, before.pixels)
    place = {"station": step["station"], "head_mm": step["head_mm"]}
    new = [mark for mark in getattr(reading, "marks", ()) if mark.new]
    if not new:
        return {"kind": "no-mark", **place}
    return {"kind": "mark", **place, "offset_mm": list(new[0].offset_mm), "sigma_mm": list(new[0].sigma_mm)}


def obey(machine: PracticeMachine, camera: PracticeCamera, step: dict[str, Any]) -> dict[str, Any]:
    """Do what the step says; returns the event."""
    if step["do"] == "mark":
        return pulse(machine, camera, step)
    if step["do"] == "turn":
        machine.turn(step["mount"], step["screw"], step["turns"])
        return {"kind": "turn", **{key: step[key] for key in ("mount", "screw", "turns")}}
    if step["do"] == "shift":
        machine.shift(step["part"], tuple(step["move_mm"]))
        return {"kind": "shift", "part": step["part"], "move_mm": step["move_mm"]}
    return {"kind": "inspected", "cause": step["cause"], "outcome": "nothing-found"}


def run(seed: int, corner: str, severity: str) -> tuple[Counter[str], list[bool], float]:
    """Steps by kind (with the last one), hits of 'expect', and the true overlap at mirror 3 (mm)."""
    profile = default_profile(corner)  # type: ignore[arg-type]
    machine = PracticeMachine(seed, profile, severity=severity)  # type: ignore[arg-type]
    camera = PracticeCamera(machine)
    camera.start()
    document: dict[str, Any] = {"machine": profile_as_json(profile), "events": []}
    count: Counter[str] = Counter()
    foretold: dict[str, Any] | None = None
    hits: list[bool] = []
    for _ in range(MOST_STEPS):
        step = answer(document)
        count[step["do"]] += 1
        if step["do"] in ("done", "stop"):
            break
        event = obey(machine, camera, step)
        if event["kind"] == "mark" and foretold is not None:
            same = (event["station"], event["head_mm"]) == (foretold["station"], foretold["head_mm"])
            away = np.hypot(*np.subtract(event["offset_mm"], foretold["offset_mm"]))
            hits += [bool(away <= 3 * np.hypot(foretold["sigma_mm"], 0.05))] if same else []
        foretold = step.get("expect", None if event["kind"] in ("mark", "no-mark") else foretold)
        document["events"].append(event)
    marks = np.array([place["mirror-3"] for place in machine.truth()["offset_mm"].values()])
    apart = np.hypot(*(marks[:, None] - marks[None]).transpose(2, 0, 1)).max()
    return count, hits, float(apart)


def main() -> None:
    """Print one line a run and the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=4, help="seeds a row")
    runs = parser.parse_args().runs
    print("severity  corner      end    pulses  turns  shifts   true overlap at mirror 3 (mm)")
    pulses, within = [], []
    for severity in ("drifted", "rebuilt"):
        for corner in ("back-left", "back-right"):
            for seed in range(runs):
                count, hits, apart = run(seed, corner, severity)
                end = "done" if count["done"] else "stop" if count["stop"] else "cap"
                numbers = f"{count['mark']:6d} {count['turn']:6d} {count['shift']:7d}"
                print(f"{severity:9s} {corner:11s} {end:5s} {numbers} {apart:10.2f}")
                pulses.append(count["mark"])
                within += hits
    near = f"{sum(within)} of {len(within)}"
    print(f"median pulses {median(pulses):g}; marks as foretold within 3 sigma: {near}")


if __name__ == "__main__":
    main()

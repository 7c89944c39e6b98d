"""A log after ten busy years: how long listing, charting, exporting and pruning take, and how much memory.

Run: ``python tests/bench/log_size.py [--readings 200000] [--alignments 4000] [--pictures 0]``.
Each row is one command in a process of its own, from its start to its end: the seconds that a person waits.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path
from typing import Any

import numpy as np

from server.log import Log
from server.log._schema import checksum
from server.practice import default_profile
from server.solver import profile_as_json

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
PICTURE_BYTES = 25_000  # 5 GB over 200 000


def reading_of(event: dict[str, Any]) -> dict[str, Any]:
    mark = {
        "offset_mm": event["offset_mm"],
        "sigma_mm": [0.02, 0.02],
        "width_mm": [5.2, 5.1],
        "shape": "round",
    }
    card = {"markers_seen": 4, "rms_px": 0.05, "px_per_mm": 5.7, "tilt_deg": 31.0}
    return {"station": event["station"], "marks": [mark], "card": card, "warnings": []}


def events(rng: np.random.Generator, count: int) -> list[dict[str, Any]]:
    offsets = np.round(rng.normal(0, 3, (count, 2)), 4).tolist()
    return [
        {
            "kind": "mark",
            "station": STATIONS[i % 4],
            "head_mm": [0, 1000],
            "offset_mm": uv,
            "sigma_mm": [0.02, 0.02],
        }
        for i, uv in enumerate(offsets)
    ]


def fill(folder: Path, *, readings: int, alignments: int, pictures: int) -> None:
    """Straight into the tables, or the filling alone would take an hour of syncs."""
    rng = np.random.default_rng(1)
    each = readings // alignments
    machine = profile_as_json(default_profile())
    with Log(folder) as log:
        numbers = [log.start_alignment(machine=machine, source="camera") for _ in range(alignments)]
        names = [make_picture(log, number) for number in range(pictures)]
        with log.writing() as db:
            for place, number in enumerate(numbers):
                rows = [
                    row(number, i, e, names[place * each + i :][:1]) for i, e in enumerate(events(rng, each))
                ]
                db.executemany(
                    "INSERT INTO event (uuid, alignment_id, sequence, happened, body, reading, picture,"
                    " checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    rows,
                )
            verdict = json.dumps({"aligned": True, "overlap_mm": {"mirror-2": 0.4}, "reasons": []})
            db.execute("UPDATE alignment SET done = 1, verdict = ?", (verdict,))


def make_picture(log: Log, number: int) -> str:
    name = f"{number % 256:02x}/{number:064x}.jpg"
    path = log.pictures.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.truncate(PICTURE_BYTES)
    return name


def row(number: int, place: int, event: dict[str, Any], picture: list[str]) -> tuple[Any, ...]:
    known, when = str(uuid.uuid4()), "2025-01-31T08:30:00.000Z"
    body, reading = json.dumps(event), json.dumps(reading_of(event))
    name = picture[0] if picture else None
    return known, number, place + 1, when, body, reading, name, checksum(known, when, body, reading)


def measure(*words: str) -> tuple[float, float, float]:
    """Seconds by the clock and of the processor, peak memory in MB of one command."""
    begin = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-m", "server.command", *words], stdout=subprocess.DEVNULL
    ) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{words}: exit status {process.returncode}")
    return time.perf_counter() - begin, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000


def main() -> None:
    """Fill a log, run each command on it, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--alignments", type=int, default=4_000)
    parser.add_argument("--pictures", type=int, default=0, help="files of 25 kB, sparse")
    parser.add_argument("--repeat", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place, "data")
        begin = time.perf_counter()
        fill(folder, readings=asked.readings, alignments=asked.alignments, pictures=asked.pictures)
        size = (folder / "spotwright.db").stat().st_size / 1e6
        print(
            f"{asked.readings} readings, {asked.alignments} alignments, {asked.pictures} pictures,", end=" "
        )
        print(f"{size:.0f} MB of database, filled in {time.perf_counter() - begin:.0f} s\n")
        print(f"{'command':<34}{'best s':>8}{'worst s':>9}{'cpu s':>8}{'memory MB':>11}")
        data = ("--data", str(folder))
        for words in (
            ("--version",),
            ("log", "list", *data),
            ("log", "show", "2000", *data),
            ("log", "chart", f"{place}/chart.svg", *data),
            ("log", "chart", f"{place}/chart.png", *data),
            ("log", "export", "--csv", f"{place}/log.csv", *data),
            ("log", "export", "--json", f"{place}/log.json", *data),
            ("log", "check", *data),
            ("log", "backup", f"{place}/copy", *data),
            ("log", "prune", "--keep-alignments", str(asked.alignments // 2), *data),
        ):
            runs = [measure(*words) for _ in range(asked.repeat)]
            seconds, processor, memory = zip(*runs, strict=True)
            name = " ".join(word.replace(place, "").lstrip("/") for word in words if word not in data)
            times = f"{min(seconds):8.2f}{max(seconds):9.2f}{min(processor):8.2f}"
            print(f"{name:<34}{times}{max(memory):11.0f}")


if __name__ == "__main__":
    main()

"""A log after ten busy years: how long listing, charting, exporting and pruning take, and how much memory.

Run: ``python tests/bench/log_size.py [--readings 200000] [--alignments 4000] [--turns 2] [--pictures 0]``;
``--pictures 200000`` makes 5 GB of them, and as much again for the backup (``--place`` says where).
Each row is one command in a process of its own, from its start to its end: the seconds that a person waits,
and those of the processor, which other programs on the machine change less.
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
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from server.log import Log, PictureRule
from server.log._checksum import VERDICT, checksum, sum_of
from server.log._pictures import name_of
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


def happened(rng: np.random.Generator, *, readings: int, turns: int) -> list[dict[str, Any]]:
    """Marks, and a turn after each ``turns`` of them (0: none)."""
    found: list[dict[str, Any]] = []
    for number, event in enumerate(events(rng, readings), start=1):
        found.append(event)
        if turns and number % turns == 0:
            screw = {
                "mount": int(rng.integers(1, 4)),
                "screw": "top",
                "turns": int(rng.integers(1, 33)) / 64,
            }
            found.append({"kind": "turn"} | screw)
    return found


def fill(folder: Path, *, readings: int, alignments: int, turns: int, pictures: int) -> None:
    """Fill the tables directly: through the log's own functions, the syncs would take an hour."""
    rng = np.random.default_rng(1)
    machine = profile_as_json(default_profile())
    left = iter(range(pictures))
    with Log(folder) as log:
        numbers = [log.start_alignment(machine=machine, source="camera") for _ in range(alignments)]
        with log.writing() as db:
            for number in numbers:
                each = happened(rng, readings=readings // alignments, turns=turns)
                db.executemany(
                    "INSERT INTO event (uuid, alignment_id, sequence, happened, body, reading, picture,"
                    " checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    [row(number, place, e, picture_for(log, e, left, rng)) for place, e in enumerate(each)],
                )
            verdict = json.dumps({"aligned": True, "overlap_mm": {"mirror-2": 0.4}, "reasons": []})
            heads = db.execute("SELECT id, uuid FROM alignment").fetchall()
            judged = [{"uuid": known, "verdict": verdict, "done": 1} for _, known in heads]
            sums = [
                (verdict, sum_of(each, VERDICT), head[0]) for each, head in zip(judged, heads, strict=True)
            ]
            db.executemany(
                "UPDATE alignment SET done = 1, verdict = ?, verdict_checksum = ? WHERE id = ?", sums
            )


def picture_for(log: Log, event: dict[str, Any], left: Iterator[int], rng: np.random.Generator) -> str | None:
    """A file of noise, unsynced, for a mark as long as there are some left."""
    if event["kind"] != "mark" or next(left, None) is None:
        return None
    data = b"\xff\xd8\xff" + rng.bytes(PICTURE_BYTES - 3)
    path = log.pictures.folder / name_of(data)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return name_of(data)


def row(number: int, place: int, event: dict[str, Any], picture: str | None) -> tuple[Any, ...]:
    known, when = str(uuid.uuid4()), "2025-01-31T08:30:00.000Z"
    body = json.dumps(event)
    reading = json.dumps(reading_of(event)) if event["kind"] == "mark" else None
    seal = checksum(known, number, place + 1, when, body, reading, picture, 0)
    return known, number, place + 1, when, body, reading, picture, seal


# The kernel's peak for this program alone: wait4 would also count this script's memory before the exec.
PROBE = """
import sys, server.cli.main
status = server.cli.main.main(sys.argv[1:])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
sys.stderr.write(peak.split()[1])
raise SystemExit(status)
"""


def measure(*words: str) -> tuple[float, float, float]:
    """Seconds by the clock and of the processor, peak memory in MB of one command."""
    begin = time.perf_counter()
    command = [sys.executable, "-c", PROBE, *words]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        said = process.stderr.read().decode()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{words}: exit status {process.returncode}: {said}")
    return time.perf_counter() - begin, usage.ru_utime + usage.ru_stime, int(said) / 1000


COMMANDS = (  # each is run as often as asked; those that change something are run once
    "--version",
    "log list",
    "log show {middle}",
    "log chart {place}/chart.svg",
    "log chart {place}/chart.png",
    "log export --csv {place}/log.csv",
    "log export --json {place}/log.json",
    "log check",
    "log backup {place}/copy",
    "log import {place}/log.json --data {place}/taken",
    "log prune --keep-gb 4",
    "log prune --keep-alignments 100",
)
ONCE = ("log check", "log backup", "log import", "log prune")


def main() -> None:
    """Fill a log, run each command on it, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--alignments", type=int, default=4_000)
    parser.add_argument("--turns", type=int, default=2, help="a turn after so many readings, 0 for none")
    parser.add_argument("--pictures", type=int, default=0, help="files of 25 kB")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--place", type=Path, help="where to make the log; by default where the system says")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.place) as place:
        folder = Path(place, "data")
        begin = time.perf_counter()
        counts = {name: getattr(asked, name) for name in ("readings", "alignments", "turns", "pictures")}
        fill(folder, **counts)
        size = (folder / "spotwright.db").stat().st_size / 1e6
        print(", ".join(f"{count} {name}" for name, count in counts.items()), end=": ")
        print(
            f"{size:.0f} MB of database, {asked.pictures * PICTURE_BYTES / 1e9:.2g} GB of pictures,", end=" "
        )
        print(f"filled in {time.perf_counter() - begin:.0f} s\n")
        print(f"{'command':<40}{'best s':>8}{'worst s':>9}{'cpu s':>8}{'memory MB':>11}")
        for command in COMMANDS:
            times = 1 if command.startswith(ONCE) else asked.repeat
            words = command.format(place=place, middle=asked.alignments // 2).split()
            if "--data" not in words and words[0] == "log":
                words += ["--data", str(folder)]
            runs = [measure(*words) for _ in range(times)]
            seconds, processor, memory = zip(*runs, strict=True)
            figures = f"{min(seconds):8.2f}{max(seconds):9.2f}{min(processor):8.2f}{max(memory):11.0f}"
            print(f"{command.replace('{place}/', '').replace('{middle}', 'N'):<40}{figures}", flush=True)
        print(f"{'a new alignment, as a program asks':<40}{begin_one(folder):8.2f}")
        ask_pages(folder, asked.alignments // 4 * 3)


PAGES = ("/log", "/log/{middle}", "/log/drift.svg", "/log/spotwright-log.csv", "/log/spotwright-log.json")
# Asked twice: the first time also loads what the page needs.
ASK = """
import sys, time
from pathlib import Path
from server.pages import Config, create_app
from server.sources.base import OfflineSource
client = create_app(Config(data=Path(sys.argv[1]), source=OfflineSource)).test_client()
for path in sys.argv[2:]:
    took = []
    for _ in range(2):
        begin, used = time.perf_counter(), time.process_time()
        answer = client.get(path)
        size = sum(len(piece) for piece in answer.iter_encoded())
        took += [time.perf_counter() - begin, time.process_time() - used]
        assert answer.status_code == 200, answer.status
    print(path, *took, size)
print(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1])
"""


def ask_pages(folder: Path, middle: int) -> None:
    """Print seconds of the first and second answer to each page, and the memory of all of it."""
    paths = [path.format(middle=middle) for path in PAGES]
    command = [sys.executable, "-c", ASK, str(folder), *paths]
    *rows, memory = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    print(f"\n{'page':<40}{'first s':>8}{'again s':>9}{'cpu s':>8}{'MB sent':>11}")
    for line in rows:
        path, *figures = line.split()
        first, _, again, used, size = map(float, figures)
        print(f"{path:<40}{first:8.2f}{again:9.2f}{used:8.2f}{size / 1e6:11.1f}")
    print(f"{'memory of the page with all of it, MB':<40}{int(memory) / 1000:36.0f}")


def begin_one(folder: Path) -> float:
    """Seconds until a new alignment is on the disk, with the rule for pictures applied."""
    with Log(folder) as log:
        log.set_picture_rule(PictureRule(keep_gb=100.0))
        begin = time.perf_counter()
        log.start_alignment(machine={"name": "one"}, source="camera")
        return time.perf_counter() - begin


if __name__ == "__main__":
    main()

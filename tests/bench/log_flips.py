"""Every byte of a small log flipped in turn: how check, list, export, backup and start handle each.

Run: ``python tests/bench/log_flips.py [--every 1] [--first 0] [--backups 200] [--seed 1]``;
``--every 10 --first 3``: each tenth, from the third on; ``--used``: of the bytes that are not inside a run of
zeros, which is free space.
A flip matters if the export differs from that of the sound log, or if any of these raises.
Printed: the number of flips; how many matter; how many of those ``check`` misses; how often list, export and
start (as ``serve`` opens the log) fail; the most rows missing after one flip; how many backups are lost when
a good one is renewed from a log with one random byte changed, 200 times. SQLite's own integrity_check is run
beside it for comparison.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from server.log import Log, LogError, add_entry, back_up, check, rescue, restore
from server.practice import default_profile
from server.solver import profile_as_json

EVENTS = 12
FREE = re.compile(rb"\0{32,}")
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.25}
MARK = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": [0, 1000],
    "offset_mm": [1.5, -0.5],
    "sigma_mm": 0.1,
}
JPEG = b"\xff\xd8\xff a picture"


def small_log(folder: Path) -> None:
    """Three alignments, some with pictures, a test cut and a reminder; the write-ahead log folded in."""
    machine = profile_as_json(default_profile())
    with Log(folder) as log:
        for number in range(3):
            alignment = log.start_alignment(machine=machine, source="camera", note=f"no. {number}")
            for place in range(EVENTS):
                event = MARK | {"offset_mm": [place / 10, number]} if place % 2 else TURN
                log.add_event(alignment, event, picture=JPEG if place == 3 else None, state={"used": True})
            log.set_verdict(alignment, {"aligned": number == 1}, done=True)
        cut = {"stage": "before", "place": "near", "material": "plywood", "thickness_mm": 3.0}
        cut |= {"speed_mm_s": 20.0, "power_percent": 60.0, "through": True}
        add_entry(log, "cut", cut, alignment_id=1)
        add_entry(log, "reminder", {"laser": "one", "what": "clean", "every_days": 30})


def exported(folder: Path) -> tuple[str, int]:
    """The export, and how many rows are in it."""
    with Log(folder, access="read-only") as log:
        whole = json.loads("".join(log.json_texts()))
        "".join(log.csv_texts())
    rows = sum(1 + len(alignment["events"]) for alignment in whole["alignments"]) + len(whole["entries"])
    return json.dumps(whole), rows


@dataclass
class Tally:
    counts: Counter[str] = field(default_factory=Counter)
    worst: int = 0
    examples: dict[str, list[str]] = field(default_factory=dict)

    def note(self, what: str, at: str) -> None:
        self.counts[what] += 1
        self.examples.setdefault(what, []).append(at)


def tried(work: Callable[[], Any]) -> Any:
    """What ``work`` returns, or its exception; any exception that is not meant for a person is our fault."""
    try:
        return work()
    except Exception as error:  # noqa: BLE001
        return error


def _plain(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)


def integrity(path: Path) -> bool:
    """Whether SQLite alone finds something."""
    with suppress(sqlite3.Error, UnicodeError), closing(_plain(path)) as db:
        return db.execute("PRAGMA integrity_check").fetchall() != [("ok",)]
    return True


def one_flip(good: Path, place: Path, at: int, bit: int, sound: tuple[str, int], tally: Tally) -> None:
    """Flip one bit (or, with 8, the whole byte) in a copy and ask everything of it."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(good, place)
    path = place / "spotwright.db"
    content = bytearray(path.read_bytes())
    content[at] ^= 0xFF if bit == 8 else 1 << bit
    path.write_bytes(content)
    where = f"byte {at} bit {bit}"
    tally.counts["flips"] += 1
    sqlite_found, health = integrity(path), tried(lambda: check(place))
    found = isinstance(health, Exception) or bool(health.problems)
    result = tried(lambda: exported(place))
    started = tried(lambda: start(place))
    for what, outcome in (("check fails", health), ("export fails", result), ("start fails", started)):
        if isinstance(outcome, Exception):
            tally.note(what, f"{where}: {outcome!r}"[:200])
    if not isinstance(result, Exception):
        tally.worst = max(tally.worst, sound[1] - result[1])
        tally.counts["rows missing"] += sound[1] - result[1]
    after = started if isinstance(started, Exception) else started[0]
    matters = isinstance(result, Exception) or result[0] != sound[0] or after != sound[0]
    tally.counts["matter"] += matters
    if matters and not found:
        tally.note("missed by check", where)
    tally.counts["missed by SQLite"] += matters and not sqlite_found


def start(place: Path) -> tuple[str, int]:
    """As serve does: open for writing, look for the newest, and read all."""
    with Log(place, access="existing") as log:
        log.newest("camera")
        log.alignments()
    return exported(place)


def backups(good: Path, place: Path, count: int, seed: int, places: list[int]) -> Counter[str]:
    """Renew a good backup from a damaged log: can the good content still be restored?"""
    draw, counts = random.Random(seed), Counter[str]()
    sound = exported(good)
    for _ in range(count):
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(good, place / "log")
        back_up(good, place / "copy")
        path = place / "log" / "spotwright.db"
        content = bytearray(path.read_bytes())
        content[draw.choice(places)] ^= 1 << draw.randrange(8)
        path.write_bytes(content)
        with suppress(LogError):
            counts["said"] += bool(back_up(place / "log", place / "copy").problems)
        restored = tried(lambda: restore(place / "copy", place / "new"))
        counts["lost"] += isinstance(restored, Exception) or exported(place / "new") != sound
        counts["rescued whole with the backup"] += tried(lambda: rescued(place)) == sound
    counts["backups"] = count
    return counts


def rescued(place: Path) -> tuple[str, int]:
    rescue(place / "log", [place / "copy"])
    return exported(place / "log")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--used", action="store_true")
    parser.add_argument("--backups", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        good, place = Path(folder, "good"), Path(folder, "place")
        small_log(good)
        sound, tally = exported(good), Tally()
        content = (good / "spotwright.db").read_bytes()
        free = [at for run in FREE.finditer(content) for at in range(run.start() + 8, run.end() - 8)]
        places = sorted({*range(len(content))} - {*(free if asked.used else ())})
        for at in places[asked.first :: asked.every]:
            one_flip(good, place, at, draw.randrange(9), sound, tally)
        print(f"a log of {len(content)} bytes, {sound[1]} rows; one bit or all of each", end=" ")
        print(f"{asked.every}th of {len(places)} flipped, from number {asked.first} on", flush=True)
        names = (
            "flips",
            "matter",
            "missed by check",
            "missed by SQLite",
            "check fails",
            "export fails",
            "start fails",
        )
        for name in names:
            print(f"{name:20s}{tally.counts[name]:8d}")
        print(f"{'most rows missing':20s}{tally.worst:8d}   (all flips: {tally.counts['rows missing']})")
        for what, lines in tally.examples.items():
            print(f"  {what}:", *lines[:12], sep="\n    ")
        for name, count in backups(good, Path(folder, "b"), asked.backups, asked.seed, places).items():
            print(f"{name:32s}{count:8d}")


if __name__ == "__main__":
    main()

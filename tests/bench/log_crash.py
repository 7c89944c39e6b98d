"""Kill, cut the power, fill or break the disk while the log is written: is anything acknowledged lost?

Run: ``python tests/bench/log_crash.py [--instants 500] [--seed 1] [--sync FULL]`` as root (small disks are
mounted for the full ones), with strace installed. Prints a table; lost, corrupt and silent must be 0.
With ``--sync NORMAL`` or ``OFF`` the log is weakened on purpose: then power cuts must show losses.

- kill: SIGKILL at a random instant.
- power cut: the system calls of a run, up to a random one, on a disk that tears what was not synced.
- full disk: a disk of random size fills up; the writer must report it in one line; then space is made.
- dying disk: after a random write, sync or rename all further ones fail (I/O error, read-only); again the
  writer must report it in one line.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from server.log import Log, LogError, check
from tests.bench.disk_model import Disk, trace

WRITER = """
import sys
from pathlib import Path
from server.log import Log, LogError
count = int(sys.argv[2])
try:
    log = Log(Path(sys.argv[1]))
    log._writer.execute("PRAGMA synchronous = " + sys.argv[3])
    with log.writing() as db:
        db.execute("PRAGMA wal_autocheckpoint = 40")  # so that checkpoints are hit as well
    number = log.start_alignment(machine={"name": "one"}, source="camera")
    for turns in range(1, count + 1):
        picture = b"\\xff\\xd8\\xff" + turns.to_bytes(4, "big") * 1500 if turns % 3 == 0 else None
        log.add_event(number, {"kind": "turn", "turns": turns}, picture=picture, state={"turns": turns})
        sys.stdout.write(f"{turns}\\n")
        sys.stdout.flush()
except LogError as error:
    print("said:", error, flush=True)
"""


SYNC = ["FULL"]
# what the kernel refuses: writes to the database; syncs; these two and renames; or only renames (of pictures)
DEATHS = ("pwrite64", "fsync,fdatasync", "pwrite64,fsync,fdatasync,rename", "rename")


@dataclass
class Tally:
    """The results of one kind of accident, over all instants."""

    instants: int = 0
    acknowledged: int = 0
    lost: int = 0
    corrupt: int = 0
    silent: int = 0
    remarks: list[str] = field(default_factory=list)

    def judge(self, folder: Path, acknowledged: list[int], where: str) -> None:
        """Open what is left and compare it with what was acknowledged."""
        self.instants += 1
        self.acknowledged += len(acknowledged)
        try:
            with Log(folder) as log:
                kept = [event["turns"] for event in log.document(1)["events"]] if log.newest() else []
                pictures = sum(log.picture(row["id"]) is not None for row in log.events(1)) if kept else 0
            problems = check(folder).problems
        except LogError as error:
            kept, pictures, problems = [], 0, (str(error),)
        lost = [turns for turns in acknowledged if turns not in kept]
        self.lost += len(lost)
        if problems or kept != list(range(1, len(kept) + 1)) or pictures != len(kept) // 3:
            self.corrupt += 1
            self.remarks.append(f"{where}: {problems or kept}")


def command(folder: Path, count: int) -> list[str]:
    return [sys.executable, "-c", WRITER, str(folder), str(count), SYNC[0]]


def numbers(lines: list[str]) -> list[int]:
    return [int(line) for line in lines if line.endswith("\n") and line.strip().isdigit()]


def kills(place: Path, instants: int, rng: np.random.Generator) -> Tally:
    tally = Tally()
    for instant in range(instants):
        folder = place / f"kill-{instant}"
        with subprocess.Popen(command(folder, 10**6), stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            heard = (
                [writer.stdout.readline()] if instant % 4 else []
            )  # a quarter: from the very first moment on
            time.sleep(rng.uniform(0, 0.3 if instant % 4 else 1.0))
            writer.kill()
            heard += writer.stdout.readlines()
        tally.judge(folder, numbers(heard), f"kill {instant}")
    return tally


def power_cuts(place: Path, instants: int, rng: np.random.Generator) -> Tally:
    tally = Tally()
    top = place / "traced"
    calls = trace(command(top, 60), place / "strace.txt", seconds=120)
    for instant in range(instants):
        cut = int(rng.integers(0, len(calls) + 1))
        disk, heard = Disk(top), ""
        disk.kept[str(top.parent)] = -1
        for call in calls[:cut]:
            if call.path == "stdout":
                heard += call.data.decode()
            disk.apply(call)
        left = place / f"cut-{instant}"
        disk.after_power_cut(rng, left)
        tally.judge(left, numbers(heard.splitlines(keepends=True)), f"power cut at call {cut}")
    return tally


@contextmanager
def small_disk(folder: Path, size_kb: int) -> Iterator[None]:
    folder.mkdir(parents=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", folder], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


def full_disks(place: Path, instants: int, rng: np.random.Generator) -> Tally:
    tally = Tally()
    for instant in range(instants):
        folder = place / f"full-{instant}"
        with small_disk(folder, int(rng.integers(40, 900))):
            done = subprocess.run(command(folder, 10**6), capture_output=True, text=True, check=False)
            *heard, last = done.stdout.splitlines(keepends=True) or [""]
            if not last.startswith("said:") or done.stderr:
                tally.silent += 1
                tally.remarks.append(f"full disk {instant}: {last or done.stderr[-300:]}")
            subprocess.run(["mount", "-o", "remount,size=50m", folder], check=True)
            tally.judge(folder, numbers(heard), f"full disk {instant}")
    return tally


def dying_disks(place: Path, instants: int, rng: np.random.Generator) -> Tally:
    tally = Tally()
    for instant in range(instants):
        folder = place / f"dying-{instant}"
        what, error = rng.choice(DEATHS), rng.choice(["EIO", "EROFS"])
        fault = f"inject={what}:error={error}:when={rng.integers(1, 150)}+"
        words = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", fault, *command(folder, 10**6)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        *heard, last = done.stdout.splitlines(keepends=True) or [""]
        if not last.startswith("said:") or done.stderr:
            tally.silent += 1
            tally.remarks.append(f"dying disk {instant}: {last or done.stderr[-300:]}")
        tally.judge(folder, numbers(heard), f"dying disk {instant}")
    return tally


def main() -> None:
    """Run all three kinds, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--instants",
        type=int,
        default=500,
        help="2/5 kills, 2/5 power cuts, 1/5 full disks; then 1/5 more dying disks",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sync", choices=["FULL", "NORMAL", "OFF"], default="FULL")
    asked = parser.parse_args()
    SYNC[0] = asked.sync
    fifth = asked.instants // 5
    kinds = {
        "kill": (kills, 2 * fifth),
        "power cut": (power_cuts, 2 * fifth),
        "full disk": (full_disks, fifth),
        "dying disk": (dying_disks, fifth),
    }
    print(f"{'accident':<12}{'instants':>9}{'acknowledged':>14}{'lost':>6}{'corrupt':>9}{'silent':>8}")
    for name, (run, instants) in kinds.items():
        with tempfile.TemporaryDirectory() as place:
            tally = run(Path(place), instants, np.random.default_rng(asked.seed))
        counts = (
            f"{tally.instants:9d}{tally.acknowledged:14d}{tally.lost:6d}{tally.corrupt:9d}{tally.silent:8d}"
        )
        print(f"{name:<12}{counts}", flush=True)
        for remark in tally.remarks[:5]:
            print(f"    {remark}")


if __name__ == "__main__":
    main()

"""How long a save waits during an import, and how fast our reader and others read a log's JSON.

Run: ``python tests/bench/log_import.py [--events 40000] [--alignments 200] [--pictures 4000]``.
First: another program saves a reading with a picture every 20 ms during an import of each kind; the limit for
a save is 0.5 s. Then the readers of a JSON export are compared: our own (``_json_stream``), ijson where it is
installed, and the standard library, which holds all of it in memory. Printed for each: seconds, and the peak
of Python's memory without the document itself.
"""

from __future__ import annotations

import argparse
import io
import json
import shutil
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from server.log import Log, import_folder, import_json
from server.log._import_form import Parts
from server.practice import default_profile
from server.session.import_check import check_alignment
from server.solver import profile_as_json
from tests.bench.log_size import fill

MARK = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": [0, 1000],
    "offset_mm": [1.5, -0.5],
    "sigma_mm": 0.1,
}
_SAVES = """
import sys, time
from pathlib import Path
from server.log import Log
log = Log(Path(sys.argv[1]))
MARK = {"kind": "no-mark", "station": "mirror-1", "head_mm": [0, 0]}
def picture(moment):
    return b"\\xff\\xd8\\xff" + str(moment).encode() * 2000
number = log.start_alignment(machine={"name": "one"}, source="camera")
print("ready", flush=True)
while True:
    begun = time.monotonic()
    log.add_event(number, MARK, picture=picture(begun))
    print(time.monotonic() - begun, flush=True)
    time.sleep(0.02)
"""


def document(events: int, alignments: int) -> str:
    """An export with so many marks in so many alignments."""
    machine, parts = profile_as_json(default_profile()), []
    for number in range(alignments):
        made = [
            {"uuid": f"{number:08x}-0000-4000-8000-{place:012x}", "when": "2025-01-01T00:00:00.000Z"}
            | {"withdrawn": False, "picture": None, "event": MARK, "reading": None}
            for place in range(1, events // alignments + 1)
        ]
        head = {"uuid": f"{number:08x}-0000-4000-9000-000000000000", "started": "2025-01-01T00:00:00.000Z"}
        head |= {"source": "camera", "note": "", "done": False}
        parts.append(head | {"machine": machine, "state": None, "verdict": None, "events": made})
    return json.dumps({"format": "spotwright-log", "version": 2, "alignments": parts, "entries": []})


def waits(folder: Path, take_in: Callable[[Log], object]) -> tuple[float, list[float]]:
    """Seconds of the import, and of each save meanwhile, shortest first."""
    with Log(folder) as log:
        command = [sys.executable, "-c", _SAVES, str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as saves:
            assert saves.stdout is not None
            saves.stdout.readline()
            begun = time.monotonic()
            take_in(log)
            took = time.monotonic() - begun
            saves.terminate()
            times = [float(line) for line in saves.stdout if line.endswith("\n")]
            return took, sorted(times)


def of_json(text: str) -> Callable[[Log], object]:
    return lambda log: import_json(log, io.StringIO(text), judge=check_alignment)


def of_folder(folder: Path) -> Callable[[Log], object]:
    return lambda log: import_folder(log, folder, judge=check_alignment)


def damaged(folder: Path, place: Path) -> Path:
    """A copy of which SQLite reads nothing any more."""
    shutil.copytree(folder, place)
    with (place / "spotwright.db").open("r+b") as file:
        file.write(b"no SQLite")
    return place


def by_ours(file: io.BytesIO) -> None:
    for _ in Parts(io.TextIOWrapper(file, "utf-8")).alignments():
        pass


def by_ijson(file: io.BytesIO) -> None:
    import ijson

    for _ in ijson.items(file, "alignments.item", use_float=True):
        pass


def by_json(file: io.BytesIO) -> None:
    json.load(file)


def measured(work: Callable[[io.BytesIO], None], text: str) -> tuple[float, float]:
    once, again = io.BytesIO(text.encode()), io.BytesIO(text.encode())
    begun = time.process_time()
    work(once)
    took = time.process_time() - begun
    tracemalloc.start()
    work(again)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return took, peak / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=40_000)
    parser.add_argument("--alignments", type=int, default=200)
    parser.add_argument("--pictures", type=int, default=4000)
    asked = parser.parse_args()
    text = document(asked.events, asked.alignments)
    print(f"{asked.events} events, {len(text) / 1e6:.1f} MB of JSON; {asked.pictures} pictures of 25 kB")
    print(f"{'taken in':34}{'s':>7}{'saves':>7}{'median s':>10}{'longest s':>11}   limit 0.5 s")
    with tempfile.TemporaryDirectory() as place:
        source = Path(place, "source")
        fill(source, readings=asked.pictures, alignments=40, turns=2, pictures=asked.pictures)
        kinds = {
            f"JSON, {asked.alignments} alignments": of_json(text),
            "JSON, one alignment": of_json(document(asked.events, 1)),
            "folder with pictures": of_folder(source),
            "damaged folder with pictures": of_folder(damaged(source, Path(place, "damaged"))),
        }
        for number, (name, take_in) in enumerate(kinds.items()):
            took, each = waits(Path(place, str(number)), take_in)
            figures = f"{took:7.1f}{len(each):7d}{each[len(each) // 2]:10.3f}{each[-1]:11.3f}"
            print(f"{name:34}{figures}", flush=True)
    readers = {
        "ours, checked by models": by_ours,
        "ijson, not checked": by_ijson,
        "json.loads, all at once": by_json,
    }
    for name, work in readers.items():
        if work is by_ijson and find_spec("ijson") is None:
            print(f"{name:26s} not installed")
            continue
        seconds, peak = measured(work, text)
        print(f"{name:26s}{seconds:8.2f} s of processor{peak:8.1f} MB")


if __name__ == "__main__":
    main()

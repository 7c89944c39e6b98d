"""How long a save waits while a log is taken in, and how fast the JSON of one is read and by what.

Run: ``python tests/bench/log_import.py [--events 40000] [--alignments 200]``; ``--alignments 1``: a long one.
First: another program saves a reading every 20 ms during the import; the limit is 0.5 s. Then: our own reader
of a JSON export (``_json_stream``), ijson where it is installed, and the standard library, which holds all of
it in memory: seconds, and the peak of what Python holds, the document in memory not counted.
"""

from __future__ import annotations

import argparse
import io
import json
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from server.log import Log, import_json
from server.log._import_form import Parts
from server.practice import default_profile
from server.session.import_check import check_alignment
from server.solver import profile_as_json

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
number = log.start_alignment(machine={"name": "one"}, source="camera")
print("ready", flush=True)
while True:
    begun = time.monotonic()
    log.add_event(number, {"kind": "no-mark", "station": "mirror-1", "head_mm": [0, 0]})
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


def waits(text: str, folder: Path) -> tuple[float, list[float]]:
    """Seconds of the import, and of each save meanwhile."""
    with Log(folder) as log:
        command = [sys.executable, "-c", _SAVES, str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as saves:
            assert saves.stdout is not None
            saves.stdout.readline()
            begun = time.monotonic()
            import_json(log, io.StringIO(text), judge=check_alignment)
            took = time.monotonic() - begun
            saves.terminate()
            return took, [float(line) for line in saves.stdout if line.strip().replace(".", "").isdigit()]


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
    asked = parser.parse_args()
    text = document(asked.events, asked.alignments)
    with tempfile.TemporaryDirectory() as folder:
        took, each = waits(text, Path(folder))
    each.sort()
    print(
        f"{len(text) / 1e6:.1f} MB, {asked.events} events taken in: {took:.1f} s; {len(each)} saves meanwhile"
    )
    print(f"wait of a save: median {each[len(each) // 2]:.3f} s, longest {each[-1]:.3f} s, limit 0.500 s")
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

"""What the rig's benchmarks share: a served program of its own, viewers, and what /proc says of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import cv2
import numpy as np

from server.practice import PracticeCamera, PracticeMachine

Json = dict[str, Any]
SCENE_SEED = 3


class Program:
    """``spotwright serve`` in a process group of its own; ``core`` pins it (and its children) to one core."""

    def __init__(self, data: Path, *options: str, port: int, core: int | None = None) -> None:
        self.url = f"http://127.0.0.1:{port}"
        pinned = ["taskset", "-c", str(core)] if core is not None else []
        words = [*pinned, sys.executable, "-m", "server.cli.main", "serve", "--port", str(port)]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        self.began_s = time.monotonic()
        with (data.parent / f"{data.name}.log").open("ab") as said:
            self.process = subprocess.Popen(
                [*words, "--data", str(data), *options],
                stdout=said,
                stderr=said,
                start_new_session=True,
                env=environment,
            )

    def wait_ready(self, *, timeout_s: float = 60.0) -> float:
        """Return the seconds from start to the first answer."""
        give_up_s = time.monotonic() + timeout_s
        while time.monotonic() < give_up_s:
            try:
                self.get("/api/state")
                return time.monotonic() - self.began_s
            except OSError:
                time.sleep(0.02)
        raise SystemExit(f"no answer within {timeout_s:g} s")

    def get(self, path: str) -> Json:
        with urllib.request.urlopen(self.url + path, timeout=20) as answer:
            return json.load(answer)  # type: ignore[no-any-return]

    def do(self, action: str, body: Json | None = None) -> Json:
        """Send one action of the bench; raises urllib.error.HTTPError where it is refused."""
        headers = {"Content-Type": "application/json"}
        named = {"step": self.get("/api/state")["step"], "key": uuid4().hex}
        request = urllib.request.Request(
            f"{self.url}/api/do/bench/{action}",
            json.dumps((body or {}) | named).encode(),
            headers,
            method="POST",
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)  # type: ignore[no-any-return]

    def kill(self, number: int = signal.SIGKILL) -> None:
        self.process.send_signal(number)
        self.process.wait()

    def pids(self) -> list[int]:
        """Return the program's process and all below it."""
        return [self.process.pid, *children(self.process.pid)]

    def memory_mb(self) -> tuple[float, float]:
        """Return the resident memory of all its processes: shared pages counted fully, and by their share."""
        sums = {"Rss": 0, "Pss": 0}
        for pid in self.pids():
            for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
                name, _, rest = line.partition(":")
                if name in sums:
                    sums[name] += int(rest.split()[0])
        return sums["Rss"] / 1e3, sums["Pss"] / 1e3

    def cpu_s(self) -> float:
        """Return the processor seconds that all its processes have used."""
        tick = os.sysconf("SC_CLK_TCK")
        used = 0.0
        for pid in self.pids():
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            used += (int(fields[11]) + int(fields[12])) / tick
        return used


def children(pid: int) -> list[int]:
    """Return all descendants of a process."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in map(int, task.read_text().split()):
            found += [child, *children(child)]
    return found


def events(program: Program, tab: str, stop: threading.Event) -> Iterator[tuple[str, Json]]:
    """Yield the (name, data) of a page's event stream until ``stop`` is set."""
    with urllib.request.urlopen(f"{program.url}/api/events?of=bench&tab={tab}", timeout=30) as answer:
        name = ""
        for raw in answer:
            if stop.is_set():
                return
            line = raw.decode().rstrip()
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                yield name, json.loads(line[6:])


def look(program: Program, tab: str, stop: threading.Event) -> list[threading.Thread]:
    """Start a viewer as a page is one: an event stream and pictures, one at a time; returns its threads."""

    def listen() -> None:
        while not stop.is_set():
            try:
                for _ in events(program, tab, stop):
                    pass
            except OSError:
                stop.wait(1.0)

    def pictures() -> None:
        while not stop.wait(0.11):
            try:
                with urllib.request.urlopen(f"{program.url}/api/frame.jpg", timeout=20) as answer:
                    answer.read()
            except (OSError, urllib.error.HTTPError):
                stop.wait(1.0)

    threads = [threading.Thread(target=run, daemon=True) for run in (listen, pictures)]
    for thread in threads:
        thread.start()
    return threads


def film(folder: Path, *, card: bool = True, count: int = 40) -> Path:
    """Write pictures of a card before and after a pulse (or of no card) to a folder, for a replay."""
    folder.mkdir(parents=True, exist_ok=True)
    if not card:
        wall = cv2.GaussianBlur(np.random.default_rng(1).random((720, 1280, 3), np.float32), (0, 0), 25)
        wall = cv2.normalize(wall, None, 60, 200, cv2.NORM_MINMAX).astype(np.uint8)
        for index in range(count):
            cv2.imwrite(str(folder / f"{index:03d}.jpg"), np.roll(wall, 15 * index, axis=1))
        return _timed(folder, count, every_s=0.2)
    machine = PracticeMachine(SCENE_SEED)
    machine.hang("mirror-1")
    camera = PracticeCamera(machine)
    camera.start()
    number = -1
    for index in range(count):
        if index == count // 2:
            machine.pulse()
        frame = camera.newest(newer_than=number)
        number = frame.number
        cv2.imwrite(str(folder / f"{index:03d}.jpg"), frame.pixels, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return _timed(folder, count, every_s=1 / 15)


def _timed(folder: Path, count: int, *, every_s: float) -> Path:
    names = [f"{index:03d}.jpg" for index in range(count)]
    lines = [
        json.dumps({"picture": name, "time_s": i * every_s, "number": i}) for i, name in enumerate(names)
    ]
    (folder / "recording.jsonl").write_text("\n".join(lines) + "\n")
    return folder


def percentile(values: list[float], percent: float) -> float:
    return float(np.percentile(np.array(values), percent))

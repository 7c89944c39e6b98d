"""kill -9 at random instants of a recorded alignment: is anything missing that was shown as saved?

    .venv/bin/python -m tests.bench.rig_kills --times 200

The program plays a recording (a card, a pulse after two seconds) and saves the mark by itself, while a person
types offsets. In every second run the camera's process is killed first and has to come back without help. At
the end of every run the whole program is killed, and started again as its service would do. What was shown as
saved is taken from the event stream and from the answers to the person's actions.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import tempfile
import threading
import time
import urllib.error
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.rig_common import Json, Program, children, events, film

PLACE = {"station": "mirror-1", "head_mm": [0, 1000]}


@dataclass
class Shown:
    """What a page has shown as saved: number → words."""

    rows: dict[int, str] = field(default_factory=dict)
    marks_read: int = 0

    def take(self, state: Json) -> None:
        for row in state["readings"]:
            if row["id"] not in self.rows and row["has_picture"]:
                self.marks_read += 1
            self.rows[row["id"]] = row["words"]

    def missing(self, state: Json) -> list[int]:
        there = {row["id"]: row["words"] for row in state["readings"]}
        return [number for number, words in self.rows.items() if there.get(number) != words]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--port", type=int, default=8961)
    chosen = parser.parse_args()
    rng, shown = random.Random(chosen.seed), Shown()
    missing: list[int] = []
    not_back, backs_s = 0, []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        pictures = film(folder / "film", count=75)
        for index in range(chosen.times):
            program = Program(folder / "data", "--camera", f"replay:{pictures}", port=chosen.port)
            program.wait_ready()
            missing += shown.missing(program.get("/api/state"))
            live(program, shown, rng)
            if index % 2:
                back_s = lose_camera(program)
                not_back += back_s is None
                backs_s += [] if back_s is None else [back_s]
                missing += shown.missing(program.get("/api/state"))
            os.killpg(program.process.pid, signal.SIGKILL)
            program.process.wait()
            if (index + 1) % 20 == 0:
                print(f"{index + 1} kills, {len(shown.rows)} shown, {len(missing)} missing", flush=True)
        program = Program(folder / "data", "--camera", f"replay:{pictures}", port=chosen.port)
        program.wait_ready()
        missing += shown.missing(program.get("/api/state"))
        program.kill()
    print(f"kills {chosen.times}; shown as saved {len(shown.rows)}, {shown.marks_read} of them by the loop")
    print(f"missing afterwards {len(missing)}; camera not back {not_back}; back after (s): ", end="")
    print(f"median {sorted(backs_s)[len(backs_s) // 2]:.2f}, worst {max(backs_s):.2f}")


def live(program: Program, shown: Shown, rng: random.Random) -> None:
    """Act like a person for a random time, and note everything that the page shows."""
    stop = threading.Event()

    def watch() -> None:
        try:
            for name, state in events(program, "viewer", stop):
                if name == "state":
                    shown.take(state)
        except OSError:
            pass

    threading.Thread(target=watch, daemon=True).start()
    until_s = time.monotonic() + rng.uniform(0.0, 7.0)
    for action, body in (("acknowledge", {}), ("hang", PLACE), ("watch", {"on": True})):
        attempt(program, shown, action, body)
    while time.monotonic() < until_s:
        time.sleep(min(rng.uniform(0.05, 0.6), max(until_s - time.monotonic(), 0)))
        if rng.random() < 0.3:
            offset = [round(rng.uniform(-5, 5), 2), round(rng.uniform(-5, 5), 2)]
            attempt(program, shown, "typed", {**PLACE, "offset_mm": offset})
    stop.set()


def attempt(program: Program, shown: Shown, action: str, body: Json) -> None:
    for _ in range(20):
        try:
            shown.take(program.do(action, body))
            return
        except urllib.error.HTTPError as refusal:
            if action != "hang":
                return
            refusal.close()
            time.sleep(0.1)


def lose_camera(program: Program) -> float | None:
    """Kill the camera's process; return the seconds until there is a live picture again."""
    pids = [pid for pid in children(program.process.pid) if b"firmware.camera.child" in words(pid)]
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    began_s, said = time.monotonic(), False
    while time.monotonic() - began_s < 30:
        faults = [fault["code"] for fault in program.get("/api/state")["rig"]["faults"]]
        said = said or "camera" in faults
        others = [pid for pid in children(program.process.pid) if b"firmware.camera.child" in words(pid)]
        if others and not set(others) & set(pids) and "camera" not in faults:
            try:
                program.do("hang", PLACE)  # needs a new frame
                return time.monotonic() - began_s
            except urllib.error.HTTPError:
                pass
        time.sleep(0.02)
    return None


def words(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


if __name__ == "__main__":
    main()

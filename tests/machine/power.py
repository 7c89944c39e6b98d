"""Power cuts in the middle of an alignment, for the test and the long bench.

What was on its way to the disk is lost as on a disk with a cache of its own: the disk is a qcow2 file, and
where a part of it lies is only written down when the guest asks for its data to be kept. What is left is
looked at twice: by e2fsck and our own code on this machine, and by the guest that boots from it.
"""

from __future__ import annotations

import http.client
import subprocess
import threading
import time
import urllib.error
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from server.log import Log, check
from server.pages.lists import saved_words
from server.solver import parse_profile
from tests.machine.guest import Guest

__all__ = ["Left", "Shown", "begin", "cut_in_use", "left_on", "page_rows"]

PLACE = {"station": "mirror-1", "head_mm": [0, 1000]}
_PATIENCE_S = 1200.0


@dataclass
class Shown:
    """What a page has shown as saved: number → words."""

    rows: dict[int, str] = field(default_factory=dict)

    def take(self, state: dict[str, Any]) -> None:
        """Note what that state shows."""
        self.rows |= {row["id"]: row["words"] for row in state["readings"]}

    def missing(self, there: dict[int, str]) -> list[int]:
        """Return the numbers that are not there any more, or say something else."""
        return [number for number, words in self.rows.items() if there.get(number) != words]


@dataclass(frozen=True)
class Left:
    """What was left on a disk: its readings, what is wrong with its log, and what e2fsck had to say."""

    rows: dict[int, str]
    problems: tuple[str, ...]
    journal: str


class _Typist(threading.Thread):
    """Types offsets until there is no answer any more; ``answered`` is released after each.

    The first is typed when it is made: ``took_s`` is how long the newest answered press took.
    """

    def __init__(self, guest: Guest, shown: Shown, rng: Random) -> None:
        super().__init__(daemon=True)
        self._guest, self._shown, self._rng = guest, shown, rng
        self._step = guest.get("/api/state")["step"]
        self.answered, self.refusal = threading.Semaphore(0), ""
        self.took_s = self._type()

    def run(self) -> None:
        """Type."""
        try:
            while True:
                self.took_s = self._type()
                self.answered.release()
        except urllib.error.HTTPError as refused:
            self.refusal = f"{refused.code} {refused.read().decode('utf-8', 'replace')}"
        except (OSError, http.client.HTTPException, ValueError):
            pass  # the plug was pulled in the middle of an answer

    def _type(self) -> float:
        began_s = time.monotonic()
        offset = [round(self._rng.uniform(-5, 5), 2), round(self._rng.uniform(-5, 5), 2)]
        state = self._guest.do("typed", {**PLACE, "offset_mm": offset}, step=self._step)
        self._shown.take(state)
        self._step = state["step"]
        return time.monotonic() - began_s


def begin(guest: Guest) -> None:
    """Begin an alignment: cautions read, a card hung. Then pull the camera: its pictures are much work."""
    guest.plug_camera(there=True)
    guest.do("acknowledge")
    guest.until(lambda: _hung(guest))
    guest.plug_camera(there=False)


def _hung(guest: Guest) -> bool:
    try:
        guest.do("hang", PLACE)
    except urllib.error.HTTPError as refused:  # the camera has no picture yet
        if refused.code != 409:
            raise
        return False
    return True


def cut_in_use(guest: Guest, shown: Shown, rng: Random) -> None:
    """Type offsets, and pull the plug at a random instant of the second press or of the third."""
    typist = _Typist(guest, shown, rng)
    presses, part = rng.randint(0, 1), rng.random()
    typist.start()
    for _ in range(presses):
        while not typist.answered.acquire(timeout=5.0):
            guest.check_runs()
            assert typist.is_alive(), f"refused: {typist.refusal}"
    time.sleep(part * typist.took_s)
    guest.cut()
    typist.join(_PATIENCE_S)
    assert not typist.is_alive() and not typist.refusal, typist.refusal


def page_rows(guest: Guest) -> dict[int, str]:
    """Return what the page lists: number → words."""
    return {row["id"]: row["words"] for row in guest.get("/api/state")["readings"]}


def left_on(disk: Path, folder: Path) -> Left:
    """Return what is left on the disk of a guest that ended; its journal is replayed first as by a mount."""
    with _plain(disk, folder / "plain") as image:
        mended = subprocess.run(["e2fsck", "-p", str(image)], stdout=subprocess.PIPE, text=True)
        if mended.returncode > 1:  # e2fsck(8): 1 is mended, 4 is not
            return Left({}, (f"e2fsck: {mended.returncode} {mended.stdout}",), mended.stdout)
        data = folder / "left"
        subprocess.run(["rm", "-rf", str(data)], check=True)
        data.mkdir()
        words = ["debugfs", "-R", f"rdump /var/lib/spotwright {data}", str(image)]
        subprocess.run(words, check=True, capture_output=True)
    data /= "spotwright"
    problems = check(data).problems
    rows: dict[int, str] = {}
    with Log(data, access="existing") as log:
        for alignment in log.alignments():
            bed = parse_profile(log.machine(alignment["id"])).bed
            rows |= {row["id"]: saved_words(row, bed) for row in log.events(alignment["id"])}
    return Left(rows, problems, mended.stdout.strip())


@contextmanager
def _plain(disk: Path, point: Path) -> Iterator[Path]:
    """Show that disk as a plain file, through FUSE; what is written there goes onto the disk."""
    point.touch()
    server = ["qemu-storage-daemon", "--blockdev", f"driver=file,node-name=file,filename={disk}"]
    server += ["--blockdev", "driver=qcow2,node-name=disk,file=file", "--export"]
    server += [f"type=fuse,id=plain,node-name=disk,mountpoint={point},writable=on"]
    process = subprocess.Popen(server)
    give_up_s = time.monotonic() + _PATIENCE_S
    try:
        while point.stat().st_size == 0:
            assert process.poll() is None and time.monotonic() < give_up_s, "the disk cannot be shown"
            time.sleep(0.05)
        yield point
    finally:
        process.terminate()
        process.wait()

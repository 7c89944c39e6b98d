"""A rig's uplink during and after each kind of fault: does it deliver everything, once, in order?

    .venv/bin/python -m tests.bench.rig_uplink

Aim: all of them. The rig's delivery runs in its own thread, as in the program, over real sockets; the page is
the real one. Two readings are made before the fault, three during it, one after. `thread` says whether the
thread survived, `s` how long after the end of the fault the last reading arrived.
"""

from __future__ import annotations

import argparse
import errno
import logging
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from unittest import mock

from server.pages import Config, create_app
from server.rig import spool as spools
from server.rig.spool import Spool
from server.rig.uplink import Uplink
from server.rig.wire import post_json
from server.session.events import event_json
from server.sources.camera_source import RigsSource
from tests.session.faulty_page import FAULTS, FaultyLine, reading

CODE = "abcd-efgh"


class Rig:
    """A page, the line to it and a rig with its delivery thread."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "rig"
        app = create_app(Config(folder / "page", source=RigsSource, code=CODE))
        self.session = app.extensions["spotwright"].sessions["bench"]
        self.session.acknowledge()
        self.line = FaultyLine(app.test_client)
        self.start()

    def start(self) -> None:
        wire = post_json(self.line.address, CODE, device="far", timeout_s=1.0, whole_s=2.0)
        self.post = Uplink("far", Spool(self.folder), wire)
        self.post.start()

    def read(self, *offsets: float) -> None:
        for offset in offsets:
            self.post._held.append(reading(offset))
            with suppress(OSError):
                self.post._store()
            self.post._news.set()

    def marks(self) -> list[float]:
        return [event_json(entry.event)["offset_mm"][0] for entry in self.session.snapshot().events]

    def wait(self, count: int, seconds: float) -> float:
        began_s = time.monotonic()
        while len(self.marks()) < count and time.monotonic() - began_s < seconds:
            time.sleep(0.02)
        return time.monotonic() - began_s


@contextmanager
def line(rig: Rig, fault: str) -> Iterator[None]:
    rig.line.fault = fault
    yield
    rig.line.fault = None


@contextmanager
def fails(where: Callable[[], AbstractContextManager[object]]) -> Iterator[None]:
    with where():
        yield


def no_space(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


@contextmanager
def flipped(rig: Rig, names: list[str]) -> Iterator[None]:
    """One bit of each of these files flips while the page is away."""
    rig.line.fault = "refused"
    yield
    rig.post.stop()
    for name in names:
        for path in rig.folder.glob(name):
            content = bytearray(path.read_bytes())
            content[len(content) // 2] ^= 1
            path.write_bytes(bytes(content))
    rig.line.fault = None
    rig.start()


OTHERS: dict[str, Callable[[Rig], AbstractContextManager[None]]] = {
    "disk full": lambda rig: fails(lambda: mock.patch.object(spools, "write_for_good", no_space)),
    "disk read-only": lambda rig: fails(lambda: mock.patch.object(Path, "replace", no_space)),
    "a bit of each reading flips": lambda rig: flipped(rig, ["*.json"]),
    "a bit of each copy flips": lambda rig: flipped(rig, ["*.copy"]),
    "a bit of the series' name flips": lambda rig: flipped(rig, ["name"]),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=3.0, help="how long each fault lasts")
    chosen = parser.parse_args()
    logging.disable(logging.CRITICAL)
    kinds = [*FAULTS, *OTHERS]
    good = 0
    print(f"{'fault':32} {'delivered':22} {'thread':8} {'s':>6}   said meanwhile")
    for fault in kinds:
        with tempfile.TemporaryDirectory() as place:
            good += run(Path(place), fault, chosen.seconds)
    print(f"all, once, in order: {good} of {len(kinds)}")


def run(folder: Path, fault: str, seconds: float) -> bool:
    rig = Rig(folder)
    rig.read(1.0, 2.0)
    rig.wait(2, 10)
    with OTHERS[fault](rig) if fault in OTHERS else line(rig, fault):
        rig.read(3.0, 4.0, 5.0)
        time.sleep(seconds)
        said = rig.post.said
    healed_s = time.monotonic()
    rig.read(6.0)
    rig.wait(6, 90)
    took_s = time.monotonic() - healed_s
    marks, alive = rig.marks(), rig.post.alive()
    rig.post.stop()
    rig.line.close()
    whole = marks == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0] and alive
    shown = "all, once, in order" if whole else str(marks)
    print(f"{fault:32} {shown:22} {'lives' if alive else 'DEAD':8} {took_s:6.1f}   {said[:60]}", flush=True)
    return whole


if __name__ == "__main__":
    main()

"""Power cuts of a whole machine: is anything missing that its page had shown as saved?

    bash .ci/machine --co                                       makes the machine's root and disk
    .venv/bin/python -m tests.bench.machine_power --times 100   needs QEMU with FUSE, e2fsprogs, and root

The machine is booted once and frozen with an alignment begun. Each cut continues from there: somebody types
offsets, and at a random instant the emulator is killed, which loses everything that the guest had not yet
asked its disk to keep. The disk's journal is replayed by e2fsck, and the log on it compared with everything
that was answered as saved. Every tenth time (``--boot-every``) the machine is also booted from that disk,
every other time with a clock that was never set, and its page is asked.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from pathlib import Path

from tests.machine.guest import Guest, disk_on, newest_root
from tests.machine.power import Shown, begin, cut_in_use, left_on, page_rows


def main() -> None:
    """Boot, freeze, cut; print the counts as they come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--boot-every", type=int, default=10, help="0: never")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    root = newest_root()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        guest = Guest(root, disk_on(root.with_suffix(".raw"), folder / "disk.qcow2"), folder)
        try:
            guest.boot()
            print(f"switched on to the page: {guest.wait_page():.0f} s", flush=True)
            guest.learn_code()
            begin(guest)
            cut_often(
                guest, guest.freeze(), folder, random.Random(chosen.seed), chosen.times, chosen.boot_every
            )
        finally:
            guest.cut()


def cut_often(
    guest: Guest, memory: Path, folder: Path, rng: random.Random, times: int, boot_every: int
) -> None:
    """Go on from that memory and that guest's disk so many times, cut, look; print the counts."""
    disk, layer = guest.disk, folder / "layer.qcow2"
    saved, more, missing, damaged, boots, mended = 0, 0, 0, 0, 0, 0
    for index in range(times):
        began_s, shown = time.monotonic(), Shown()
        guest.resume(memory, disk_on(disk, layer))
        cut_in_use(guest, shown, rng)
        left = left_on(layer, folder)
        lost, problems = len(shown.missing(left.rows)), bool(left.problems)
        saved, more = saved + len(shown.rows), more + len(left.rows) - len(shown.rows) + lost
        mended += "recovering journal" in left.journal
        for problem in left.problems:
            print(f"  {problem}", flush=True)
        if boot_every and (index + 1) % boot_every == 0:
            guest.boot("2001-01-01" if boots % 2 else "utc")
            guest.wait_page()
            lost = max(lost, len(shown.missing(page_rows(guest))))
            problems |= "all whole" not in guest.run("spotwright log check", good=False)
            guest.cut()
            boots += 1
        missing, damaged = missing + lost, damaged + problems
        said = f"{index + 1} cuts, {saved} shown as saved, {missing} missing, {damaged} logs not whole"
        said += f"; {more} saved and not yet shown, {mended} journals replayed, {boots} booted again"
        print(f"{said}; {time.monotonic() - began_s:.0f} s", flush=True)


if __name__ == "__main__":
    main()

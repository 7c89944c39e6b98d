"""Power cuts of a whole machine: is anything missing that its page had shown as saved?

    bash .ci/machine --co                                       makes the machine's root and disk
    .venv/bin/python -m tests.bench.machine_power --times 100   needs QEMU; a minute each on a quiet core

Somebody types offsets; at a random instant the emulator is killed, and with it what the guest had not yet
written to its disk. It is booted again from that disk, every other time with a clock that was never set. What
QEMU has taken from the guest is on the disk; disks that lose their own cache too: tests/bench/disk_model.py.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from pathlib import Path

from tests.machine.guest import Guest, copy_disk, newest_root
from tests.machine.power import Shown, cut_once


def main() -> None:
    """Cut, boot, look; print the counts as they come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng, shown, root = random.Random(chosen.seed), Shown(), newest_root()
    missing, damaged, boots_s = 0, 0, []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        guest = Guest(root, copy_disk(root.with_suffix(".raw"), folder / "disk.raw"), folder)
        try:
            guest.boot()
            print(f"switched on to the page: {guest.wait_page():.0f} s", flush=True)
            guest.learn_code()
            for index in range(chosen.times):
                began_s = time.monotonic()
                cut_once(guest, shown, rng, clock="2001-01-01" if index % 2 else "utc")
                boots_s.append(time.monotonic() - guest.began_s)
                missing += len(shown.missing(guest.get("/api/state")))
                damaged += "all whole" not in guest.run("spotwright log check", good=False)
                said = f"{index + 1} cuts, {len(shown.rows)} shown as saved, {missing} missing"
                took_s = time.monotonic() - began_s
                print(f"{said}, {damaged} logs not whole, {took_s:.0f} s", flush=True)
        finally:
            guest.cut()
    print(f"boot to page: median {sorted(boots_s)[len(boots_s) // 2]:.0f} s, worst {max(boots_s):.0f} s")


if __name__ == "__main__":
    main()

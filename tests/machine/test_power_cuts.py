"""The power is cut while somebody aligns: what the page had shown as saved is there, and the log is whole."""

from __future__ import annotations

import random
from pathlib import Path

from tests.machine.guest import Guest, disk_on
from tests.machine.power import Shown, begin, cut_in_use, left_on

CUTS = 5


def test_nothing_that_was_shown_as_saved_is_lost(guest: Guest, tmp_path: Path) -> None:
    """The last test of the machine: it does not run any more afterwards."""
    rng, saved = random.Random(7), 0
    begin(guest)
    before, memory = guest.disk, guest.freeze()
    for index in range(CUTS):
        shown, layer = Shown(), tmp_path / f"layer-{index}.qcow2"
        guest.resume(memory, disk_on(before, layer))
        cut_in_use(guest, shown, rng)
        left = left_on(layer, tmp_path)
        assert left.problems == ()
        assert shown.missing(left.rows) == []
        assert shown.rows
        saved += len(shown.rows)
    print(f"\n{CUTS} power cuts, {saved} readings shown as saved, none missing")
    # The same where the kernel takes the disk for one without a cache, and never asks it to keep what it has:
    # these cuts do lose what was not asked to be kept.
    shown, layer = Shown(), tmp_path / "unasked.qcow2"
    guest.resume(memory, disk_on(before, layer))
    guest.run("echo write through >/sys/block/vda/queue/write_cache")
    cut_in_use(guest, shown, rng)
    assert shown.missing(left_on(layer, tmp_path).rows) != []

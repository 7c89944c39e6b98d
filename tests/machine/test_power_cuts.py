"""The power is cut while somebody aligns: what the page had shown as saved is there, and the log is whole."""

from __future__ import annotations

import random

from tests.machine.guest import Guest
from tests.machine.power import Shown, cut_once

CUTS = 5


def test_nothing_that_was_shown_as_saved_is_lost(guest: Guest) -> None:
    rng, shown = random.Random(7), Shown()
    for index in range(CUTS):
        cut_once(
            guest, shown, rng, clock="2001-01-01" if index % 2 else "utc"
        )  # a Pi has no clock of its own
        assert shown.missing(guest.get("/api/state")) == []
        assert "all whole" in guest.run("spotwright log check")
    print(f"\n{CUTS} power cuts, {len(shown.rows)} readings shown as saved, none missing")
    assert len(shown.rows) >= CUTS

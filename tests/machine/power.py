"""One power cut in the middle of an alignment, for the test and the long bench."""

from __future__ import annotations

import time
import urllib.error
from dataclasses import dataclass, field
from random import Random
from typing import Any

from tests.machine.guest import Guest

__all__ = ["Shown", "cut_once"]

PLACE = {"station": "mirror-1", "head_mm": [0, 1000]}


@dataclass
class Shown:
    """What a page has shown as saved: number → words."""

    rows: dict[int, str] = field(default_factory=dict)

    def take(self, state: dict[str, Any]) -> None:
        """Note what that state shows."""
        self.rows |= {row["id"]: row["words"] for row in state["readings"]}

    def missing(self, state: dict[str, Any]) -> list[int]:
        """Return the numbers that are not there any more, or say something else."""
        there = {row["id"]: row["words"] for row in state["readings"]}
        return [number for number, words in self.rows.items() if there.get(number) != words]


def cut_once(guest: Guest, shown: Shown, rng: Random, *, clock: str = "utc") -> None:
    """Type offsets until a random instant, pull the plug at that instant, boot again, wait for the page."""
    for action, body in (("acknowledge", {}), ("hang", PLACE)):
        _press(guest, shown, action, body)
    until_s = time.monotonic() + rng.uniform(0.5, 6.0)
    first = True
    while first or time.monotonic() < until_s:
        first = False
        offset = [round(rng.uniform(-5, 5), 2), round(rng.uniform(-5, 5), 2)]
        _press(guest, shown, "typed", {**PLACE, "offset_mm": offset})
        time.sleep(rng.uniform(0.0, 0.3))
    guest.cut()
    guest.boot(clock)
    guest.wait_page()


def _press(guest: Guest, shown: Shown, action: str, body: dict[str, Any]) -> None:
    try:
        shown.take(guest.do(action, body))
    except urllib.error.HTTPError as refusal:
        refusal.close()

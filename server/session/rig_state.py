"""What a page shows of the hardware: faults, the lid, the live mark, and remote rigs."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace

from firmware.health import Finding
from server.session.snapshot import Hardware, LiveMark, RigSight
from server.solver.machine.profile import Point

__all__ = ["RigView"]

MOST_RIGS = 8
SILENT_S = 20.0  # a remote rig that sends nothing for so long is shown as silent


class RigView:
    """Written by the threads that watch the hardware, read by the pages; notifies ``changed``.

    announce : called when something changed that the whole page shows. The live mark changes with every frame
    and has a version of its own, so that it can be sent alone.
    """

    def __init__(
        self,
        changed: threading.Condition,
        announce: Callable[[], None],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._changed, self._announce, self._clock = changed, announce, clock
        self._faults: tuple[Finding, ...] = ()
        self._lid: bool | None = None
        self._rigs: dict[str, RigSight] = {}
        self._heard_s: dict[str, float] = {}
        self._of: dict[str, tuple[bool, str]] = {}  # for each rig: whether it delivers, and its address
        self.pictures: dict[str, bytes] = {}
        self.live: LiveMark | None = None
        self.live_version = 0
        self.from_mm: Point | None = None

    def now(self) -> Hardware:
        """Return what is known."""
        now_s = self._clock()
        rigs = [
            replace(rig, silent=now_s - self._heard_s[name] > SILENT_S) for name, rig in self._rigs.items()
        ]
        return Hardware(self._faults, self.lid_closed, self.live, self.from_mm, tuple(rigs))

    @property
    def lid_closed(self) -> bool | None:
        """The lid contact here, or else those of remote rigs; shown and logged, never acted on."""
        if self._lid is not None:
            return self._lid
        contacts = [rig.lid_closed for rig in self._rigs.values() if rig.lid_closed is not None]
        return all(contacts) if contacts else None

    def set_faults(self, faults: Iterable[Finding]) -> None:
        """Show these faults, urgent ones first."""
        new = tuple(sorted(faults, key=lambda finding: not finding.urgent))
        if new != self._faults:
            self._faults = new
            self._announce()

    def set_lid(self, closed: bool | None) -> None:
        """Show the lid as closed, open or (None) unknown."""
        if closed != self._lid:
            self._lid = closed
            self._announce()

    def set_live(self, live: LiveMark | None) -> None:
        """Show the mark in the newest frame."""
        if live is None and self.live is None:
            return
        with self._changed:
            self.live, self.live_version = live, self.live_version + 1
            self._changed.notify_all()

    def set_beam(self, live: LiveMark | None) -> None:
        """Show where the beam strikes now, on film that fades; the first of a step is where it came from."""
        self.set_live(live)
        if live is not None and self.from_mm is None:
            self.from_mm = live.offset_mm
            self._announce()

    def forget_live(self) -> None:
        """Something was done: what was seen before it belongs to the last step."""
        self.from_mm = None
        self.set_live(None)

    def set_rig(
        self, sight: RigSight, picture: bytes | None, *, address: str = "", delivers: bool = False
    ) -> None:
        """Show what a remote rig reports; counts its pictures.

        address : the rig's. delivers : the log has readings from it. If there are too many rigs to show, one
        without readings is dropped, from the address with the most names.
        """
        name = sight.name
        self._heard_s[name], self._of[name] = self._clock(), (delivers, address)
        before = self._rigs.get(name)
        if before is None and len(self._rigs) >= MOST_RIGS and not self._make_room(name):
            return
        if picture is not None:
            self.pictures[name] = picture
        seen = (before.seen if before else 0) + (picture is not None)
        self._rigs[name] = replace(sight, has_picture=name in self.pictures, seen=seen)
        if before != self._rigs[name]:
            self._announce()

    def _make_room(self, new: str) -> bool:
        """Drop one rig in favour of ``new``, or ``new`` itself; returns whether there is room."""
        share = Counter(address for _, address in (self._of[name] for name in [*self._rigs, new]))

        def worth(name: str) -> tuple[bool, bool, int, float]:
            delivers, address = self._of[name]
            silent = self._clock() - self._heard_s[name] > SILENT_S
            return not silent, delivers, -share[address], self._heard_s[name]

        least = min([*self._rigs, new], key=worth)
        for known in (self._rigs, self._heard_s, self._of, self.pictures):
            known.pop(least, None)
        return least != new

"""An alignment of the practice laser, done without pictures, for tests of what comes after it."""

from __future__ import annotations

from pathlib import Path

from firmware import FrameLike
from server.log import Log
from server.practice import PracticeMachine
from server.session.services import Services
from server.session.session import Session
from server.session.snapshot import marked_place
from server.sources.base import NoPicture, Shot
from server.sources.practice_source import PracticeSource
from tests.pages.doubles import blank, mark, reading
from vision import NoReading, Reading


class Blind(PracticeSource):
    """The practice source with grey pictures: to render and read real ones takes ten times as long."""

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        raise NoPicture("nobody looks")

    def shot(self) -> Shot:
        self.laser.pulse()
        return Shot(blank(), blank())

    def newest_mark(self) -> Reading | NoReading:
        """Return what would be read: where the beam struck."""
        burns = self.laser.cards[self.laser.station].burns
        return (
            reading(self.laser.station, mark(*burns[-1].offset_mm)) if burns else NoReading("none", "no-mark")
        )


def play_blind(folder: Path, seed: int, *, until: str) -> None:
    """Do what the solver asks until it asks for ``until``; ``folder`` gets the same log as from a server."""
    source = Blind(PracticeMachine(seed))
    services = Services(read=lambda *_: source.newest_mark())
    with Log(folder) as log:
        session = Session(log, source, machine={}, services=services)
        session.acknowledge()
        while (step := session.snapshot().step).do != until:
            if (place := marked_place(step)) is not None:
                session.hang(place)
                session.pulse()
            elif step.mount is not None:
                session.turn(step.mount, step.screw or "", step.turns or 0.0)
            else:
                assert step.part is not None and step.move_mm is not None, step.say
                session.shift(step.part, list(step.move_mm))

"""What all pages share: the log, the bench's session, the offline session, the lasers, the streams."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flask import abort, current_app

from server.log import Log, Settings
from server.pages.control import Control
from server.pages.lasers import Lasers
from server.pages.picture import LivePicture
from server.pages.presses import Presses
from server.pages.stream import Streams
from server.pages.units import in_inches
from server.pages.view import page_state
from server.session.card_scale import Bars, CardScale
from server.session.services import load_shot, measured
from server.session.session import Services, Session
from server.sources.base import OfflineSource, Source
from server.sources.practice_source import PracticeSource

__all__ = ["Config", "Shared", "last_done", "open_shared", "shared"]


@dataclass(frozen=True)
class Config:
    """How the pages are served.

    data : folder of readings, profiles and secrets. source : makes the bench's source of pictures. code :
    access code; None serves loopback only. hosts : further host names to answer to. bars_mm : what the check
    bars of the printed cards measure, if the command says it; the practice laser's are true to scale.
    """

    data: Path
    source: Callable[[], Source] = PracticeSource
    code: str | None = None
    hosts: tuple[str, ...] = ()
    streams: int = 24
    services: Services | None = None
    bars_mm: Bars | None = None
    settings: Settings = field(default_factory=Settings)


class NewestState:
    """The newest state of each session, made once for all pages that show it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, str], tuple[tuple[Any, ...], dict[str, Any]]] = {}

    def get(
        self, name: tuple[str, str], version: tuple[Any, ...], make: Callable[[], dict[str, Any]]
    ) -> dict[str, Any]:
        """Return what ``make`` made for this version; others that ask meanwhile wait for it."""
        with self._lock:
            known, state = self._kept.get(name, (None, {}))
            if known != version:
                state = make()
                self._kept[name] = version, state
            return state


@dataclass(frozen=True)
class Shared:
    """One per app."""

    log: Log
    lasers: Lasers
    streams: Streams
    sessions: dict[str, Session]
    services: Services
    scale: CardScale
    control: Control
    live: LivePicture
    presses: dict[str, Presses]
    newest: NewestState = field(default_factory=NewestState)
    settings: Settings = field(default_factory=Settings)

    def damage(self) -> tuple[str, ...]:
        """Return what was found damaged at the start and since, a line each."""
        if self.log.rescued is None:
            return self.settings.faults
        line = f"The log was damaged. What could be read is in use; the old one is {self.log.rescued.aside}."
        return (line, *self.log.rescued.lost[:5], *self.settings.faults)

    def session(self, of: str) -> Session:
        """Return the session ``bench`` or ``offline``; 404 for any other name."""
        if of not in self.sessions:
            abort(404, f"There is no session named {of[:40]}.")
        return self.sessions[of]

    def watched(self) -> bool:
        """Return whether any page is open."""
        return len(self.streams) > 0

    def rescale(self, bars_mm: Bars | None) -> None:
        """Take what the check bars of the printed cards measure; raises BarRefused if that cannot be."""
        self.scale.set(bars_mm)
        for session in self.sessions.values():
            session.announce()

    def check_picture(self, data: bytes) -> None:
        """Raise Refused (400) if these bytes are no picture."""
        load_shot(self.services, data, None)

    def state(self, of: str, *, units: str = "mm") -> dict[str, Any]:
        """Return what the page of that session draws; lengths in sentences are in ``units`` (mm or inch)."""
        here = {"holder": self.control.holder(of), "units": units, "bars_mm": self.scale.bars_mm}
        state = page_state(self.session(of).snapshot(), datetime.now(UTC)) | here
        return dict(in_inches(state)) if units == "inch" else state

    def shown(self, of: str, *, units: str) -> dict[str, Any]:
        """Return the same, shared by all pages that show the session: do not change it."""
        session = self.session(of)
        hour = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)  # the age of a reading is shown
        version = (session.run, session.version, self.control.holder(of), hour)
        return self.newest.get((of, units), version, lambda: self.state(of, units=units))


def open_shared(config: Config) -> Shared:
    """Open the log and both sessions."""
    beside = config.data / "lasers"  # a backup takes this folder along with the log
    settings = config.settings
    log, lasers = Log(config.data), Lasers(beside, settings)
    scale = CardScale(config.bars_mm, kept=beside / "check-bars", settings=settings)
    services = config.services or measured(scale)
    source, machine = config.source(), lasers.current()
    at_bench = (config.services or Services()) if source.kind == "practice" else services
    sessions = {
        "bench": Session(log, source, machine=machine, services=at_bench),
        "offline": Session(log, OfflineSource(), machine=machine, services=services),
    }
    streams = Streams(limit=config.streams)
    live = LivePicture(source, lambda: sessions["bench"].version)
    presses = {of: Presses() for of in sessions}
    return Shared(
        log, lasers, streams, sessions, services, scale, Control(streams), live, presses, settings=settings
    )


def last_done(machine: str, kind: str) -> dict[str, Any] | None:
    """Return when that laser was last aligned and the verdict, ``{"when", "verdict"}``; None if never.

    kind : of the source; the practice laser's result says nothing about a real one.
    """
    real = kind != "practice"
    for row in reversed(shared().log.alignments()):
        if (
            row["machine"] == machine
            and (row["source"] != "practice") == real
            and row["done"]
            and row["verdict"]
        ):
            return {"when": row["started"], "verdict": row["verdict"]}
    return None


def shared() -> Shared:
    """Return what the pages of the current app share."""
    found: Shared = current_app.extensions["spotwright"]
    return found

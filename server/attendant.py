"""Minds the hardware around a session: says its faults, drives lamps and sounder, hears the foot button.

Nothing here is needed for an alignment: without pins, health checks or camera it says less and does the same.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from firmware import RigError
from firmware.health import Finding, HealthWatch
from firmware.panel import Panel, Pins, Signal, open_panel
from server.brain import Refused
from server.eye import Eye
from server.live import Session
from server.log import LogError
from server.recorder import Recorder
from server.sources import Place

__all__ = ["Attendant", "PanelKeeper", "press_foot", "ring_level", "signal_for"]

Json = dict[str, Any]
PERIOD_S = 0.25
TRY_PINS_EVERY = 40  # periods
TONE_PERIODS = 5
_log = logging.getLogger(__name__)


@dataclass
class PanelKeeper:
    """The panel, tried again now and then while its pins are not there (another program may hold them)."""

    pins: Pins
    silent: bool = False
    opener: Callable[..., tuple[Panel, str | None]] = open_panel

    def __post_init__(self) -> None:
        self._waited = 0
        self.panel, self.missing = self.opener(self.pins, silent=self.silent)

    def came_back(self) -> bool:
        """Try again if it is time to; returns whether the pins are there now and were not before."""
        if self.missing is None:
            return False
        self._waited = (self._waited + 1) % TRY_PINS_EVERY
        if self._waited:
            return False
        self.panel, self.missing = self.opener(self.pins, silent=self.silent)
        return self.missing is None


class Attendant:
    """Calls ``tick`` every quarter second in a thread of its own, between ``start`` and ``stop``."""

    def __init__(
        self,
        session: Session,
        *,
        keeper: PanelKeeper | None = None,
        health: HealthWatch | None = None,
        eye: Eye | None = None,
        recorder: Recorder | None = None,
        dark_film: bool = False,
    ) -> None:
        self._session, self._health, self._eye, self._recorder = session, health, eye, recorder
        self._dark_film = dark_film
        self._keeper = keeper or PanelKeeper(Pins())
        self._signal: Signal | None = None
        self._tone, self._heard = 0, _newest_mark(session.snapshot())
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="attendant", daemon=True)
        self._listen()

    def start(self) -> None:
        """Begin to mind."""
        self._thread.start()

    def stop(self) -> None:
        """Mind no more; every lamp is off when this returns."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join()
        self._keeper.panel.close()

    def tick(self) -> None:
        """Look at everything once."""
        if self._keeper.came_back():
            self._signal = None
            self._listen()
        faults = self.faults()
        self._session.rig.set_faults(faults)
        self._session.rig.set_lid(self._keeper.panel.lid_closed)
        self._drive(self._session.snapshot(), faults)

    def faults(self) -> list[Finding]:
        """Return what is wrong now."""
        found = list(self._health.findings()) if self._health else []
        problem = self._session.source.problem
        if problem is not None:
            found.append(Finding("camera", problem, True))
        elif self._eye is not None and self._eye.fault is not None:
            found.append(self._eye.fault)
        if self._recorder is not None and self._recorder.ended is not None:
            found.append(Finding("recording", self._recorder.ended, False))
        if self._keeper.missing is not None:
            found.append(Finding("panel", self._keeper.missing, False))
        return found

    def _drive(self, snapshot: Json, faults: list[Finding]) -> None:
        panel = self._keeper.panel
        signal = signal_for(snapshot, faults)
        if signal != self._signal:
            self._signal = signal
            panel.signal(signal)
        panel.light(ring_level(snapshot, dark_film=self._dark_film))
        mark = _newest_mark(snapshot)
        if mark is not None and mark != self._heard:
            self._tone = TONE_PERIODS
            panel.sound_distance(_distance_mm(snapshot, mark))
        elif self._tone:
            self._tone -= 1
            if not self._tone:
                panel.sound_distance(None)
        self._heard = mark

    def _listen(self) -> None:
        self._keeper.panel.when_foot(lambda: press_foot(self._session))
        self._keeper.panel.when_lid(lambda closed: _log.info("lid %s", "closed" if closed else "open"))

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            try:
                self.tick()
            except (LogError, RigError, OSError):
                _log.exception("the attendant could not look")


def signal_for(snapshot: Json, faults: list[Finding]) -> Signal:
    """Return what the status light shows."""
    if any(fault.urgent for fault in faults):
        return "fault"
    if _pulse_is_due(snapshot):
        return "working"
    step = snapshot["step"]["do"]
    waits = step in ("turn", "shift", "inspect") or not snapshot["cautions_acknowledged"]
    return "look-here" if waits else "ready"


def ring_level(snapshot: Json, *, dark_film: bool) -> float:
    """Return how bright the lamp ring is: dimmed while a glow is awaited, off then for a dark film."""
    if not _pulse_is_due(snapshot):
        return 1.0
    return 0.0 if dark_film else 0.3


def press_foot(session: Session) -> None:
    """Do what the page's large button would do: 'that was my pulse', or 'next'. Never fires anything."""
    snapshot = session.snapshot()
    step = snapshot["step"]
    try:
        if not snapshot["cautions_acknowledged"]:
            session.say("Read the cautions on the page first.")
        elif step["do"] == "mark":
            place = Place(step["station"], tuple(step["head_mm"]))
            session.pulse() if _pulse_is_due(snapshot) else session.hang(place)
        elif step["do"] == "turn":
            session.turn(step["mount"], step["screw"], step["turns"])
        elif step["do"] == "shift":
            session.shift(step["part"], list(step["move_mm"]))
        else:
            session.say("The page asks: answer there.")
    except Refused as refusal:
        session.say(refusal.message)


def _pulse_is_due(snapshot: Json) -> bool:
    step, place = snapshot["step"], snapshot["place"]
    if step["do"] != "mark" or place is None or snapshot["used"] or not snapshot["cautions_acknowledged"]:
        return False
    return Place.from_json(place).agrees(step["station"], tuple(step["head_mm"]))


def _newest_mark(snapshot: Json) -> Json | None:
    for row in reversed(snapshot["events"]):
        if row["event"]["kind"] == "mark" and not row["withdrawn"]:
            return {"id": row["id"], **row["event"]}
    return None


def _distance_mm(snapshot: Json, mark: Json) -> float:
    """Return how far the mark is from where it was to go, or from the centre where nothing was foretold."""
    aim = snapshot["aimed"]
    goal = aim["offset_mm"] if aim is not None and aim["station"] == mark["station"] else (0.0, 0.0)
    return math.dist(mark["offset_mm"], goal)

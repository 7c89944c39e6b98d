"""Minds the hardware around a session: says its faults, drives lamps and sounder, hears the foot button.

Nothing here is needed for an alignment: without pins, health checks or camera it says less and does the same.
"""

from __future__ import annotations

import logging
import threading

from firmware import RigError
from firmware.health import Finding, HealthWatch
from server.brain import Refused
from server.eye import Eye
from server.live import Session
from server.log import LogError
from server.recorder import Recorder
from server.signals import PanelDriver, PanelKeeper, faults_of, pulse_is_due, wish_of
from server.sources import Place

__all__ = ["PERIOD_S", "Attendant", "press_foot"]

PERIOD_S = 0.25
_log = logging.getLogger(__name__)


class Attendant:
    """Calls ``tick`` every quarter second in a thread of its own, between ``start`` and ``stop``.

    welcome : what the status light spells at a first start, until somebody has answered on the page.
    """

    def __init__(
        self,
        session: Session,
        *,
        keeper: PanelKeeper | None = None,
        health: HealthWatch | None = None,
        eye: Eye | None = None,
        recorder: Recorder | None = None,
        dark_film: bool = False,
        welcome: str | None = None,
    ) -> None:
        self._session, self._health, self._eye, self._recorder = session, health, eye, recorder
        self._welcome = welcome
        self._driver = PanelDriver(
            keeper,
            dark_film=dark_film,
            pressed=lambda: press_foot(session),
            known=wish_of(session.snapshot()),
        )
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="attendant", daemon=True)

    def start(self) -> None:
        """Begin to mind."""
        self._thread.start()

    def stop(self) -> None:
        """Mind no more; every lamp is off when this returns."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join()
        self._driver.close()

    def tick(self) -> None:
        """Look at everything once."""
        faults = self.faults()
        self._session.rig.set_faults(faults)
        self._session.rig.set_lid(self._driver.lid_closed)
        snapshot = self._session.snapshot()
        if snapshot["alignment"] is not None:
            self._welcome = None
        self._driver.tick(wish_of(snapshot), faults, spell=self._welcome)

    def faults(self) -> list[Finding]:
        """Return what is wrong now."""
        problem = self._session.source.problem
        return faults_of(
            health=self._health,
            problem=problem,
            eye=self._eye,
            recorder=self._recorder,
            missing=self._driver.missing,
        )

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            try:
                self.tick()
            except (LogError, RigError, OSError):
                _log.exception("the attendant could not look")


def press_foot(session: Session) -> None:
    """Do what the page's large button would do: 'that was my pulse', or 'next'. Never fires anything."""
    snapshot = session.snapshot()
    step = snapshot["step"]
    try:
        if not snapshot["cautions_acknowledged"]:
            session.say("Read the cautions on the page first.")
        elif session.just_settled():
            session.say("That pulse is saved already.")
        elif step["do"] == "mark":
            place = Place(step["station"], tuple(step["head_mm"]))
            session.pulse() if pulse_is_due(snapshot) else session.hang(place)
        elif step["do"] == "turn":
            session.turn(step["mount"], step["screw"], step["turns"])
        elif step["do"] == "shift":
            session.shift(step["part"], list(step["move_mm"]))
        else:
            session.say("The page asks: answer there.")
    except Refused as refusal:
        session.say(refusal.message)

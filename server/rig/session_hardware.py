"""The hardware of a session: reports its faults, drives lamps and sounder, answers the foot button.

An alignment needs none of it: without pins, health checks or camera everything else works the same.
"""

from __future__ import annotations

from collections.abc import Callable

from firmware.health import HealthWatch
from server.rig.frame_loop import FrameLoop
from server.rig.hardware_thread import HardwareThread
from server.rig.recorder import Recorder
from server.rig.signals import PanelDriver, PanelRetry, panel_state
from server.session.services import Refused
from server.session.session import Session
from server.session.snapshot import Snapshot, marked_place

__all__ = ["SessionHardware", "press_foot"]


class SessionHardware(HardwareThread):
    """The hardware on this computer.

    welcome : returns the text that the status light spells at a first start, until somebody answers on the
    page; None without a network.
    """

    def __init__(
        self,
        session: Session,
        *,
        retry: PanelRetry | None = None,
        health: HealthWatch | None = None,
        frame_loop: FrameLoop | None = None,
        recorder: Recorder | None = None,
        dark_film: bool = False,
        welcome: Callable[[], str | None] = lambda: None,
    ) -> None:
        known = panel_state(session.snapshot())
        driver = PanelDriver(retry, dark_film=dark_film, pressed=lambda: press_foot(session), known=known)
        super().__init__(driver, health=health, frame_loop=frame_loop, recorder=recorder)
        self._session, self._welcome = session, welcome

    def tick(self) -> None:
        """Check everything once."""
        faults = self.faults()
        self._session.rig.set_faults(faults)
        self._session.rig.set_lid(self._driver.lid_closed)
        snapshot = self._session.snapshot()
        if snapshot.alignment is not None:
            self._welcome = lambda: None
        self._driver.tick(panel_state(snapshot), faults, spell=self._welcome())

    def problem(self) -> str | None:
        """Return what the session's source reports about its camera."""
        return self._session.source.problem


def press_foot(session: Session) -> None:
    """Do what the page's large button would do: 'that was my pulse', or 'next'. Never fires anything."""
    snapshot = session.snapshot()
    try:
        with session.answering(snapshot.step_name):
            _answer(session, snapshot)
    except Refused as refusal:
        session.say(refusal.message)


def _answer(session: Session, snapshot: Snapshot) -> None:
    step = snapshot.step
    if not snapshot.cautions:
        session.say("Read the cautions on the page first.")
    elif session.just_settled():
        session.say("That pulse is already saved.")
    elif (place := marked_place(step)) is not None:
        session.pulse() if snapshot.pulse_is_due else session.hang(place)
    elif step.mount is not None and step.screw is not None and step.turns is not None:
        session.turn(step.mount, step.screw, step.turns)
    elif step.part is not None and step.move_mm is not None:
        session.shift(step.part, list(step.move_mm))
    else:
        session.say("The page has a question: answer it there.")

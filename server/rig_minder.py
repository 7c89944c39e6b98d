"""Minds the hardware of a rig that sends to a page elsewhere: panel, faults, lid, foot button.

What is wrong here is said there; what the page wants shown is shown here. No mark needs any of it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from firmware import RigError
from firmware.health import Finding, HealthWatch
from server.attendant import PERIOD_S
from server.eye import Eye
from server.outpost import Outpost
from server.recorder import Recorder
from server.signals import PanelDriver, PanelKeeper, faults_of

__all__ = ["RigMinder"]

_log = logging.getLogger(__name__)


class RigMinder:
    """Calls ``tick`` every quarter second in a thread of its own, between ``start`` and ``stop``.

    problem : what is wrong with the camera just now, or None.
    """

    def __init__(
        self,
        outpost: Outpost,
        *,
        problem: Callable[[], str | None],
        keeper: PanelKeeper | None = None,
        health: HealthWatch | None = None,
        eye: Eye | None = None,
        recorder: Recorder | None = None,
        dark_film: bool = False,
    ) -> None:
        self._outpost, self._problem = outpost, problem
        self._health, self._eye, self._recorder = health, eye, recorder
        self._driver = PanelDriver(keeper, dark_film=dark_film, pressed=outpost.press, lid=self._tell_lid)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig minder", daemon=True)

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
        self._outpost.tell(faults=self.faults(), lid_closed=self._driver.lid_closed)
        unheard = [Finding("page", self._outpost.said, True)] if self._outpost.said else []
        self._driver.tick(self._outpost.wish, [*self._outpost.faults, *unheard])

    def faults(self) -> list[Finding]:
        """Return what is wrong here, urgent ones first."""
        found = faults_of(
            health=self._health,
            problem=self._problem(),
            eye=self._eye,
            recorder=self._recorder,
            missing=self._driver.missing,
        )
        return sorted(found, key=lambda finding: not finding.urgent)

    def _tell_lid(self) -> None:
        self._outpost.tell(faults=self._outpost.faults, lid_closed=self._driver.lid_closed)

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            try:
                self.tick()
            except (RigError, OSError):
                _log.exception("the rig could not be looked at")

"""The thread that checks the hardware and drives the panel, for a local page and for a remote one."""

from __future__ import annotations

import logging
import time
from abc import abstractmethod

from firmware.health import Finding, HealthWatch
from server.rig.background import Background
from server.rig.frame_loop import FrameLoop
from server.rig.recorder import Recorder
from server.rig.signals import PanelDriver, faults_of

__all__ = ["PERIOD_S", "HardwareThread"]

PERIOD_S = 0.25
ALIVE_S = 30.0  # a round over pins, disk and temperature takes less than this even on a busy machine
_log = logging.getLogger(__name__)


class HardwareThread(Background):
    """Calls ``tick`` every quarter second in its own thread, between ``start`` and ``stop``.

    driver : of lamps, sounder, lid and foot button. The other arguments may report faults.
    """

    def __init__(
        self,
        driver: PanelDriver,
        *,
        health: HealthWatch | None,
        frame_loop: FrameLoop | None,
        recorder: Recorder | None,
    ) -> None:
        super().__init__(type(self).__name__)
        self._driver, self._health, self._frame_loop, self._recorder = driver, health, frame_loop, recorder
        self._ticked_s = time.monotonic()

    @abstractmethod
    def tick(self) -> None:
        """Check everything once."""

    @abstractmethod
    def problem(self) -> str | None:
        """Return what is wrong with the camera now, or None."""

    def faults(self) -> list[Finding]:
        """Return what is wrong now, urgent ones first."""
        found = faults_of(
            health=self._health,
            problem=self.problem(),
            frame_loop=self._frame_loop,
            recorder=self._recorder,
            missing=self._driver.missing,
        )
        return sorted(found, key=lambda finding: not finding.urgent)

    def alive(self) -> bool:
        """Whether the thread still runs its rounds, for a watchdog."""
        return self._thread.is_alive() and time.monotonic() - self._ticked_s < ALIVE_S

    def stop(self) -> None:
        """Stop the thread; every lamp is off when this returns."""
        super().stop()
        self._driver.close()

    def _run(self) -> None:
        while not self._end.wait(PERIOD_S):
            self._ticked_s = time.monotonic()
            try:
                self.tick()
            except Exception:  # noqa: BLE001 -- nothing may end it for good; the log says what it was
                _log.exception("the hardware could not be checked")

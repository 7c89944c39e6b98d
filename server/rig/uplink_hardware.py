"""The hardware of a rig that sends to a page elsewhere: panel, faults, lid, foot button.

Faults here are shown on the page; the panel here shows what the page asks for. Marks are read without it.
"""

from __future__ import annotations

from collections.abc import Callable

from firmware.health import Finding, HealthWatch
from server.rig.frame_loop import FrameLoop
from server.rig.hardware_thread import HardwareThread
from server.rig.recorder import Recorder
from server.rig.signals import PanelDriver, PanelRetry
from server.rig.uplink import Uplink

__all__ = ["UplinkHardware"]


class UplinkHardware(HardwareThread):
    """The hardware on this computer, for a page that is elsewhere.

    problem : returns what is wrong with the camera now, or None.
    """

    def __init__(
        self,
        uplink: Uplink,
        *,
        problem: Callable[[], str | None],
        retry: PanelRetry | None = None,
        health: HealthWatch | None = None,
        frame_loop: FrameLoop | None = None,
        recorder: Recorder | None = None,
        dark_film: bool = False,
    ) -> None:
        self._uplink, self._problem = uplink, problem
        driver = PanelDriver(retry, dark_film=dark_film, pressed=uplink.press, lid=self._tell_lid)
        super().__init__(driver, health=health, frame_loop=frame_loop, recorder=recorder)

    def tick(self) -> None:
        """Check everything once."""
        self._uplink.tell(faults=self.faults(), lid_closed=self._driver.lid_closed)
        uplink = [Finding("page", self._uplink.said, True)] if self._uplink.said else []
        self._driver.tick(self._uplink.panel_state, [*self._uplink.faults, *uplink])

    def problem(self) -> str | None:
        """Return what is wrong with the camera here, or None."""
        return self._problem()

    def _tell_lid(self) -> None:
        self._uplink.tell(faults=self._uplink.faults, lid_closed=self._driver.lid_closed)

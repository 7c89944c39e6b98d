"""Minds the hardware of a rig that sends to a page elsewhere: panel, faults, lid, foot button.

What is wrong here is said there; what the page wants shown is shown here. No mark needs any of it.
"""

from __future__ import annotations

from collections.abc import Callable

from firmware.health import Finding, HealthWatch
from server.rig.frame_loop import Eye
from server.rig.hardware_thread import Minder
from server.rig.recorder import Recorder
from server.rig.signals import PanelDriver, PanelKeeper
from server.rig.uplink import Outpost

__all__ = ["RigMinder"]


class RigMinder(Minder):
    """Minds the hardware here for a page that is elsewhere.

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
        driver = PanelDriver(keeper, dark_film=dark_film, pressed=outpost.press, lid=self._tell_lid)
        super().__init__(driver, health=health, eye=eye, recorder=recorder)

    def tick(self) -> None:
        """Look at everything once."""
        self._outpost.tell(faults=self.faults(), lid_closed=self._driver.lid_closed)
        unheard = [Finding("page", self._outpost.said, True)] if self._outpost.said else []
        self._driver.tick(self._outpost.wish, [*self._outpost.faults, *unheard])

    def problem(self) -> str | None:
        """Return what the camera here says."""
        return self._problem()

    def _tell_lid(self) -> None:
        self._outpost.tell(faults=self._outpost.faults, lid_closed=self._driver.lid_closed)

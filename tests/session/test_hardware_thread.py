"""The hardware thread goes on after a failed check, and leaves every lamp off at the end."""

from __future__ import annotations

import threading

import pytest

from firmware.panel.parts import Pins
from server.rig import hardware_thread
from server.rig.hardware_thread import HardwareThread
from server.rig.signals import PanelDriver, PanelRetry
from tests.session.wired import Wired


class Looker(HardwareThread):
    """Fails at the first check, stops after the third."""

    def __init__(self, driver: PanelDriver) -> None:
        super().__init__(driver, health=None, frame_loop=None, recorder=None)
        self.looks, self.enough = 0, threading.Event()

    def tick(self) -> None:
        self.looks += 1
        if self.looks == 1:
            raise OSError("unplugged")
        self._driver.tick(None, [])
        if self.looks == 3:
            self.enough.set()

    def problem(self) -> str | None:
        return None


def test_a_look_that_failed_ends_nothing_and_every_lamp_is_off_at_the_end(
    wired: Wired, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hardware_thread, "PERIOD_S", 0.001)
    looker = Looker(PanelDriver(PanelRetry(Pins(), opener=wired.open), dark_film=False, pressed=lambda: None))
    looker.start()
    assert looker.enough.wait(300)
    assert wired.ring.value == 1.0
    looker.stop()
    assert wired.ring.value == 0.0
    assert not looker._thread.is_alive()

"""The hardware thread goes on after a failed check, and leaves every lamp off at the end."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from firmware.panel.parts import Pins
from server.rig import hardware_thread
from server.rig.hardware_thread import HardwareThread
from server.rig.signals import PanelDriver, PanelRetry
from tests.session.conftest import ANY, comes
from tests.session.wired import Wired


class Looker(HardwareThread):
    """Fails at the first checks, has enough after the next; waits in each for ``go``."""

    def __init__(self, wired: Wired) -> None:
        retry = PanelRetry(Pins(), opener=wired.open)
        driver = PanelDriver(retry, dark_film=False, pressed=lambda: None)
        super().__init__(driver, health=None, frame_loop=None, recorder=None)
        self.errors, self.enough, self.go = iter(ANY), threading.Event(), threading.Event()

    def tick(self) -> None:
        self.go.wait()
        if (error := next(self.errors, None)) is not None:
            raise error
        self._driver.tick(None, [])
        self.enough.set()

    def problem(self) -> str | None:
        return None


@pytest.fixture
def looker(wired: Wired, monkeypatch: pytest.MonkeyPatch) -> Iterator[Looker]:
    monkeypatch.setattr(hardware_thread, "PERIOD_S", 0.001)
    made = Looker(wired)
    made.start()
    yield made
    made.go.set()
    made.stop()


def test_checks_that_failed_end_nothing_and_every_lamp_is_off_at_the_end(
    looker: Looker, wired: Wired
) -> None:
    looker.go.set()
    assert comes(looker.enough, looker._thread)
    assert wired.ring.value == 1.0
    looker.stop()
    assert wired.ring.value == 0.0
    assert not looker._thread.is_alive()


def test_a_check_that_never_ends_is_no_life_until_it_does(
    looker: Looker, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert looker.alive()
    late_s, clock = [0.0], time.monotonic
    monkeypatch.setattr(hardware_thread, "time", SimpleNamespace(monotonic=lambda: clock() + late_s[0]))
    late_s[0] = hardware_thread.ALIVE_S + 1
    assert not looker.alive()
    looker.go.set()
    assert comes(looker.enough, looker._thread)
    assert looker.alive()

"""Longer timeouts: the program gives up after seconds, but a test machine may be eight times too busy."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give threads, killed processes, libraries and commands all the time they need to end."""
    for limit in ("pumped._JOIN_S", "supervised._DEAD_S", "listing._PATIENCE_S"):
        monkeypatch.setattr(f"firmware.camera.{limit}", 300.0)
    monkeypatch.setattr("firmware.health._PATIENCE_S", 300.0)

"""The program gives up after seconds; a test must not, for its machine may be eight times too busy."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let whatever ends by itself take its time: threads, killed processes, libraries, commands."""
    for limit in ("pumped._JOIN_S", "supervised._DEAD_S", "listing._PATIENCE_S"):
        monkeypatch.setattr(f"firmware.camera.{limit}", 300.0)
    monkeypatch.setattr("firmware.health._PATIENCE_S", 300.0)

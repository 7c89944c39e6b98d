"""Check the settings files of a data folder for ``spotwright log check``."""

from __future__ import annotations

from pathlib import Path

from firmware.errors import ProfileRefused
from firmware.profile import profile_for
from server.log import Settings
from server.pages.guard import is_code
from server.pages.lasers import Lasers
from server.session.card_scale import CardScale

__all__ = ["settings_faults"]


def settings_faults(data: Path) -> tuple[str, ...]:
    """Return a line for each that is damaged: lasers, the current one, check bars, access code, rig.toml."""
    settings = Settings()
    Lasers(data / "lasers", settings).names()
    CardScale(kept=data / "lasers" / "check-bars", settings=settings)
    settings.read(data / "access-code", is_code, "", instead="a new one is made at the next start")
    try:
        profile_for(data)
    except ProfileRefused as error:
        return (*settings.faults, f"{error}; a bare rig's is used")
    return settings.faults

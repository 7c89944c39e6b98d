"""The parts of a panel and their pins; every part is optional."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Protocol

__all__ = ["Lamp", "Parts", "Pins", "Sounder", "Switch"]


@dataclass(frozen=True)
class Pins:
    """BCM numbers of the pins in use; None where nothing is connected."""

    ring: int | None = None
    status: int | None = None
    sounder: int | None = None
    foot: int | None = None
    lid: int | None = None

    def used(self) -> dict[str, int]:
        """Return the names and numbers of the pins in use; raise ValueError where two share one."""
        used = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        if len(set(used.values())) != len(used):
            raise ValueError(f"two parts of the panel share a pin: {used}")
        return used


class Lamp(Protocol):
    """Something that shines; ``value`` 0 … 1."""

    value: float

    def blink(self, on_time: float, off_time: float) -> None: ...
    def close(self) -> None: ...


class Sounder(Protocol):
    """Something that sounds; None is silence."""

    def sound(self, hertz: float | None) -> None: ...
    def close(self) -> None: ...


class Switch(Protocol):
    """Something that is pressed; ``when`` is called at every change with whether it is pressed now."""

    pressed: bool

    def when(self, changed: Callable[[bool], None]) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True)
class Parts:
    """What is connected."""

    ring: Lamp | None = None
    status: Lamp | None = None
    sounder: Sounder | None = None
    foot: Switch | None = None
    lid: Switch | None = None

"""A panel whose parts record what they were told to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from firmware.panel.panel import RHYTHMS, Panel, Signal
from firmware.panel.parts import Parts, Pins

__all__ = ["Lamp", "Sounder", "Switch", "Wired"]


@dataclass
class Lamp:
    value: float = 0.0
    rhythm: tuple[float, float] | None = None

    def __setattr__(self, name: str, to: object) -> None:
        if name == "value":  # ends its blinking, as gpiozero's LED does
            object.__setattr__(self, "rhythm", None)
        object.__setattr__(self, name, to)

    def blink(self, on_time: float, off_time: float) -> None:
        self.rhythm = (on_time, off_time)

    def shows(self, signal: Signal) -> bool:
        on_s, off_s = RHYTHMS[signal]
        return self.rhythm == (on_s, off_s) if off_s else self.rhythm is None and self.value == (on_s > 0)

    def close(self) -> None: ...


@dataclass
class Sounder:
    heard: list[float | None] = field(default_factory=list)

    def sound(self, hertz: float | None) -> None:
        self.heard.append(hertz)

    def close(self) -> None: ...


@dataclass
class Switch:
    pressed: bool = False
    change: Callable[[bool], None] = lambda down: None

    def when(self, changed: Callable[[bool], None]) -> None:
        self.change = changed

    def close(self) -> None: ...


@dataclass
class Wired:
    ring: Lamp = field(default_factory=Lamp)
    status: Lamp = field(default_factory=Lamp)
    sounder: Sounder = field(default_factory=Sounder)
    foot: Switch = field(default_factory=Switch)
    lid: Switch = field(default_factory=Switch)
    missing: str | None = None

    def open(self, pins: Pins, *, silent: bool = False) -> tuple[Panel, str | None]:
        if self.missing is not None:
            return Panel(), self.missing
        return Panel(Parts(self.ring, self.status, self.sounder, self.foot, self.lid), silent=silent), None

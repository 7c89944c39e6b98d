"""The panel at the mirror: lamp ring, status light, sounder, foot button, lid contact; every one optional.

This file decides; ``pi`` has the pins. The lid contact is shown and logged; it is never part of the laser's
own interlock chain. Nothing here can fire the laser.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from itertools import cycle
from threading import Event, Thread
from typing import Literal

from firmware.errors import PanelMissing
from firmware.panel.morse import flashes
from firmware.panel.parts import Lamp, Parts, Pins

__all__ = ["RHYTHMS", "Panel", "Signal", "flash", "open_panel", "tone_hz"]

Signal = Literal["off", "ready", "working", "look-here", "fault"]
# (seconds on, seconds off); 0 off means steady.
RHYTHMS: dict[Signal, tuple[float, float]] = {
    "off": (0.0, 0.0),
    "ready": (1.0, 0.0),
    "working": (0.1, 0.9),
    "look-here": (0.5, 0.5),
    "fault": (0.1, 0.1),
}
_LOW_HZ, _HIGH_HZ = 330.0, 880.0
_FAR_MM = 10.0
_UNIT_S = 0.3  # of Morse code: four words a minute, for somebody with a pencil


class Panel:
    """The whole panel; parts that are not connected are skipped."""

    def __init__(self, parts: Parts | None = None, *, silent: bool = False) -> None:
        self._parts = parts or Parts()
        self.silent = silent
        self._speller: Thread | None = None
        self._enough = Event()

    def light(self, level: float) -> None:
        """Set the lamp ring, 0 (dark film) … 1; a value between while a glow is watched for."""
        if self._parts.ring is not None:
            self._parts.ring.value = min(max(level, 0.0), 1.0)

    def signal(self, what: Signal) -> None:
        """Show it on the status light, by rhythm alone: it is read without colours."""
        lamp = self._parts.status
        if lamp is None:
            return
        self._stop_spelling()
        on_s, off_s = RHYTHMS[what]
        if on_s and off_s:
            lamp.blink(on_s, off_s)
        else:
            lamp.value = float(on_s > 0)

    def spell(self, text: str) -> None:
        """Flash the text in Morse code on the status light, again and again until the next ``signal``."""
        lamp = self._parts.status
        if lamp is None:
            return
        self._stop_spelling()
        self._enough.clear()
        self._speller = Thread(target=flash, args=(lamp, text, self._enough.wait), name="morse", daemon=True)
        self._speller.start()

    def _stop_spelling(self) -> None:
        speller, self._speller = self._speller, None
        if speller is not None:
            self._enough.set()
            speller.join()

    def sound_distance(self, distance_mm: float | None) -> None:
        """Sound how far the mark is from where it has to go: higher is nearer; None is silence."""
        if self._parts.sounder is not None:
            heard = distance_mm is not None and not self.silent
            self._parts.sounder.sound(tone_hz(distance_mm) if heard and distance_mm is not None else None)

    def when_foot(self, pressed: Callable[[], None]) -> None:
        """Call it at every press of the foot button."""
        if self._parts.foot is not None:
            self._parts.foot.when(lambda down: pressed() if down else None)

    def when_lid(self, changed: Callable[[bool], None]) -> None:
        """Call it with True when the lid closes, False when it opens."""
        if self._parts.lid is not None:
            self._parts.lid.when(changed)

    @property
    def lid_closed(self) -> bool | None:
        """What the lid contact says, or None where there is none. Shown, never acted on."""
        return None if self._parts.lid is None else self._parts.lid.pressed

    def close(self) -> None:
        """Release every pin, with lamps and sounder off."""
        self.light(0.0)
        self.signal("off")
        self.sound_distance(None)
        for part in (getattr(self._parts, f.name) for f in fields(self._parts)):
            if part is not None:
                part.close()


def flash(lamp: Lamp, text: str, wait: Callable[[float], bool], *, unit_s: float = _UNIT_S) -> None:
    """Flash the text repeatedly; ``wait`` waits for a number of seconds and returns whether to stop."""
    for on in cycle(flashes(text)):
        lamp.value = float(on)
        if wait(unit_s):
            return


def tone_hz(distance_mm: float) -> float:
    """Return the pitch for a distance: 330 Hz at 10 mm and beyond, 880 Hz at the goal, even steps to the ear.

    Equal ratios of frequency for equal distances (the ear hears ratios). The span is our own choice.
    """
    near = 1 - min(max(distance_mm, 0.0), _FAR_MM) / _FAR_MM
    return float(_LOW_HZ * (_HIGH_HZ / _LOW_HZ) ** near)


def open_panel(
    pins: Pins, *, silent: bool = False, connect: Callable[[Pins], Parts] | None = None
) -> tuple[Panel, str | None]:
    """Return the panel and, where pins were asked for and are not there, one line on why it runs without."""
    if not pins.used():
        return Panel(silent=silent), None
    try:
        return Panel((connect or _connect_pi)(pins), silent=silent), None
    except PanelMissing as missing:
        return Panel(silent=silent), str(missing)


def _connect_pi(pins: Pins) -> Parts:
    from firmware.panel.pi import connect

    return connect(pins)

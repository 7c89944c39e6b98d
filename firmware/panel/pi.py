"""The panel's pins through gpiozero: the only file that knows that library."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from firmware.errors import PanelMissing
from firmware.panel.parts import Parts, Pins

__all__ = ["connect"]

_BOUNCE_S = 0.03
_RING_HZ = 1000  # above what a camera's exposure could beat with


def connect(pins: Pins) -> Parts:
    """Return the parts on those pins. If one is not there, close all and raise PanelMissing."""
    try:
        import gpiozero
    except ImportError:
        raise PanelMissing("gpiozero is not installed: the panel is off, everything else runs") from None
    makers: dict[str, Callable[[int], Any]] = {
        "ring": lambda pin: _Ring(gpiozero.PWMLED(pin, frequency=_RING_HZ)),
        "status": lambda pin: _Status(gpiozero.LED(pin)),
        "sounder": lambda pin: _Sounder(gpiozero.PWMOutputDevice(pin, initial_value=0)),
        "foot": lambda pin: _Switch(gpiozero.Button(pin, bounce_time=_BOUNCE_S)),
        "lid": lambda pin: _Switch(gpiozero.Button(pin, bounce_time=_BOUNCE_S)),
    }
    parts: dict[str, Any] = {}
    for name, pin in pins.used().items():
        try:
            parts[name] = makers[name](pin)
        except Exception as error:  # noqa: BLE001 -- each library below gpiozero has errors of its own
            for part in parts.values():
                part.close()
            reason = " ".join(str(error).split())
            raise PanelMissing(
                f"panel: {name} on pin {pin} is not there ({reason}); running without"
            ) from None
    return Parts(**parts)


class _Lamp:
    def __init__(self, device: Any) -> None:
        self._device = device

    @property
    def value(self) -> float:
        return float(self._device.value)

    def close(self) -> None:
        self._device.close()


class _Ring(_Lamp):
    @property
    def value(self) -> float:
        return float(self._device.value)

    @value.setter
    def value(self, level: float) -> None:
        self._device.value = level

    def blink(self, on_time: float, off_time: float) -> None:
        self._device.blink(on_time, off_time)


class _Status(_Ring):
    @property
    def value(self) -> float:
        return float(self._device.value)

    @value.setter
    def value(self, level: float) -> None:
        (self._device.on if level > 0 else self._device.off)()


class _Sounder(_Lamp):
    """A passive piezo: half duty at the pitch wanted."""

    def sound(self, hertz: float | None) -> None:
        if hertz is not None:
            self._device.frequency = round(hertz)
        self._device.value = 0.0 if hertz is None else 0.5


class _Switch:
    def __init__(self, device: Any) -> None:
        self._device = device

    @property
    def pressed(self) -> bool:
        return bool(self._device.is_pressed)

    def when(self, changed: Callable[[bool], None]) -> None:
        self._device.when_pressed = lambda: changed(True)
        self._device.when_released = lambda: changed(False)

    def close(self) -> None:
        self._device.close()

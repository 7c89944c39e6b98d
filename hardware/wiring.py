"""The wiring as a table and a drawing, from one list: `python -m hardware.wiring --out hardware`."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import click
import numpy as np

from firmware.panel.parts import Pins
from hardware.svg import BLUE, GREY, INK, RED, Page

PINS = Pins(ring=12, status=17, sounder=13, foot=22, lid=27)
# Where each BCM number comes out on the 40-pin header, and the neighbours used for ground and supply.
HEADER = {12: 32, 13: 33, 17: 11, 22: 15, 27: 13}
NOTES = (
    ("Pins 2 and 4: 5 V of the Pi's own supply. Camera: ribbon cable to the camera socket.", INK),
    ("Nothing here touches the laser's supply, its door switch or its emergency stop.", RED),
)
_LEFT = 132.0  # where the boxes begin


@dataclass(frozen=True)
class Wire:
    """One part of the panel: its name, header pins for signal and return, what is in between."""

    name: str
    what: str
    signal: int
    other: int
    other_is: str
    between: str

    @property
    def bcm(self) -> int:
        """The signal's BCM number."""
        return next(number for number, pin in HEADER.items() if pin == self.signal)


def _wire(name: str, what: str, other: int, other_is: str, between: str) -> Wire:
    return Wire(name, what, HEADER[PINS.used()[name]], other, other_is, between)


WIRES = (
    _wire("status", "status light", 9, "ground", "330 Ω in line with the LED"),
    _wire("lid", "lid contact (shown only)", 14, "ground", "1 kΩ in line; contact closes with the lid"),
    _wire("foot", "foot button", 20, "ground", "1 kΩ in line; contact closes when pressed"),
    _wire("ring", "lamp ring, 5 V from pin 4", 30, "ground",
          "N-channel MOSFET: gate over 220 Ω, 10 kΩ gate to ground; it switches the ring's minus"),
    _wire("sounder", "passive piezo sounder", 34, "ground", "220 Ω in line"),
)  # fmt: skip


def table() -> str:
    """Return the wiring as a Markdown table."""
    head = [
        "| part | name in the profile | BCM | header pin | other wire to | in between |",
        "|---|---|---|---|---|---|",
    ]
    rows = [
        f"| {w.what} | `{w.name}` | {w.bcm} | {w.signal} | pin {w.other}, {w.other_is} | {w.between} |"
        for w in WIRES
    ]
    return "\n".join([*head, *rows]) + "\n"


def draw() -> Page:
    """Return the drawing: the header from above, the parts beside it; no wires cross but the 5 V."""
    page = Page(250.0, 178.0, "Spotwright wiring")
    page.text(
        "40-pin header of the Raspberry Pi, from above; pin 1 is at the board's corner",
        (12, 10),
        anchor="start",
    )
    for pin in range(1, 41):
        _pin(page, pin)
    boxes = [float(y) for y in np.linspace(32, 146, len(WIRES))]
    for wire, y in zip(WIRES, boxes, strict=True):
        _box(page, wire, y)
    _ways(page, [(pin, y + at) for wire, y in zip(WIRES, boxes, strict=True) for pin, at in _ends(wire)])
    ring = boxes[[w.name for w in WIRES].index("ring")]
    _way(page, 4, ring, 104.0, RED, "5 V")
    for i, (words, ink) in enumerate(NOTES):
        page.text(words, (12, 167 + 6 * i), anchor="start", ink=ink)
    return page


def _ends(wire: Wire) -> list[tuple[int, float]]:
    """Both pins, the upper one on the header first, and where each meets the part's box."""
    upper, lower = sorted((wire.signal, wire.other), key=lambda pin: _exit(pin))
    return [(upper, -6.0), (lower, 6.0)]


def _at(pin: int) -> tuple[float, float]:
    return 30.0 + 7.0 * (pin % 2 == 0), 22.0 + 7.0 * ((pin - 1) // 2)


def _exit(pin: int) -> float:
    """Height at which a pin's wire leaves the header: pins of the left row pass below their neighbour."""
    return _at(pin)[1] + (3.5 if pin % 2 else 0.0)


def _pin(page: Page, pin: int) -> None:
    x, y = _at(pin)
    used = {w.signal for w in WIRES} | {w.other for w in WIRES} | {4}
    page.circle((x, y), 2.0, ink=INK if pin in used else GREY, line_mm=0.6 if pin in used else 0.2)
    side = 1 if pin % 2 == 0 else -1
    page.text(str(pin), (x + 5.0 * side, y + 1.0), size_mm=2.8, ink=INK if pin in used else GREY)


def _box(page: Page, wire: Wire, y: float) -> None:
    corners = np.array([(_LEFT, y - 10), (240, y - 10), (240, y + 10), (_LEFT, y + 10)])
    page.area([corners], ink=INK, line_mm=0.4)
    page.text(f"{wire.what}  ({wire.name})", (_LEFT + 3, y - 4), anchor="start", size_mm=3.8)
    for i, words in enumerate(textwrap.wrap(wire.between, 66)):
        page.text(words, (_LEFT + 3, y + 2.0 + 4.4 * i), anchor="start", size_mm=3.0, ink=GREY)


def _ways(page: Page, ends: list[tuple[int, float]]) -> None:
    """Draw the wires. Those that run up take lanes from the left, those that run down from the right, so that
    no two cross."""
    up = [end for end in ends if end[1] < _exit(end[0])]
    down = [end for end in ends if end[1] >= _exit(end[0])]
    signals = {w.signal: w.bcm for w in WIRES}
    for lane, (pin, y) in enumerate([*up, *reversed(down)]):
        lane_x = 52.0 + 4.0 * (lane if lane < len(up) else lane - len(up))
        words = f"BCM {signals[pin]}, pin {pin}" if pin in signals else f"pin {pin}"
        _way(page, pin, y, lane_x, BLUE if pin in signals else INK, words)


def _way(page: Page, pin: int, y: float, lane_x: float, ink: str, words: str) -> None:
    """Draw one wire from a pin along its lane to a box."""
    x, row = _at(pin)
    start = [(x, row + 2.0), (x, _exit(pin))] if pin % 2 else [(x + 8.0, row)]
    corners = np.array([*start, (lane_x, _exit(pin)), (lane_x, y), (_LEFT, y)])
    for ends in pairwise(corners):
        page.line(np.array(ends), ink=ink, line_mm=0.45)
    page.text(words, (_LEFT - 1.0, y - 1.0), anchor="end", size_mm=2.6, ink=ink)


@click.command(help="Write the wiring as a drawing (SVG) and print its table.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write to."
)
def main(out: Path) -> None:
    """Write `wiring.svg` and print the table."""
    out.mkdir(parents=True, exist_ok=True)
    draw().write(out / "wiring.svg")
    click.echo(table(), nl=False)


if __name__ == "__main__":
    main()

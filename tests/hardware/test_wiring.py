"""The wiring: pins that exist, a table and a drawing that agree."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

from gpiozero.pins.mock import MockFactory

from hardware import wiring

HERE = Path(wiring.__file__).parent


def test_outside_board_description_names_the_same_pins() -> None:
    """gpiozero's description of the Raspberry Pi's header J8."""
    pins = MockFactory().board_info.headers["J8"].pins
    for wire in wiring.WIRES:
        assert pins[wire.signal].name == f"GPIO{wire.bcm}"
        assert pins[wire.other].name == "GND"
    assert pins[4].name == "5V"
    for number in (wiring.PINS.ring, wiring.PINS.sounder):
        assert "pwm" in pins[wiring.HEADER[number]].interfaces


def test_every_part_of_the_panel_is_wired_once() -> None:
    assert {w.name: w.bcm for w in wiring.WIRES} == wiring.PINS.used()
    pins = [pin for w in wiring.WIRES for pin in (w.signal, w.other)]
    assert len(set(pins)) == len(pins)


def test_the_table_in_the_readme_is_this_one() -> None:
    assert wiring.table() in (HERE / "README.md").read_text(encoding="utf-8")


def test_the_drawing_in_the_folder_is_this_one(tmp_path) -> None:
    drawn = wiring.draw().write(tmp_path / "wiring.svg").read_text(encoding="utf-8")
    assert drawn == (HERE / "wiring.svg").read_text(encoding="utf-8")
    words = "".join(ET.fromstring(drawn).itertext())
    assert all(f"BCM {w.bcm}, pin {w.signal}" in words and f"({w.name})" in words for w in wiring.WIRES)


def test_pictures_are_small() -> None:
    sizes = {path.name: path.stat().st_size for path in (HERE / "pictures").glob("*.png")}
    assert sizes and max(sizes.values()) <= 150_000

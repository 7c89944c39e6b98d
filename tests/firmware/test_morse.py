"""Morse code, and the status light that spells in it, on gpiozero's mock pins and a simulated clock."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware.panel.morse import SIGNS, flashes
from firmware.panel.panel import Panel, flash, open_panel
from firmware.panel.parts import Parts, Pins

gpiozero = pytest.importorskip("gpiozero")


def read(levels: tuple[bool, ...]) -> str:
    """The text that a person with a Morse table and a watch would write down."""
    runs: list[tuple[bool, int]] = []
    for on in levels:
        same = bool(runs) and runs[-1][0] == on
        runs = [*runs[:-1], (on, runs[-1][1] + 1)] if same else [*runs, (on, 1)]
    letters = {sign: letter for letter, sign in SIGNS.items()}
    text, sign = "", ""
    for on, units in runs:
        if on:
            sign += {1: ".", 3: "-"}[units]
        elif units > 1:
            text, sign = text + letters[sign] + (" " if units == 7 else ""), ""
            assert units in (3, 7)
    return text


def test_the_standard_word_has_fifty_units() -> None:
    # "PARIS", by which sending speed is counted: 50 units with the pause after it (ARRL, from memory).
    assert len(flashes("PARIS")) == 50


def test_the_signal_of_distress() -> None:
    assert "".join("■" if on else "·" for on in flashes("sos")) == "■·■·■···■■■·■■■·■■■···■·■·■·······"


def test_no_two_characters_share_a_sign() -> None:
    assert len(set(SIGNS.values())) == len(SIGNS)


@given(st.lists(st.text(sorted(SIGNS), min_size=1, max_size=12), min_size=1, max_size=4))
def test_what_is_flashed_can_be_read(words: list[str]) -> None:
    assert read(flashes(" ".join(words))).split() == words


class Watch:
    """A clock that advances only in waits; it samples the pin then."""

    def __init__(self, pin, units: int) -> None:
        self.pin, self.units, self.now_s = pin, units, 0.0
        self.seen: list[bool] = []

    def __call__(self, span_s: float) -> bool:
        self.now_s += span_s
        self.seen.append(bool(self.pin.state))
        return len(self.seen) == self.units


@pytest.fixture
def factory():
    from gpiozero.pins.mock import MockFactory

    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = made = MockFactory()
    yield made
    made.reset()
    gpiozero.Device.pin_factory = before


def test_the_status_light_spells_address_and_code_over_and_over(factory) -> None:
    from firmware.panel.pi import connect

    text = "192.0.2.7 abcd-2345"
    once = len(flashes(text))
    parts = connect(Pins(status=17))
    assert parts.status is not None
    watch = Watch(factory.pin(17), 2 * once)
    flash(parts.status, text, watch, unit_s=0.5)
    assert read(tuple(watch.seen)).split() == text.split() * 2
    assert watch.now_s == pytest.approx(2 * once * 0.5)
    parts.status.close()


def test_a_signal_ends_the_spelling_and_spelling_ends_a_signal(factory) -> None:
    panel, missing = open_panel(Pins(status=17))
    assert missing is None
    for _ in range(3):
        panel.signal("fault")
        panel.spell("e")
        panel.signal("ready")
        assert factory.pin(17).state == 1
    panel.spell("e")
    panel.close()
    assert gpiozero.LED(17).value == 0  # let go


def test_without_a_status_light_nothing_is_spelled() -> None:
    Panel(Parts()).spell("sos")

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware import PanelMissing
from firmware.panel.panel import RHYTHMS, Panel, open_panel, tone_hz
from firmware.panel.parts import Parts, Pins

gpiozero = pytest.importorskip("gpiozero")
ALL = Pins(ring=12, status=17, sounder=13, foot=22, lid=27)


@pytest.fixture
def factory():
    from gpiozero.pins.mock import MockFactory, MockPWMPin

    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = made = MockFactory(pin_class=MockPWMPin)
    yield made
    made.reset()
    gpiozero.Device.pin_factory = before


@pytest.fixture
def panel(factory):
    panel, missing = open_panel(ALL)
    assert missing is None
    yield panel
    panel.close()


def test_the_ring_is_dimmed_between_off_and_full(panel: Panel, factory) -> None:
    for level, seen in ((0.25, 0.25), (7.0, 1.0), (-1.0, 0.0)):
        panel.light(level)
        assert factory.pin(12).state == pytest.approx(seen)


def test_the_status_light_shows_steady_and_off_at_once(panel: Panel, factory) -> None:
    panel.signal("ready")
    assert factory.pin(17).state == 1
    panel.signal("fault")
    panel.signal("off")
    assert factory.pin(17).state == 0
    assert len(set(RHYTHMS.values())) == len(RHYTHMS)  # told apart without colour


def test_the_pitch_rises_as_the_mark_comes_nearer(panel: Panel, factory) -> None:
    heard = []
    for distance_mm in (12.0, 5.0, 0.5):
        panel.sound_distance(distance_mm)
        heard.append(factory.pin(13).frequency)
        assert factory.pin(13).state == 0.5
    assert heard == sorted(set(heard))
    panel.sound_distance(None)
    assert factory.pin(13).state == 0
    panel.silent = True
    panel.sound_distance(1.0)
    assert factory.pin(13).state == 0


def test_equal_distances_are_equal_musical_intervals() -> None:
    # A4 = 440 Hz (ISO 16) lies a fourth, 4:3, above 330; 880 is the octave over it.
    assert (tone_hz(99.0), tone_hz(0.0)) == (330.0, pytest.approx(880.0))
    assert tone_hz(2.0) / tone_hz(4.0) == pytest.approx(tone_hz(6.0) / tone_hz(8.0))


@given(st.floats(0, 50), st.floats(0, 50))
def test_nearer_is_never_lower(one_mm: float, other_mm: float) -> None:
    assert (tone_hz(one_mm) >= tone_hz(other_mm)) or one_mm > other_mm


def test_foot_and_lid_are_heard(panel: Panel, factory) -> None:
    presses, lids = [], []
    panel.when_foot(lambda: presses.append(1))
    panel.when_lid(lids.append)
    assert panel.lid_closed is False
    _settle(factory, 22)
    assert presses == [1]
    factory.pin(27).drive_low()
    assert panel.lid_closed is True


def _settle(factory, number: int) -> None:
    factory.pin(number).drive_low()
    factory.pin(number).drive_high()


def test_with_no_pin_everything_is_quietly_left_out() -> None:
    panel, missing = open_panel(Pins())
    assert missing is None
    panel.light(1.0)
    panel.signal("fault")
    panel.sound_distance(1.0)
    panel.when_foot(lambda: None)
    panel.when_lid(lambda closed: None)
    assert panel.lid_closed is None
    panel.close()


def test_missing_pins_are_one_line_and_the_rest_runs(factory) -> None:
    from gpiozero.pins.mock import MockFactory

    gpiozero.Device.pin_factory = MockFactory()  # pins that cannot dim
    panel, missing = open_panel(ALL)
    assert missing is not None
    assert missing.startswith("panel: ring on pin 12 is not there")
    assert "\n" not in missing
    panel.light(1.0)
    gpiozero.LED(17).close()  # nothing was left half open


def test_a_pin_that_another_program_holds_is_one_line_and_the_rest_runs(factory) -> None:
    """lgpio, below gpiozero on a Pi 5, has an error that is neither gpiozero's nor the system's."""

    class HeldError(Exception):
        pass

    def held(*_: object) -> None:
        raise HeldError("'GPIO busy'")

    factory.pin_class = held
    assert open_panel(Pins(foot=22))[1] == (
        "panel: foot on pin 22 is not there ('GPIO busy'); running without"
    )


def test_without_the_library_the_panel_is_off(monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "gpiozero", None)
    _, missing = open_panel(Pins(foot=3))
    assert missing == "gpiozero is not installed: the panel is off, everything else runs"


def test_a_panel_that_cannot_connect_says_why() -> None:
    def connect(pins: Pins) -> Parts:
        raise PanelMissing("no pins on this computer")

    assert open_panel(ALL, connect=connect)[1] == "no pins on this computer"


def test_two_parts_on_one_pin_are_refused() -> None:
    with pytest.raises(ValueError, match="share a pin"):
        open_panel(Pins(ring=4, lid=4))

"""The service on arm64, its panel on real pins: a chip of pins, the kernel, lgpio, gpiozero, our own code.

One machine for all of them, in this order: it is switched on without a network, which then comes and changes.
"""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from firmware.panel.morse import flashes
from tests.machine.arm.guest import POWER_LINE, ArmGuest

# as .ci/machine writes them into the rig's profile
FOOT, LID, RING, STATUS, SOUNDER = POWER_LINE, 4, 5, 6, 7
TRACING = "/sys/kernel/tracing"
# the panel alone, as the service's user: the ring at 0.3, and the highest pitch
PARTS = f"""
import time
from firmware.panel.panel import open_panel
from firmware.panel.parts import Pins
panel, missing = open_panel(Pins(ring={RING}, sounder={SOUNDER}))
assert missing is None, missing
panel.light(0.3)
panel.sound_distance(0.0)
time.sleep(1.0)
panel.close()
"""


def test_it_starts_on_arm64_without_a_network_and_says_so(pi: ArmGuest) -> None:
    print(f"\nswitched on to the service: {pi.now_s():.0f} s of its own time")
    assert pi.run("uname -m") == "aarch64"
    assert pi.properties("ActiveState", "NRestarts") == {"ActiveState": "active", "NRestarts": "0"}
    pi.wait(_said("No network: the address is said here"))
    pi.until(lambda: "No network: the address is said here" in pi.console)


def test_the_pins_are_taken_through_lgpio_by_the_service_itself(pi: ArmGuest) -> None:
    pid = pi.properties("MainPID")["MainPID"]
    assert "/dev/gpiochip0" in pi.run(f"ls -l /proc/{pid}/fd")
    assert "/run/spotwright/.lgd-nfy" in pi.run(f"ls -l /proc/{pid}/fd")
    pi.until(lambda: {RING, STATUS, SOUNDER} <= pi.outputs())
    assert not {FOOT, LID} & pi.outputs()


def test_a_network_that_comes_late_is_said_and_spelled(pi: ArmGuest) -> None:
    _trace(pi, STATUS)
    pi.plug_network(there=True)
    pi.wait(_said("On the local network: http://10.0.2.15:8765/"))
    _wait_spelled(pi, "10.0.2.15")


def test_an_address_that_changes_is_said_and_spelled_and_leads_to_the_page(pi: ArmGuest) -> None:
    _trace(pi, STATUS)
    pi.take_address("10.0.2.77")
    pi.wait(_said(f"On the local network: http://10.0.2.77:8765/  Access code: {pi.code}"))
    assert "10.0.2.15" not in pi.run("ip -4 address")
    pi.until(lambda: "http://10.0.2.77:8765/" in pi.console)
    pi.wait_page()
    _wait_spelled(pi, "10.0.2.77")


def test_the_foot_button_does_what_the_page_s_large_button_would(pi: ArmGuest) -> None:
    """Pushed from outside: the emulator's power button; then the line itself."""
    pi.push_power()
    pi.until(lambda: pi.get("/api/state")["said"] == "Read the cautions on the page first.")
    pi.do("acknowledge")
    assert pi.get("/api/state")["now"] == "hang"
    pi.drive(FOOT, True)
    pi.run("sleep 0.2")
    pi.drive(FOOT, False)
    pi.until(lambda: pi.get("/api/state")["now"] == "pulse")


def test_the_lid_contact_is_shown(pi: ArmGuest) -> None:
    pi.drive(LID, True)
    pi.until(lambda: pi.get("/api/state")["rig"]["lid_closed"] is False)
    pi.drive(LID, False)
    pi.until(lambda: pi.get("/api/state")["rig"]["lid_closed"] is True)


def test_a_line_that_the_kernel_holds_is_said_and_is_back_when_it_is_let_go(pi: ArmGuest) -> None:
    pi.run("systemctl stop spotwright; modprobe gpio_keys; grep -q Poweroff /sys/kernel/debug/gpio")
    pi.run("systemctl start spotwright")
    pi.until(lambda: "panel" in pi.faults())
    assert "foot on pin 3 is not there" in str(pi.get("/api/state")["rig"]["faults"])
    pi.run("rmmod gpio_keys")
    pi.until(lambda: "panel" not in pi.faults())
    pi.until(lambda: {RING, STATUS, SOUNDER} <= pi.outputs())
    assert pi.properties("ActiveState", "NRestarts") == {"ActiveState": "active", "NRestarts": "0"}


def test_stopped_it_has_let_go_of_every_line(pi: ArmGuest) -> None:
    """No line drives anything any more: what hangs on one is dark by its own resistor to ground."""
    assert pi.outputs()
    pi.run("systemctl stop spotwright")
    assert pi.outputs() == set()


def test_ring_and_sounder_have_the_duty_and_the_pitch_that_are_asked(pi: ArmGuest) -> None:
    pi.write("/root/parts.py", PARTS)
    _trace(pi, RING, SOUNDER)
    play = "/opt/spotwright/current/bin/python /tmp/parts.py"
    pi.run(f"install -m 644 /root/parts.py /tmp; cd /; runuser -u spotwright -- env LG_WD=/tmp {play}")
    lit = _writes(pi, RING)
    lit_s = sum(until_s - at_s for (at_s, high), (until_s, _) in pairwise(lit) if high)
    share = lit_s / (lit[-1][0] - lit[0][0])
    rises_s = [at_s for at_s, high in _writes(pi, SOUNDER) if high]
    pitch_hz = (len(rises_s) - 1) / (rises_s[-1] - rises_s[0])
    print(f"\nring lit {share:.2f} of the time, sounder at {pitch_hz:.0f} Hz")
    assert share == pytest.approx(0.3, abs=0.1)
    assert pitch_hz == pytest.approx(880.0, rel=0.03)  # half a semitone


def _said(words: str) -> str:
    return f"journalctl -u spotwright -o cat | grep -F '{words}'"


def _trace(pi: ArmGuest, *lines: int) -> None:
    """Let the kernel note each time that these lines are written (its event gpio_value), from now on."""
    wanted = " || ".join(f"gpio == {_first(pi) + line}" for line in lines)
    pi.run(
        f"cd {TRACING}; echo 0 >tracing_on; echo >trace; echo '{wanted}' >events/gpio/gpio_value/filter; "
        "echo 1 >events/gpio/gpio_value/enable; echo 1 >tracing_on"
    )


def _writes(pi: ArmGuest, line: int) -> list[tuple[float, bool]]:
    """Return (seconds, high) of each write to that line since ``_trace``."""
    first = _first(pi)
    writes = re.findall(r" (\d+\.\d+): gpio_value: (\d+) set ([01])", pi.run(f"cat {TRACING}/trace"))
    return [(float(at_s), high == "1") for at_s, number, high in writes if int(number) == first + line]


def _first(pi: ArmGuest) -> int:
    """Return the kernel's number of the chip's first line."""
    return int(pi.run("sed -n 's/^gpiochip0: GPIOs \\([0-9]*\\)-.*/\\1/p' /sys/kernel/debug/gpio"))


def _wait_spelled(pi: ArmGuest, text: str) -> None:
    """Wait until the status light has flashed that text in Morse code, a unit taking 0.3 s."""
    wanted, seen = "".join("01"[on] for on in flashes(text)), ""
    while wanted not in seen:
        assert len(seen) < 4 * len(wanted), seen
        pi.run("sleep 10", patience_s=1200.0)
        writes = pairwise(_writes(pi, STATUS))
        seen = "".join("01"[high] * round((until_s - at_s) / 0.3) for (at_s, high), (until_s, _) in writes)

"""A machine that is switched on: the service starts by itself, sees its camera, and fits into 512 MB."""

from __future__ import annotations

import time
import urllib.error
import urllib.request

import pytest

from tests.machine.guest import Guest

CAMERA = "/sys/bus/platform/drivers/vivid"


def test_it_starts_with_the_machine_and_serves(guest: Guest) -> None:
    print(f"\nswitched on to the page: {guest.ready_s:.0f} s without acceleration")
    assert guest.told("ActiveState", "Type") == {"ActiveState": "active", "Type": "notify"}
    with pytest.raises(urllib.error.HTTPError, match="401"):  # a stranger without the code
        urllib.request.urlopen(guest.url + "/api/state", timeout=120)
    assert guest.get("/api/state")["source"] == "camera"


def test_it_tells_its_watchdog_that_it_lives(guest: Guest) -> None:
    first = guest.told("WatchdogTimestampMonotonic")
    guest.until(lambda: guest.told("WatchdogTimestampMonotonic") != first)


def test_the_camera_s_pictures_arrive(guest: Guest) -> None:
    guest.until(guest.sees)
    assert "camera" not in guest.faults()


def test_a_camera_pulled_out_is_said_and_is_back_when_it_is_in_again(guest: Guest) -> None:
    guest.run(f"echo vivid.0 >{CAMERA}/unbind")
    guest.until(lambda: "camera" in guest.faults())
    guest.run(f"echo vivid.0 >{CAMERA}/bind")
    began_s = time.monotonic()
    guest.until(lambda: "camera" not in guest.faults() and guest.sees())
    print(f"\ncamera in again to its picture: {time.monotonic() - began_s:.1f} s without acceleration")
    assert guest.told("NRestarts")["NRestarts"] == "0"  # the page itself never stopped


def test_512_mb_are_enough(guest: Guest) -> None:
    free = dict(line.split(":", 1) for line in guest.run("cat /proc/meminfo").splitlines())
    left_mb = int(free["MemAvailable"].split()[0]) // 1024
    print(f"\nmemory left with page and camera: {left_mb} MB of 512; swap: {free['SwapTotal'].strip()}")
    assert left_mb > 100
    assert "Out of memory: Killed" not in guest.run("dmesg", good=False)


def test_out_of_memory_it_is_started_again(guest: Guest) -> None:
    guest.until(lambda: guest.told("ActiveState")["ActiveState"] == "active")
    before = guest.told("NRestarts")
    guest.run("systemctl set-property --runtime spotwright MemoryHigh=infinity MemoryMax=20M")
    guest.until(lambda: int(guest.told("NRestarts")["NRestarts"]) > int(before["NRestarts"]))
    assert "oom" in guest.run("journalctl -u spotwright -o cat -n 50").lower()
    guest.run("systemctl set-property --runtime spotwright MemoryHigh=450M MemoryMax=600M")
    guest.wait_page()

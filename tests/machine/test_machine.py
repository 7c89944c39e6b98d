"""A machine that is switched on: the service starts by itself, sees its camera, and fits into 512 MB.

One machine for all of them, in this order: each leaves the service running, the last ones without the camera,
whose pictures are the most work.
"""

from __future__ import annotations

import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest

from tests.machine.guest import Guest

# Takes the camera's buffers as soon as it is there, as a program does that shows its picture: VIDIOC_REQBUFS
# (videodev2.h), of one buffer, which the kernel gives to one program at a time.
HOLDER = """
import fcntl, struct, time
while True:
    try:
        camera = open("/dev/video0", "r+b", buffering=0)
        fcntl.ioctl(camera, 0xC0145608, struct.pack("5I", 1, 1, 1, 0, 0))
        break
    except OSError:
        time.sleep(0.01)
print("held", flush=True)
time.sleep(100000)
"""


def test_it_starts_with_the_machine_and_serves(guest: Guest) -> None:
    print(f"\nswitched on to the page: {guest.up_s:.0f} s of its own time, {guest.ready_s:.0f} s here")
    assert guest.properties("ActiveState", "Type") == {"ActiveState": "active", "Type": "notify"}
    with pytest.raises(urllib.error.HTTPError, match="401"):  # a stranger without the code
        urllib.request.urlopen(guest.url + "/api/state", timeout=600)
    assert guest.get("/api/state")["source"] == "camera"


@pytest.mark.parametrize(("host", "status"), [("spotwright-test.lan:8765", "401"), ("evil.example", "421")])
def test_it_is_found_by_the_name_that_a_router_gives_it(guest: Guest, host: str, status: str) -> None:
    asked = urllib.request.Request(guest.url + "/api/state", headers={"Host": host})
    with pytest.raises(urllib.error.HTTPError, match=status):
        urllib.request.urlopen(asked, timeout=600)


def test_the_camera_s_pictures_arrive(guest: Guest) -> None:
    """vivid does not know the format that is asked first, MJPG: it sends what it has."""
    guest.until(guest.sees)
    assert "camera" not in guest.faults()


def test_512_mb_are_enough(guest: Guest) -> None:
    with _viewers(guest, 2) as shown:
        guest.until(lambda: min(shown) >= 3)
        free = dict(line.split(":", 1) for line in guest.run("cat /proc/meminfo").splitlines())
    left_mb = int(free["MemAvailable"].split()[0]) // 1024
    takes = int(guest.properties("MemoryCurrent")["MemoryCurrent"]) // 2**20
    print(f"\npage, camera and two viewers: {takes} MB with its files' pages; of 512 MB {left_mb} are left")
    assert free["SwapTotal"].split()[0] == "0"
    assert left_mb > 100
    assert "Out of memory" not in guest.run("dmesg", good=False)
    assert guest.properties("NRestarts")["NRestarts"] == "0"


def test_a_camera_held_by_another_program_is_said_and_is_back_when_it_is_let_go(guest: Guest) -> None:
    guest.plug_camera(there=False)
    guest.until(lambda: "camera" in guest.faults())
    guest.write("/root/holder.py", HOLDER)
    guest.run("systemd-run --quiet --unit=holder python3 /root/holder.py")
    guest.plug_camera(there=True)
    guest.wait("journalctl -u holder -o cat | grep held")
    guest.until(lambda: "another program holds it" in str(guest.get("/api/state")["rig"]["faults"]))
    guest.run("systemctl stop holder")
    guest.until(lambda: "camera" not in guest.faults() and guest.sees())


def test_a_camera_pulled_out_is_said_and_is_back_when_it_is_in_again(guest: Guest) -> None:
    guest.plug_camera(there=False)
    guest.until(lambda: "camera" in guest.faults())
    guest.run("sleep 8")  # long enough that the pause between two tries has become 5 s
    guest.plug_camera(there=True)
    began_s = guest.now_s()
    guest.until(lambda: "camera" not in guest.faults())
    print(f"\ncamera in again to its picture: {guest.now_s() - began_s:.1f} s of the machine's own time")
    guest.until(guest.sees)
    assert guest.properties("NRestarts")["NRestarts"] == "0"  # the page itself never stopped
    guest.plug_camera(there=False)  # from here on without


def test_a_network_that_goes_and_comes_is_said(guest: Guest) -> None:
    guest.plug_network(there=False)
    guest.hear("No network: ")
    guest.plug_network(there=True)
    guest.hear("On the local network: http://10.0.2.15:8765/")
    guest.wait_page()


def test_an_address_that_changes_is_said_and_leads_to_the_page(guest: Guest) -> None:
    for address in ("10.0.2.77", None):
        line = f"On the local network: http://{address or '10.0.2.15'}:8765/  Access code: {guest.code}"
        shown = guest.console.count(line)
        guest.take_address(address)
        guest.hear(line)
        guest.until(lambda: guest.console.count(line) > shown)  # noqa: B023 -- called before the next one
        guest.wait_page()


def test_it_tells_its_watchdog_that_it_lives(guest: Guest) -> None:
    first = guest.properties("WatchdogTimestampMonotonic")
    guest.until(lambda: guest.properties("WatchdogTimestampMonotonic") != first)


def test_out_of_memory_it_is_started_again(guest: Guest) -> None:
    before = guest.properties("NRestarts")
    guest.run("systemctl set-property --runtime spotwright MemoryHigh=infinity MemoryMax=20M")
    guest.until(lambda: int(guest.properties("NRestarts")["NRestarts"]) > int(before["NRestarts"]))
    assert "oom" in guest.run("journalctl -u spotwright -o cat -n 50").lower()
    guest.run("systemctl set-property --runtime spotwright MemoryHigh=450M MemoryMax=600M")
    guest.wait_page()
    guest.until(lambda: guest.properties("ActiveState") == {"ActiveState": "active"})


@contextmanager
def _viewers(guest: Guest, count: int) -> Iterator[list[int]]:
    """So many pages that look at the picture and listen; yields how many pictures each has had."""
    shown, end = [0] * count, threading.Event()

    def look(number: int) -> None:
        with guest.events(f"viewer-{number}") as stream:
            while not end.is_set():
                stream.readline()
                shown[number] += guest.sees()

    threads = [threading.Thread(target=look, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    try:
        yield shown
    finally:
        end.set()
        for thread in threads:
            with suppress(RuntimeError):
                thread.join()

"""The service on a machine of its own: it starts by itself, is watched, comes back, and has no rights."""

from __future__ import annotations

import time
import urllib.error
import urllib.request

import pytest

from tests.machine.guest import Guest

CAMERA = "/sys/bus/platform/drivers/vivid"
DROP_IN = "/run/systemd/system/spotwright.service.d"


def test_it_starts_with_the_machine_and_serves(guest: Guest) -> None:
    print(f"\nswitched on to the page: {guest.ready_s:.0f} s without acceleration")
    assert guest.told("ActiveState", "Type") == {"ActiveState": "active", "Type": "notify"}
    with pytest.raises(urllib.error.HTTPError, match="401"):  # a stranger without the code
        urllib.request.urlopen(guest.url + "/api/state", timeout=120)
    assert guest.get("/api/state")["source"] == "camera"


def test_it_has_no_rights_and_cannot_change_its_own_program(guest: Guest) -> None:
    pid = guest.told("MainPID")["MainPID"]
    status = dict(
        line.split(":", 1) for line in guest.run(f"cat /proc/{pid}/status").splitlines() if ":" in line
    )
    assert "0" not in status["Uid"].split() + status["Gid"].split()
    assert int(status["CapEff"], 16) == int(status["CapBnd"], 16) == 0
    assert status["NoNewPrivs"].strip() == "1"
    assert status["Seccomp"].strip() == "2"  # a filter of system calls
    inside = f"nsenter --mount --target {pid} "  # as root, so that only the unit's own walls count
    for path in ("/opt/spotwright/current/bin/x", "/etc/spotwright/x", "/usr/x", "/x"):
        assert "Read-only file system" in guest.run(f"{inside} touch {path}", good=False)
    guest.run(f"{inside} touch /var/lib/spotwright/x && rm /var/lib/spotwright/x")


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
    guest.until(guest.sees)
    print(f"\ncamera in again to its picture: {time.monotonic() - began_s:.1f} s without acceleration")
    assert guest.told("NRestarts")["NRestarts"] == "0"  # the page itself never stopped


@pytest.mark.parametrize(("unit", "works"), [("", True), ("WorkingDirectory=/\nEnvironment=LG_WD=\n", False)])
def test_lgpio_can_make_its_pipe_where_it_makes_it(guest: Guest, unit: str, works: bool) -> None:
    """When it is imported, lgpio makes '.lgd-nfy…' in LG_WD, else in the working directory; without what the
    unit says of both there is no such place, for / is read-only to the service."""
    make = "import os; os.mkfifo(os.path.join(os.environ.get('LG_WD') or '.', '.lgd-nfy' + str(os.getpid())))"
    written = f'[Service]\n{unit}ExecStartPre=/opt/spotwright/current/bin/python -c "{make}"\n'
    guest.write(f"{DROP_IN}/pipe.conf", written)
    guest.run("systemctl daemon-reload; systemctl stop spotwright; systemctl reset-failed spotwright")
    guest.run("systemctl start --no-block spotwright")
    wanted = {"ActiveState": "active"} if works else {"Result": "exit-code"}
    guest.until(lambda: guest.told(*wanted) == wanted)
    guest.run(f"rm {DROP_IN}/pipe.conf; systemctl daemon-reload; systemctl restart --no-block spotwright")
    guest.until(lambda: guest.told("ActiveState")["ActiveState"] == "active")
    guest.wait_page()


@pytest.mark.parametrize("how", ["kill", "stop", "memory"])
def test_it_is_started_again(guest: Guest, how: str) -> None:
    """kill -9, a hang that the watchdog has to notice, and no memory left."""
    guest.until(lambda: guest.told("ActiveState")["ActiveState"] == "active")
    before = guest.told("NRestarts", "MainPID")
    match how:
        case "kill":
            guest.run(f"kill -9 {before['MainPID']}")
        case "stop":
            guest.run(f"kill -STOP {before['MainPID']}")
        case _:
            guest.run("systemctl set-property --runtime spotwright MemoryHigh=infinity MemoryMax=20M")
    guest.until(lambda: int(guest.told("NRestarts")["NRestarts"]) > int(before["NRestarts"]))
    if how == "memory":
        assert "oom" in guest.run("journalctl -u spotwright -o cat -n 50").lower()
        guest.run("systemctl set-property --runtime spotwright MemoryHigh=450M MemoryMax=600M")
    guest.wait_page()
    assert guest.told("MainPID") != {"MainPID": before["MainPID"]}


def test_512_mb_are_enough(guest: Guest) -> None:
    free = dict(line.split(":", 1) for line in guest.run("cat /proc/meminfo").splitlines())
    left_mb = int(free["MemAvailable"].split()[0]) // 1024
    print(f"\nmemory left with page and camera: {left_mb} MB of 512; swap: {free['SwapTotal'].strip()}")
    assert left_mb > 100
    assert "Out of memory: Killed" not in guest.run("dmesg", good=False)


def test_a_program_that_does_not_stay_up_gives_way_to_the_one_before(guest: Guest) -> None:
    before = guest.run("readlink /opt/spotwright/current")
    guest.write("/opt/spotwright/broken/bin/spotwright", "#!/bin/sh\nexit 1\n")
    guest.run("chmod 755 /opt/spotwright/broken/bin/spotwright")
    guest.run(f"systemd-run --quiet --unit=update -E SETTLE_S=1 bash {before}/switch /opt/spotwright/broken")
    guest.until(lambda: guest.run("systemctl is-failed update", good=False) == "failed")
    assert "the old one runs again" in guest.run("journalctl -u update -o cat")
    assert guest.run("readlink /opt/spotwright/current") == before
    guest.wait_page()


def test_the_program_from_before_an_update_can_be_had_again(guest: Guest) -> None:
    now = guest.run("readlink /opt/spotwright/current")
    guest.run(f"cp -al {now} /opt/spotwright/older && ln -sfn /opt/spotwright/older /opt/spotwright/previous")
    guest.run(f"systemd-run --quiet --unit=back -E SETTLE_S=1 bash {now}/switch --back")
    guest.until(lambda: guest.run("readlink /opt/spotwright/previous") == now)  # the last thing that it does
    assert guest.run("readlink /opt/spotwright/current") == "/opt/spotwright/older"
    assert guest.told("ActiveState") == {"ActiveState": "active"}
    guest.wait_page()

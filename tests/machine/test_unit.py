"""What systemd does with the service as it is installed: its sandbox, its restarts, its updates."""

from __future__ import annotations

import pytest

from tests.machine.guest import Guest

DROP_IN = "/run/systemd/system/spotwright.service.d"


def test_it_has_no_rights_and_cannot_change_its_own_program(box: Guest) -> None:
    pid = box.properties("MainPID")["MainPID"]
    status = dict(
        line.split(":", 1) for line in box.run(f"cat /proc/{pid}/status").splitlines() if ":" in line
    )
    assert "0" not in status["Uid"].split() + status["Gid"].split()
    assert int(status["CapEff"], 16) == int(status["CapBnd"], 16) == 0
    assert status["NoNewPrivs"].strip() == "1"
    assert status["Seccomp"].strip() == "2"  # a filter of system calls
    inside = f"nsenter --mount --target {pid} "  # as root, so that only the unit's own walls count
    for path in ("/opt/spotwright/current/bin/x", "/etc/spotwright/x", "/usr/x", "/x"):
        assert "Read-only file system" in box.run(f"{inside} touch {path}", good=False)
    box.run(f"{inside} touch /var/lib/spotwright/x && rm /var/lib/spotwright/x")


@pytest.mark.parametrize(("unit", "works"), [("", True), ("WorkingDirectory=/\nEnvironment=LG_WD=\n", False)])
def test_lgpio_can_make_its_pipe_where_it_makes_it(box: Guest, unit: str, works: bool) -> None:
    """When it is imported, lgpio makes '.lgd-nfy…' in LG_WD, else in the working directory; without what the
    unit says of both there is no such place, for / is read-only to the service."""
    make = "import os; os.mkfifo(os.path.join(os.environ.get('LG_WD') or '.', '.lgd-nfy' + str(os.getpid())))"
    written = f'[Service]\n{unit}ExecStartPre=/opt/spotwright/current/bin/python -c "{make}"\n'
    box.write(f"{DROP_IN}/pipe.conf", written)
    box.run("systemctl daemon-reload; systemctl stop spotwright; systemctl reset-failed spotwright")
    box.run("systemctl start --no-block spotwright")
    wanted = {"ActiveState": "active"} if works else {"Result": "exit-code"}
    box.until(lambda: box.properties(*wanted) == wanted)
    box.run(f"rm {DROP_IN}/pipe.conf; systemctl daemon-reload; systemctl restart --no-block spotwright")
    box.until(lambda: box.properties("ActiveState")["ActiveState"] == "active")
    box.wait_page()


@pytest.mark.parametrize("how", ["KILL", "STOP"])
def test_it_is_started_again(box: Guest, how: str) -> None:
    """kill -9, and a hang that the watchdog has to notice."""
    box.until(lambda: box.properties("ActiveState")["ActiveState"] == "active")
    before = box.properties("NRestarts", "MainPID")
    box.run(f"kill -{how} {before['MainPID']}")
    box.until(lambda: int(box.properties("NRestarts")["NRestarts"]) > int(before["NRestarts"]))
    box.wait_page()
    assert box.properties("MainPID") != {"MainPID": before["MainPID"]}


def test_a_program_that_does_not_stay_up_gives_way_to_the_one_before(box: Guest) -> None:
    before = box.run("readlink /opt/spotwright/current")
    box.write("/opt/spotwright/broken/bin/spotwright", "#!/bin/sh\nexit 1\n")
    box.run("chmod 755 /opt/spotwright/broken/bin/spotwright")
    box.run(f"systemd-run --quiet --unit=update -E SETTLE_S=1 bash {before}/switch /opt/spotwright/broken")
    box.until(lambda: box.run("systemctl is-failed update", good=False) == "failed")
    assert "the old one runs again" in box.run("journalctl -u update -o cat")
    assert box.run("readlink /opt/spotwright/current") == before
    box.wait_page()


def test_the_program_from_before_an_update_can_be_had_again(box: Guest) -> None:
    now = box.run("readlink /opt/spotwright/current")
    box.run(f"cp -al {now} /opt/spotwright/older && ln -sfn /opt/spotwright/older /opt/spotwright/previous")
    box.run(f"systemd-run --quiet --unit=back -E SETTLE_S=1 bash {now}/switch --back")
    box.until(lambda: box.run("readlink /opt/spotwright/previous") == now)  # the last thing that it does
    assert box.run("readlink /opt/spotwright/current") == "/opt/spotwright/older"
    assert box.properties("ActiveState") == {"ActiveState": "active"}
    box.wait_page()

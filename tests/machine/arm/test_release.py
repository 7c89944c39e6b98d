"""The release file on arm64, from end to end: removed, unpacked and installed with the commands that a person
uses on a Pi.

The last test of this machine: what it had before is gone afterwards.
"""

from __future__ import annotations

from tests.machine.arm.guest import RELEASE, ArmGuest

# as docs/install.md says under "What the installer does"
REMOVE = (
    "systemctl disable --now spotwright; rm -r /etc/default/spotwright /etc/spotwright /var/lib/spotwright "
    "/opt/spotwright /etc/systemd/system/spotwright.service /usr/local/bin/spotwright"
)
_PATIENCE_S = 3000.0  # pip under emulation on a loaded machine


def test_it_is_removed_and_installed_anew_and_its_page_answers(pi: ArmGuest) -> None:
    pi.plug_network(there=True)
    pi.run(REMOVE)
    pi.run("systemctl daemon-reload; ! systemctl cat spotwright")
    _do(pi, "unpack", f"mkdir /srv/release; cd /srv/release; tar xzf {RELEASE} --strip-components=1")
    _do(pi, "install", "exec bash /srv/release/install.sh")
    said = pi.run("journalctl -u install -o cat")
    assert "== whether the new one answers" in said
    assert "Running. What is well and what is not:  sudo spotwright doctor" in said
    assert pi.properties("ActiveState", "User") == {"ActiveState": "active", "User": "spotwright"}
    pi.wait_page()
    pi.learn_code()
    assert f"Access code: {pi.code}" in said  # as its owner reads it there
    assert pi.get("/api/state")["readings"] == []


def _do(pi: ArmGuest, name: str, command: str) -> None:
    """Run a command that takes longer than the tests' connection waits; it has to end well."""
    pi.run(f"systemd-run --quiet --unit={name} --property=RemainAfterExit=yes bash -c '{command}'")
    pi.until(lambda: _state(pi, name) != "running", _PATIENCE_S)
    assert _state(pi, name) == "exited", pi.run(f"journalctl -u {name} -o cat")


def _state(pi: ArmGuest, name: str) -> str:
    return pi.run(f"systemctl show --property=SubState --value {name}")

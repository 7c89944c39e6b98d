"""What the console says about this machine's address on the local network."""

from __future__ import annotations

import ipaddress
import socket
from threading import Event

import pytest

from server.pages.serve import _there, _welcome
from server.rig.own_address import AddressNotice, own_address


def test_each_change_is_said_once_and_the_address_at_the_start_is_not() -> None:
    said: list[str | None] = []
    seen: list[str | None] = [None, None, "192.0.2.7", "192.0.2.7", None, "192.0.2.9"]
    notice = AddressNotice(said.append, find=lambda: seen[0])
    while seen[1:]:
        seen.pop(0)
        notice.look()
        assert notice.address == seen[0]
    assert said == ["192.0.2.7", None, "192.0.2.9"]


def test_it_looks_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.rig.own_address.LOOK_EVERY_S", 0.0)
    reported, found = Event(), iter([None, None])
    notice = AddressNotice(lambda _: reported.set(), find=lambda: next(found, "192.0.2.7"))
    notice.start()
    assert reported.wait(60)
    notice.stop()
    assert notice.address == "192.0.2.7"


def test_a_network_that_leads_nowhere_has_an_address_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Such as the Wi-Fi that a rig makes itself: no route to anywhere else, but a device with an address."""
    pytest.importorskip("fcntl")

    class Routeless(socket.socket):
        def connect(self, _: object) -> None:
            raise OSError(101, "Network is unreachable")

    monkeypatch.setattr("server.rig.own_address.socket.socket", Routeless)
    found = own_address()
    assert found is None or not ipaddress.ip_address(found).is_loopback
    monkeypatch.setattr("server.rig.own_address.socket.if_nameindex", lambda: [(1, "lo"), (2, "none-such")])
    assert own_address() is None


def test_what_is_said_and_spelled_of_it() -> None:
    assert _there("192.0.2.7", 8765) == "On the local network: http://192.0.2.7:8765/"
    assert "192.0.2.7:8000/  Access code: abcd" in _there("192.0.2.7", 8000, "abcd")
    assert _there(None, 8765).startswith("No network: the address is said here")
    assert _welcome("192.0.2.7", 8765, "abcd") == "192.0.2.7 abcd"
    assert _welcome("192.0.2.7", 8000, "abcd") == "192.0.2.7:8000 abcd"
    assert _welcome(None, 8765, "abcd") is None

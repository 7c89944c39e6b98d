"""This machine's address on the local network, and saying it on the console when it comes or changes."""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable

from server.rig.background import Background

__all__ = ["AddressNotice", "own_address"]

LOOK_EVERY_S = 5.0
_SIOCGIFADDR = 0x8915  # the IPv4 address of a network device, netdevice(7)


class AddressNotice(Background):
    """Looks at the address every few seconds, and says each new one, or None when the network has gone.

    ``address`` is what was seen last; the one at the start is not said. find : returns the address.
    """

    def __init__(
        self, say: Callable[[str | None], object], *, find: Callable[[], str | None] | None = None
    ) -> None:
        super().__init__("address-notice")
        self._say, self._find = say, find or own_address
        self.address = self._find()

    def look(self) -> None:
        """Look once."""
        found = self._find()
        if found != self.address:
            self.address = found
            self._say(found)

    def _run(self) -> None:
        while not self._end.wait(LOOK_EVERY_S):
            self.look()


def own_address() -> str | None:
    """Return this machine's IPv4 address on the local network, None without one; nothing is sent to find it.

    Of several it is the one towards the internet. A network that leads nowhere, such as one that this machine
    makes itself, is found on Linux only.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: only picks the route
            return str(probe.getsockname()[0])
        except OSError:
            return _of_a_device(probe)


def _of_a_device(probe: socket.socket) -> str | None:
    try:
        from fcntl import ioctl
    except ImportError:  # no Unix
        return None
    for _, name in socket.if_nameindex():
        try:
            answer = ioctl(probe, _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
        except OSError:  # it has none
            continue
        address = socket.inet_ntoa(answer[20:24])
        if not address.startswith("127."):
            return address
    return None

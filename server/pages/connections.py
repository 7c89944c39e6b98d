"""The listening server. Its limits keep strangers from taking all connections, and from keeping them.

waitress limits only the number of connections: a client that opens them all keeps everybody else out as long
as it sends a byte now and then. Here a connection belongs to a stranger until a request on it has shown the
access code (or, without a code, until a whole request has come). All strangers together have only a few
connections; when there are too many, the oldest one of the address that holds the most is closed. A
stranger's request has to arrive within seconds, and may be no longer than a form.
"""

from __future__ import annotations

import copy
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import TcpWSGIServer

__all__ = ["Admits", "Server"]

MOST, MOST_STRANGERS, MOST_OF_ADDRESS = 400, 128, 32
REQUEST_S = 10.0  # the time that a stranger has to send a request
ANSWER_S = 30.0  # the time that a stranger has to take the answer
IDLE_S = 15.0  # any connection is closed after so long without a byte either way
STRANGER_BODY = 100_000
TURN_S = 10.0  # the loop runs every second; if it has not run for so long, it hangs
QUEUE_S = 60.0  # if no worker takes a request for so long, all of them hang

# address, value of a header → whether the request may come in
Admits = Callable[[str, Callable[[str], str]], bool | None]


class _Request(HTTPRequestParser):  # type: ignore[misc]
    """Has its connection judge the headers as soon as they are there, before any of the body."""

    def __init__(self, connection: Connection, adj: Adjustments) -> None:
        super().__init__(adj)
        self._connection = connection

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers; limit the body of a stranger's request."""
        super().parse_header(header_plus)
        self._connection.judge(self.headers)
        if not self._connection.known:
            self.adj = self._connection.server.for_strangers


class Connection(HTTPChannel):  # type: ignore[misc]
    """One connection. ``known``: whether its newest request may come in; if not, it is a stranger's."""

    known = False

    def __init__(self, server: Server, sock: Any, addr: Any, adj: Adjustments, map: Any = None) -> None:
        super().__init__(server, sock, addr, adj, map=map)
        self.parser_class = partial(_Request, self)
        self.began_s = self.moved_s = server.clock()

    def judge(self, headers: dict[str, str]) -> None:
        """Note whether the request with these headers may come in."""
        address = str(self.addr[0])
        if self.adj.trusted_proxy == address:
            address = headers.get("X_FORWARDED_FOR", address).rpartition(",")[2].strip()

        def header(name: str) -> str:
            return headers.get(name.upper().replace("-", "_"), "")

        self.known = bool(self.server.admits(address, header))

    def received(self, data: bytes) -> bool:
        """Take the bytes that have come."""
        self.moved_s = self.server.clock()
        return bool(super().received(data))

    def handle_write(self) -> None:
        """Send more of the answer."""
        waiting = self.total_outbufs_len
        super().handle_write()
        if self.total_outbufs_len < waiting:
            self.moved_s = self.server.clock()

    def service(self) -> None:
        """Answer one request; from then on counts the time for the next."""
        super().service()
        self.began_s = self.moved_s = self.server.clock()

    def overdue(self, now_s: float) -> bool:
        """Whether to close it."""
        if self.requests:
            return False
        if now_s - self.moved_s > IDLE_S:
            return True
        return not self.known and now_s - self.began_s > (ANSWER_S if self.total_outbufs_len else REQUEST_S)


class Server(TcpWSGIServer):  # type: ignore[misc]
    """waitress's server with these limits.

    admits : whether a request may come in, by its address and headers. options : waitress's own.
    Raises OSError where the port is taken.
    """

    channel_class = Connection

    def __init__(
        self, app: Any, *, admits: Admits, clock: Callable[[], float] = time.monotonic, **options: Any
    ) -> None:
        self.admits, self.clock = admits, clock
        self.turned_s = self._swept_s = clock()
        self._first: tuple[object, float] = (None, clock())
        adj = Adjustments(asyncore_use_poll=True, connection_limit=10**6, **options)
        self.for_strangers = copy.copy(adj)
        self.for_strangers.max_request_body_size = STRANGER_BODY
        self._most_of_address = MOST_STRANGERS if adj.trusted_proxy else MOST_OF_ADDRESS
        super().__init__(app, adj=adj)

    def alive(self) -> bool:
        """Whether the loop goes round and workers take requests; sends no request to find out."""
        now_s = self.clock()
        task, since_s = self._first
        return now_s - self.turned_s < TURN_S and (task is None or now_s - since_s < QUEUE_S)

    def readable(self) -> bool:
        """Whether to listen; the loop asks in each round."""
        self.turned_s = now_s = self.clock()
        if now_s - self._swept_s >= 1.0:
            self._swept_s = now_s
            self._sweep(now_s)
        return bool(self.accepting)

    def handle_accept(self) -> None:
        """Take a new connection, and close one where there are too many."""
        before = set(self.active_channels.values())
        super().handle_accept()
        for new in set(self.active_channels.values()) - before:
            self._make_room(new)

    def _sweep(self, now_s: float) -> None:
        for connection in list(self.active_channels.values()):
            if connection.overdue(now_s):
                connection.will_close = True
        queue = self.task_dispatcher.queue
        first = queue[0] if queue else None
        if first is not self._first[0]:
            self._first = first, now_s

    def _make_room(self, new: Connection) -> None:
        """Mark the connection to be closed; the loop closes it in its next round."""
        open_ = [c for c in self.active_channels.values() if not c.will_close]
        strangers = [c for c in open_ if not c.known]
        share = Counter(c.addr[0] for c in strangers)
        crowd = new.addr[0] if share[new.addr[0]] > self._most_of_address else None
        if len(strangers) > MOST_STRANGERS or (strangers and len(open_) > MOST):
            crowd = share.most_common(1)[0][0]
        if crowd is not None:
            waiting = [c for c in strangers if c.addr[0] == crowd and not c.requests]
            min(waiting, key=lambda c: c.began_s, default=new).will_close = True
        elif len(open_) > MOST:
            new.will_close = True

"""Strangers on the network: hundreds of idle connections, and wrong codes; can the owner still come in?

    .venv/bin/python -m tests.bench.rig_strangers

Aims: the page answers within 1 s beside 205 idle connections, and the watchdog hears every beat; the right
code is accepted 60 of 60 times while another address, and another device at the same address, tries wrong
ones. The first table also shows plain waitress with the same app behind it. Loopback only: the strangers are
at 127.0.0.9, or at the same address as the owner.
"""

from __future__ import annotations

import argparse
import http.client
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

from tests.bench.rig_common import Program

PERIOD_S = 1.0  # between beats
OWNER = "127.0.0.1"
PLAIN = """
import sys, waitress
from pathlib import Path
from server.pages import Config, create_app
app = create_app(Config(Path(sys.argv[1]), code="abcd-efgh"))
waitress.serve(app, host="127.0.0.1", port=int(sys.argv[2]), threads=36, connection_limit=200, _quiet=True)
"""


class Systemd:
    """Receives what the program reports to systemd."""

    def __init__(self, folder: Path) -> None:
        self._wire = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._wire.bind(str(folder / "notify"))
        self.beats: list[float] = []
        os.environ["NOTIFY_SOCKET"] = str(folder / "notify")
        os.environ["WATCHDOG_USEC"] = str(int(3e6 * PERIOD_S))
        threading.Thread(target=self._hear, daemon=True).start()

    def summary(self, heard: int, began_s: float, lasted_s: float) -> str:
        """Return how many beats came since, how many whole periods that were, and the longest silence."""
        new = self.beats[heard:]
        moments = [began_s, *new, began_s + lasted_s]
        silence_s = max(later - former for former, later in pairwise(moments))
        return f"{len(new)} of {int(lasted_s / PERIOD_S)}, silent for {silence_s:.2f} s at most"

    def _hear(self) -> None:
        while True:
            if self._wire.recv(1000) == b"WATCHDOG=1":
                self.beats.append(time.monotonic())


def ask(port: int, path: str, *, method: str = "GET", body: str = "", at: str = OWNER, **headers: str) -> int:
    """Return the status; 0 if no answer came within 20 s."""
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=20, source_address=(at, 0))
    try:
        wire.request(method, path, body, headers)
        return wire.getresponse().status
    except OSError:
        return 0
    finally:
        wire.close()


@contextmanager
def strangers(port: int, count: int, kind: str, at: str) -> Iterator[None]:
    """Hold that many connections of a kind: silent, a byte now and then, or opened again when they end."""
    stop = threading.Event()
    wires: list[socket.socket] = []

    def connect() -> socket.socket:
        wire = socket.socket()
        wire.bind((at, 0))
        wire.settimeout(5)
        wire.connect(("127.0.0.1", port))
        return wire

    def crowd() -> None:
        for _ in range(count):
            try:
                wires.append(connect())
            except OSError:
                break
        ready.set()
        while not stop.wait(0.2):
            for index, wire in enumerate(wires):
                try:
                    if kind != "silent":
                        wire.sendall(b"G")
                except OSError:
                    wire.close()
                    if kind == "come back":
                        wires[index] = connect()

    ready = threading.Event()
    thread = threading.Thread(target=crowd, daemon=True)
    thread.start()
    ready.wait(60)
    yield
    stop.set()
    thread.join(30)
    for wire in wires:
        wire.close()


def idle(port: int, code: str, seconds: float, kind: str, at: str, systemd: Systemd | None) -> str:
    times_s, good = [], 0
    with strangers(port, 205, kind, at):
        began_s = time.monotonic()
        heard = len(systemd.beats) if systemd else 0
        while time.monotonic() - began_s < seconds:
            asked_s = time.monotonic()
            good += ask(port, "/api/state", Authorization=f"Bearer {code}") == 200
            times_s.append(time.monotonic() - asked_s)
            time.sleep(0.1)
        lasted_s = time.monotonic() - began_s
    beats = systemd.summary(heard, began_s, lasted_s) if systemd else "-"
    times_s.sort()
    return f"{good:4d} of {len(times_s):<4d} {times_s[len(times_s) // 2]:9.3f} {times_s[-1]:9.3f}   {beats}"


def guessed(port: int, code: str, at: str, tries: int) -> str:
    """Try the right code as a browser does, on a new device each time, while others try wrong ones."""
    stop, wrong = threading.Event(), [0]

    def guess() -> None:
        agent = {"User-Agent": "guesser", "Content-Type": "application/x-www-form-urlencoded"}
        while not stop.is_set():
            ask(port, "/door", method="POST", body=f"code=no{wrong[0]}", at=at, **agent)
            ask(port, "/api/state", at=at, Authorization=f"Bearer no{wrong[0]}", **agent)
            wrong[0] += 2

    thread = threading.Thread(target=guess, daemon=True)
    thread.start()
    while wrong[0] < 30:
        time.sleep(0.05)
    accepted = sum(gives_code(port, code) for _ in range(tries))
    program = {"Authorization": f"Bearer {code}", "X-Spotwright-Device": "own rig"}
    rig = sum(ask(port, "/api/state", **program) == 200 for _ in range(tries))
    stop.set()
    thread.join(30)
    return f"{accepted:4d} of {tries}      {rig:4d} of {tries}      {wrong[0]}"


def gives_code(port: int, code: str) -> bool:
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    wire.request("GET", "/door")
    answer = wire.getresponse()
    answer.read()
    cookie = (answer.getheader("Set-Cookie") or "").partition(";")[0]
    headers = {"Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded"}
    wire.request("POST", "/door", f"code={code}", headers)
    status = wire.getresponse().status
    wire.close()
    return status == 302


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--port", type=int, default=8941)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        systemd = Systemd(folder)
        program = Program(folder / "data", "--lan", port=chosen.port)
        try:
            while ask(chosen.port, "/door") != 200:
                time.sleep(0.1)
            code = (folder / "data" / "access-code").read_text().strip()
            print("205 connections that are      at          answered    median s   worst s   beats heard")
            for kind in ("silent", "a byte", "come back"):
                for at in (OWNER, "127.0.0.9"):
                    row = idle(chosen.port, code, chosen.seconds, kind, at, systemd)
                    print(f"{kind:29} {at:11} {row}", flush=True)
            peer(folder, chosen.port + 1, chosen.seconds)
            print("\nwrong codes from            browser accepted  rig accepted   wrong ones meanwhile")
            for name, at in (("another address", "127.0.0.9"), ("another device, same address", OWNER)):
                print(f"{name:29} {guessed(chosen.port, code, at, 60)}", flush=True)
        finally:
            program.kill()


def peer(folder: Path, port: int, seconds: float) -> None:
    process = subprocess.Popen([sys.executable, "-c", PLAIN, str(folder / "peer"), str(port)])
    try:
        while ask(port, "/door") != 200:
            time.sleep(0.1)
        row = idle(port, "abcd-efgh", seconds, "silent", OWNER, None)
        print(f"{'silent, waitress as it comes':29} {OWNER:11} {row}", flush=True)
    finally:
        process.kill()
        process.wait()


if __name__ == "__main__":
    main()

"""Many viewers on the bench page at once: how late the newest offset is, and whether memory stays flat.

``python tests/bench/viewers.py [VIEWERS] [SECONDS]`` (20 viewers, 600 s). Each viewer holds an event stream
and fetches pictures as the page does; another saves an offset every two seconds and notes when each has it.
"""

from __future__ import annotations

import http.client
import json
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any
from uuid import uuid4

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.browser.conftest import Server  # noqa: E402

PERIOD_S, FRAME_S, SEED = 2.0, 0.5, 1


class Viewer(threading.Thread):
    """Reads one stream, and a picture every half second beside it."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self.port, self.number, self.seen = port, number, dict[int, float]()
        self.pictures = 0
        threading.Thread(target=self._look, daemon=True).start()

    def run(self) -> None:
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        wire.request("GET", f"/api/events?of=bench&tab=viewer{self.number}")
        answer = wire.getresponse()
        while line := answer.readline():
            if line.startswith(b"data: "):
                state = json.loads(line[6:])
                self.seen.setdefault(len(state["readings"]), time.monotonic())

    def _look(self) -> None:
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        while True:
            wire.request("GET", "/api/frame.jpg")
            self.pictures += len(wire.getresponse().read()) > 0
            time.sleep(FRAME_S)


def post(port: int, action: str, body: dict[str, Any]) -> None:
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    wire.request("GET", "/api/state?of=bench")
    named = {"step": json.load(wire.getresponse())["step"], "key": uuid4().hex}
    wire.request(
        "POST", f"/api/do/bench/{action}", json.dumps(body | named), {"Content-Type": "application/json"}
    )
    answer = wire.getresponse()
    assert answer.status == 200, answer.read()
    answer.read()


def memory_mb(process: int) -> float:
    text = Path(f"/proc/{process}/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024


def run(server: Server, count: int, seconds: float) -> None:
    viewers = [Viewer(server.port, number) for number in range(count)]
    for viewer in viewers:
        viewer.start()
    post(server.port, "acknowledge", {})
    time.sleep(3)
    late, start, saved, sizes = list[float](), time.monotonic(), 0, list[float]()
    place = {"station": "mirror-1", "head_mm": [0, 1000]}
    while time.monotonic() - start < seconds:
        if saved == 25:  # a step costs more in a longer alignment: begin a new one, as a person would
            post(server.port, "restart", {"seed": SEED})
            post(server.port, "acknowledge", {})
            time.sleep(PERIOD_S)
            saved = 0
            for viewer in viewers:
                viewer.seen.clear()
        post(server.port, "typed", {**place, "offset_mm": [0.1 * (saved % 5), 0.2]})
        done, saved = time.monotonic(), saved + 1
        time.sleep(PERIOD_S)
        late += [viewer.seen[saved] - done for viewer in viewers if saved in viewer.seen]
        missing = sum(saved not in viewer.seen for viewer in viewers)
        late += [float("inf")] * missing
        sizes.append(memory_mb(server.process.pid))
    table(late, sizes, viewers, seconds)


def table(late: list[float], sizes: list[float], viewers: list[Viewer], seconds: float) -> None:
    print(f"viewers {len(viewers)}, {seconds:.0f} s, offsets seen {len(late)}")
    print(f"late by: median {statistics.median(late):.3f} s, worst {max(late):.3f} s (to reach: 0.3 s)")
    tenths = [sizes[len(sizes) * part // 10] for part in range(10)] + sizes[-1:]
    print("memory, MB, by tenths of the time:", " ".join(f"{size:.0f}" for size in tenths))
    print(f"pictures: {sum(viewer.pictures for viewer in viewers) / seconds:.0f} a second in all")


def _quiet(what: threading.ExceptHookArgs) -> None:
    """Viewers end with the server; anything else is shown."""
    if not isinstance(what.exc_value, (OSError, http.client.HTTPException)):
        threading.__excepthook__(what)


if __name__ == "__main__":
    threading.excepthook = _quiet
    with tempfile.TemporaryDirectory() as folder:
        running = Server(Path(folder), SEED)
        try:
            run(running, int((sys.argv[1:] or ["20"])[0]), float((sys.argv[2:] or ["600"])[0]))
        finally:
            running.kill()

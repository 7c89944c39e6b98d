"""The first visit of a phone: bytes over the network, and seconds until the large button can be pressed.

``python tests/bench/first_visit.py``: Chromium at 390 × 844, CPU four times slower, 'fast 3G' (150 ms round
trip, 1.6 Mbit/s down, 0.75 Mbit/s up: the throttling preset of Chromium's developer tools, from memory).
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.browser.conftest import QUIET, Server, chromium_path  # noqa: E402

ROUND_TRIP_MS, DOWN_BPS, UP_BPS, SLOWER = 150, 1.6e6 / 8, 0.75e6 / 8, 4
PAGES = ("/", "/offline", "/log", "/laser")


def visit(server: Server, path: str) -> tuple[float, float, int]:
    """Return the seconds until the large button (or the end of the page), and kB and requests until then."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(QUIET))
        page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
        wire = page.context.new_cdp_session(page)
        wire.send("Network.enable")
        speed = {"latency": ROUND_TRIP_MS, "downloadThroughput": DOWN_BPS, "uploadThroughput": UP_BPS}
        wire.send("Network.emulateNetworkConditions", {"offline": False, **speed})
        wire.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        received = list[float]()
        wire.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
        start = time.monotonic()
        page.goto(server.url + path, wait_until="commit")
        page.locator("#primary, .reading h1").first.wait_for()
        seconds = time.monotonic() - start
        page.wait_for_timeout(1000)
        result = seconds, sum(received) / 1000, len(received)
        browser.close()
        return result


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        running = Server(Path(folder), 1)
        print("page       usable s   kB (1 s later)   requests     (to reach: 1.5 s, 150 kB)")
        for path in PAGES:
            seconds, kilobytes, count = visit(running, path)
            print(f"{path:10} {seconds:8.2f} {kilobytes:12.0f} {count:12}")
        running.kill()

"""How old the mark on the page is: from the frame's time to its arrival at the page, at 15 frames a second.

    .venv/bin/python -m tests.bench.rig_latency --seconds 60             # a viewer that reads the stream
    .venv/bin/python -m tests.bench.rig_latency --seconds 60 --browser   # Chromium, when its text has changed

The practice camera's frames have monotonic times, which the stream passes on. The served program (and its
children) may use one core only; the viewer uses the other. Aim: 2 frame intervals (133 ms) at the median, 4
(267 ms) at 99 %.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

from tests.bench.rig_common import Program, events, percentile

INTERVAL_MS = 1000 / 15
WATCH = """() => {
  window.ages = [];
  const line = document.querySelector("#live");
  new MutationObserver(() => {
    if (line.dataset.taken) window.ages.push(Date.now() - Number(line.dataset.taken));
  }).observe(line, { attributes: true, attributeFilter: ["data-taken"] });
}"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--browser", action="store_true")
    parser.add_argument("--port", type=int, default=8931)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        program = Program(Path(place) / "data", port=chosen.port, core=0)
        try:
            program.wait_ready()
            program.do("acknowledge")
            program.do("hang", program.get("/api/state")["primary"]["body"])
            program.do("pulse")
            ages_ms = (in_browser if chosen.browser else in_stream)(program, chosen.seconds)
        finally:
            program.kill()
    show(ages_ms, chosen.seconds, "Chromium" if chosen.browser else "stream")


def in_stream(program: Program, seconds: float) -> list[float]:
    ages_ms: list[float] = []
    stop, until_s = threading.Event(), time.monotonic() + seconds
    for name, data in events(program, "bench", stop):
        if name == "live" and data is not None:
            ages_ms.append(1000 * (time.monotonic() - data["taken_s"]))
        if time.monotonic() > until_s:
            break
    return ages_ms


def in_browser(program: Program, seconds: float) -> list[float]:
    import shutil

    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        path = shutil.which("chromium")
        browser = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(program.url)
        page.wait_for_selector("#live:not([hidden])")
        page.evaluate(WATCH)
        time.sleep(seconds)
        ages_ms: list[float] = page.evaluate("() => window.ages")
        browser.close()
    return ages_ms


def show(ages_ms: list[float], seconds: float, viewer: str) -> None:
    print("viewer     frames   a second   median ms   99 % ms   worst ms   intervals: median   99 %")
    middle, most = percentile(ages_ms, 50), percentile(ages_ms, 99)
    print(
        f"{viewer:<9}  {len(ages_ms):6d}   {len(ages_ms) / seconds:8.1f}   {middle:9.1f}   {most:7.1f}   "
        f"{max(ages_ms):8.1f}   {middle / INTERVAL_MS:17.2f}   {most / INTERVAL_MS:4.2f}"
    )


if __name__ == "__main__":
    main()

"""Take the pictures of the pages in this folder: ``python docs/pictures/screens.py`` (needs Chromium).

Plays one practice laser by its primary button and photographs what a person sees on the way.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.browser.conftest import QUIET, Server, chromium_path  # noqa: E402
from tests.browser.test_practice import LET_GO_AT_STOP, play, press  # noqa: E402

SIZES = {"phone": (390, 844), "desk": (1280, 800)}
LIMIT_BYTES = 200_000
SEED = 3
DRAWN = """() => Promise.all([...document.images].filter((image) => image.loading !== "lazy")
  .map((image) => image.decode().catch(() => null)))"""


def take(page: Page, name: str) -> None:
    """Write the picture as a PNG of at most 256 colours, at both sizes."""
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate("scrollTo(0, 0)")
        page.wait_for_timeout(900)
        page.evaluate(DRAWN)
        _write(page.screenshot(), HERE / f"{name}-{size}.png")


def _write(png: bytes, path: Path) -> None:
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    for colours in (256, 128, 64):
        picture.quantize(colours, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(
            path, optimize=True
        )
        if path.stat().st_size <= LIMIT_BYTES:
            break
    print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


def bench(page: Page, server: Server) -> None:
    """Cautions, hang, pulse, turn, landing, done; then bed and log."""
    page.goto(server.url)
    take(page, "bench-cautions")
    press(page)
    take(page, "bench-hang")
    press(page)
    take(page, "bench-pulse")
    play(page, until=lambda done: page.locator("body").get_attribute("data-now") == "turn")
    take(page, "bench")
    left_hand(page)
    hold(page)
    play(page, until=lambda done: page.locator("#landing").is_visible())
    page.wait_for_timeout(300)
    take(page, "bench-landing")
    play(page)
    take(page, "bench-done")
    page.goto(f"{server.url}/bed")
    take(page, "bed")
    upkeep(page, server)


def left_hand(page: Page) -> None:
    """The controls on the other side, and back."""
    for hand in ("left", "right"):
        page.request.post(page.url + "api/device", data={"hand": hand})
        page.reload()
        page.locator("#primary").wait_for()
        if hand == "left":
            take(page, "bench-left-hand")


def hold(page: Page) -> None:
    """The screw in the hand, until the page says stop."""
    page.set_viewport_size({"width": 390, "height": 844})
    watch = page.get_by_role("button", name="To watch the mark")
    if watch.count():
        watch.click()
        watch.wait_for(state="detached")
    page.evaluate(LET_GO_AT_STOP)
    page.locator("#holds .asked").hover()
    page.mouse.down()
    page.locator("body:not([data-holding])").wait_for()
    page.mouse.up()
    take(page, "bench-held")


def upkeep(page: Page, server: Server) -> None:
    """Test cuts of the alignment, its report, and a reminder on the log page."""
    cut = {"material": "birch plywood", "thickness_mm": "4", "speed_mm_s": "12", "power_percent": "60"}
    for stage, place, through in (
        ("before", "near", "true"),
        ("before", "far", "false"),
        ("after", "far", "true"),
    ):
        sent = cut | {"stage": stage, "place": place, "through": through}
        page.request.post(f"{server.url}/log/1/cut", form=sent)
    laser = {"laser": "practice 1600"}
    page.request.post(f"{server.url}/log/hours", form=laser | {"hours": "1200"})
    page.request.post(
        f"{server.url}/log/reminder",
        form=laser | {"what": "clean mirrors and lens", "every_days": "30", "every_hours": "40"},
    )
    page.request.post(f"{server.url}/log/upkeep", form=laser | {"what": "tube changed", "hours": "1201"})
    page.request.post(f"{server.url}/log/hours", form=laser | {"hours": "1243"})
    page.goto(f"{server.url}/log")
    take(page, "log")
    page.goto(f"{server.url}/log/1")
    take(page, "alignment")
    page.goto(f"{server.url}/log/1/report")
    take(page, "report")


def offline(page: Page, server: Server) -> None:
    """The forms, and a file that is no picture."""
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    page.locator("#entry").wait_for()
    take(page, "offline")
    page.set_input_files("input[name=after]", str(HERE / "screens.py"))
    page.click("#photo-form button[type=submit]")
    page.locator("#trouble").wait_for()
    take(page, "offline-error")


def empty(page: Page, server: Server) -> None:
    """Before anything was read."""
    for name in ("log", "bed", "offline"):
        page.goto(f"{server.url}/{name}")
        take(page, f"{name}-empty")


def other(page: Page, server: Server) -> None:
    """Pages that need no alignment, what was refused, and a server that has gone."""
    for name in ("checks", "laser", "cautions"):
        page.goto(f"{server.url}/{name}")
        take(page, name)
    page.goto(f"{server.url}/laser/new")
    take(page, "setup")
    page.goto(f"{server.url}/laser")
    page.fill("textarea", "bed = 1")
    page.click("button.primary")
    page.locator(".trouble").wait_for()
    take(page, "laser-error")
    page.goto(f"{server.url}/log/99")
    take(page, "not-found")
    page.goto(server.url)
    server.kill()
    page.locator("#trouble").wait_for()
    take(page, "bench-no-connection")


def sign_in(page: Page, server: Server) -> None:
    """Where the access code is asked for, and a wrong one."""
    page.goto(server.url)
    page.fill("input[name=code]", "not this")
    page.click("button[type=submit]")
    page.locator(".trouble").wait_for()
    take(page, "sign-in")


def _all(browser: Browser, folder: Path) -> None:
    server = Server(folder / "data", SEED)
    page = browser.new_page()
    page.set_default_timeout(60_000)
    empty(page, server)
    bench(page, server)
    offline(page, server)
    other(page, server)
    locked = Server(folder / "locked", SEED, "abcd-efgh")
    sign_in(page, locked)
    locked.kill()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium_path(), args=list(QUIET))
        _all(running, Path(folder))
        running.close()

"""WCAG 2.2 A and AA on every page, judged by axe-core (Deque, MPL-2.0), at both sizes and in each state.

axe-core comes from npm when testing: ``npm install axe-core`` in the checkout, or its file named in AXE_CORE.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import ROOT, Server
from tests.browser.test_practice import play

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
SIZES = [(390, 844), (1280, 800)]
PAGES = [
    "/offline",
    "/bed",
    "/checks",
    "/log",
    "/log/1",
    "/log/1/report",
    "/laser",
    "/laser/new",
    "/cautions",
    "/nothing",
]


@pytest.fixture(scope="module")
def axe() -> str:
    path = Path(os.environ.get("AXE_CORE", ROOT / "node_modules/axe-core/axe.min.js"))
    if not path.exists():
        pytest.skip("no axe-core here: npm install axe-core, or name its axe.min.js in AXE_CORE")
    return path.read_text("utf-8")


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(bypass_csp=True)  # the policy would rightly keep the judge out
    yield context.new_page()
    context.close()


def complaints(page: Page, axe: str) -> list[str]:
    page.evaluate(axe)
    found = []
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        result = page.evaluate("rules => axe.run(document, {runOnly: rules})", RULES)
        for fault in result["violations"]:
            found += [f"{fault['id']} at {width}: {node['html'][:120]}" for node in fault["nodes"]]
    return found


def test_no_page_has_a_barrier(serve: Callable[[int], Server], page: Page, axe: str) -> None:
    server = serve(1)
    page.goto(server.url)
    found = {"cautions": complaints(page, axe)}
    play(page, until=lambda done: "turn" in done)
    for panel in page.locator("details").all():
        panel.locator("summary").click()
    found["bench, all open"] = complaints(page, axe)
    play(page, until=lambda _: page.locator("#holds").is_visible())
    if page.get_by_role("button", name="To watch the mark").count():
        page.get_by_role("button", name="To watch the mark").click()
    page.locator("#holds .asked").focus()
    page.keyboard.down("Space")
    page.locator("#way").wait_for()
    page.keyboard.up("Space")
    found["bench, screw held"] = complaints(page, axe)
    cut: dict[str, str | float | bool] = {
        "material": "plywood",
        "thickness_mm": "4",
        "speed_mm_s": "12",
        "power_percent": "60",
    }
    page.request.post(
        f"{server.url}/log/1/cut", form=cut | {"stage": "before", "place": "far", "through": "no"}
    )
    again: dict[str, str | float | bool] = {
        "laser": "practice 1600",
        "what": "clean the lens",
        "every_days": "1",
    }
    page.request.post(f"{server.url}/log/reminder", form=again)
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    expect(page.locator("#entry")).to_be_visible()
    for path in PAGES:
        page.goto(server.url + path)
        page.evaluate("document.querySelectorAll('details').forEach(panel => panel.open = true)")
        found[path] = complaints(page, axe)
    assert {place: faults for place, faults in found.items() if faults} == {}

"""WCAG 2.2 A and AA on every page, judged by axe-core (Deque, MPL-2.0), at both sizes and in each state.

axe-core comes from npm when testing: ``npm install axe-core`` in the checkout, or its file named in AXE_CORE.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import ROOT, Server, Window
from tests.browser.test_practice import ahead, ahead_to_a_screw

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
SIZES = [(390, 844), (1280, 800)]
EMPTY = [
    "/offline",
    "/bed",
    "/log",
    "/laser",
    "/laser/new",
    "/checks",
    "/today",
    "/today/weak-far",
    "/cautions",
    "/nothing",
]
FULL = ["/bed", "/log", "/log/1", "/log/1/report"]
# what is well is not described: half the time, the same faults
JUDGE = 'rules => axe.run(document, { runOnly: rules, reporter: "no-passes" })'
Form = dict[str, str | float | bool]
CUT: Form = {"material": "plywood", "thickness_mm": "4", "speed_mm_s": "12", "power_percent": "60"}


@pytest.fixture(scope="module")
def axe() -> str:
    path = Path(os.environ.get("AXE_CORE", ROOT / "node_modules/axe-core/axe.min.js"))
    if not path.exists():
        pytest.skip("no axe-core here: npm install axe-core, or name its axe.min.js in AXE_CORE")
    return path.read_text("utf-8")


class Judge:
    """Looks at a page as it is, all panels open, at both sizes; remembers what it found, by state."""

    def __init__(self, page: Page, axe: str) -> None:
        self._page, self._axe = page, axe
        self.found: dict[str, list[str]] = {}

    def look(self, state: str) -> None:
        self._page.evaluate("document.querySelectorAll('details').forEach(panel => panel.open = true)")
        if not self._page.evaluate("Boolean(globalThis.axe)"):
            self._page.evaluate(self._axe)
        faults = self.found[state] = list[str]()
        for width, height in SIZES:
            self._page.set_viewport_size({"width": width, "height": height})
            result = self._page.evaluate(JUDGE, RULES)
            for fault in result["violations"]:
                faults += [f"{fault['id']} at {width}: {node['html'][:120]}" for node in fault["nodes"]]
            if self._page.evaluate("document.documentElement.scrollWidth > innerWidth"):
                faults.append(f"wider than the screen at {width}")

    def visit(self, server: Server, paths: list[str], words: str) -> None:
        for path in paths:
            self._page.goto(server.url + path)
            self.look(f"{path}, {words}")

    def verdict(self) -> dict[str, list[str]]:
        return {state: faults for state, faults in self.found.items() if faults}


@pytest.fixture
def page(window: Window) -> Page:
    return window(*SIZES[0], cut=True, bypass_csp=True)  # the policy would rightly keep the judge out


def test_no_page_has_a_barrier_in_practice(serve: Callable[..., Server], page: Page, axe: str) -> None:
    server, judge = serve(1), Judge(page, axe)
    judge.visit(server, EMPTY, "empty")
    page.goto(server.url)
    judge.look("bench, cautions")
    ahead(server, lambda now: now["now"] == "pulse")
    expect(page.locator("body[data-now=pulse]")).to_have_count(1)
    judge.look("bench, a pulse is due")
    server = serve(1, until="turn")
    ahead_to_a_screw(server)
    page.goto(server.url)
    expect(page.locator("#holds")).to_be_visible()
    page.locator("#holds .asked").focus()
    page.keyboard.down("Space")
    page.locator("#way").wait_for()
    page.keyboard.up("Space")
    expect(page.locator("body[data-holding]")).to_have_count(0)
    judge.look("bench, screw held")
    page.select_option("#hand", "left")
    expect(page.locator("body.left")).to_have_count(1)
    judge.look("bench, left hand")
    server = serve(1, until="done")
    page.goto(server.url)
    expect(page.locator("body[data-now=done]")).to_have_count(1)
    judge.look("bench, done")
    for stage in ("before", "after"):
        sent = CUT | {"stage": stage, "place": "far", "through": "no"}
        page.request.post(f"{server.url}/log/1/cut", form=sent)
    again: Form = {"laser": "practice 1600", "what": "clean the lens", "every_days": "1"}
    page.request.post(f"{server.url}/log/reminder", form=again)
    judge.visit(server, FULL, "full")
    assert judge.verdict() == {}


def test_nor_offline_nor_where_something_went_wrong(
    serve: Callable[..., Server], page: Page, axe: str
) -> None:
    server, judge = serve(1, "abcd-efgh"), Judge(page, axe)
    judge.visit(server, ["/"], "sign-in")
    page.fill("input[name=code]", "wrong")
    page.click("button[type=submit]")
    judge.look("sign-in, wrong code")
    page.fill("input[name=code]", "abcd-efgh")
    page.click("button[type=submit]")
    expect(page.locator("#primary")).to_be_visible()
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    expect(page.locator("#entry")).to_be_visible()
    judge.look("offline, a mark is due")
    page.set_input_files("input[name=after]", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"no"})
    page.click("#photo-form button[type=submit]")
    page.locator("#trouble").wait_for()
    judge.look("offline, photo refused")
    page.goto(f"{server.url}/laser")
    page.evaluate("document.querySelector('textarea').value = 'bed = 1'")
    page.click("button.primary")
    page.locator(".trouble").wait_for()
    judge.look("laser, profile refused")
    page.goto(f"{server.url}/laser/new")
    for name in page.locator("form.setup input[required]:not([type=radio])").all():
        name.fill("300")
    page.click("button.primary")
    page.locator("svg.knobs").first.wait_for()
    judge.look("laser drawn, with what is out of the ordinary")
    page.goto(server.url)
    server.kill()
    page.locator("#trouble").wait_for()
    judge.look("bench, no connection")
    assert judge.verdict() == {}

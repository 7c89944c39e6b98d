"""A press counts once, whatever the finger and the network do; a frozen connection is reported."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Server, Window
from tests.browser.told import STREAM, told_states

STATES = told_states()
FROZEN = "clearInterval(globalThis.beating)"
TELL = "state => tell('state', state)"
Opened = Callable[[], tuple[Page, list[Route]]]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = Server(tmp_path_factory.mktemp("link"), 1)
    yield running
    running.kill()


@pytest.fixture
def opened(server: Server, window: Window) -> Opened:
    """Return a function that opens a page which hears only the test; its presses wait in the list."""

    def page_and_presses() -> tuple[Page, list[Route]]:
        page, presses = window(390, 844, cut=True), list[Route]()
        page.add_init_script(STREAM)
        page.route("**/api/do/**", lambda route: presses.append(route))
        page.goto(server.url)
        page.wait_for_function("() => globalThis.tell && document.body.dataset.tone")
        page.evaluate(TELL, STATES["turn"])
        expect(page.locator("#primary")).to_be_enabled()
        return page, presses

    return page_and_presses


def sent(route: Route) -> dict[str, Any]:
    return dict(route.request.post_data_json or {})


def wait_for(presses: list[Route], number: int, page: Page) -> None:
    until_s = time.monotonic() + 60
    while len(presses) < number:
        assert time.monotonic() < until_s, f"{len(presses)} presses, not {number}"
        page.wait_for_timeout(50)


def test_a_frozen_link_is_said_within_four_seconds_and_stops_the_buttons(opened: Opened) -> None:
    page, _ = opened()
    page.route("**/api/state*", lambda route: None)  # it freezes too: nothing is answered, nothing is refused
    page.evaluate(FROZEN)
    page.evaluate("globalThis.frozen = performance.now()")
    page.wait_for_function("() => document.body.dataset.tone === 'lost'")
    took_ms = page.evaluate("performance.now() - globalThis.frozen")
    assert took_ms <= 4000 or took_ms > 20_000  # a machine too busy for its own clock proves nothing
    expect(page.locator("#trouble")).to_contain_text("No connection")
    assert page.evaluate("document.querySelector('.do').inert")
    assert "grayscale" in page.evaluate("getComputedStyle(document.querySelector('.picture')).filter")
    page.unroute_all(behavior="ignoreErrors")
    expect(page.locator("#trouble")).to_be_hidden()


def test_a_press_without_an_answer_is_said_and_sent_once_more_by_the_same_key(opened: Opened) -> None:
    page, presses = opened()
    page.click("#primary")
    wait_for(presses, 2, page)
    expect(page.locator("#trouble")).to_contain_text("No answer yet")
    first, again = map(sent, presses)
    assert first == again and first["step"] == STATES["turn"]["step"] and len(first["key"]) >= 8
    presses[1].fulfill(json={**STATES["pulse"], "run": "answered"})
    expect(page.locator("body[data-act=pulse]")).to_have_count(1)
    expect(page.locator("#trouble")).to_be_hidden()
    presses[0].abort()
    page.wait_for_timeout(200)
    assert len(presses) == 2


def test_a_step_that_is_over_shows_the_one_that_came(opened: Opened) -> None:
    page, presses = opened()
    page.click("#primary")
    wait_for(presses, 1, page)
    body = {"error": {"path": "step", "message": "The step has changed."}, "state": STATES["hang"]}
    presses[0].fulfill(status=409, json=body)
    expect(page.locator("body[data-act=hang]")).to_have_count(1)
    expect(page.locator("#trouble")).to_contain_text("The step has changed.")


TAPS = """() => { const at = () => document.querySelector("#primary");
  at().click(); at().click(); at().click(); }"""


def test_neither_a_double_tap_nor_a_button_that_changes_under_the_finger_counts_twice(opened: Opened) -> None:
    page, presses = opened()
    page.evaluate(TAPS)
    wait_for(presses, 1, page)
    # the answer comes between two taps: the second meets another button
    page.evaluate(
        "state => { tell('state', state); document.querySelector('#primary').click(); }", STATES["hang"]
    )
    presses[0].fulfill(json=STATES["hang"])
    expect(page.locator("#primary")).to_be_enabled()
    assert len(presses) == 1
    page.click("#primary")
    wait_for(presses, 2, page)
    assert sent(presses[0])["key"] != sent(presses[1])["key"]
    presses[1].fulfill(json=STATES["pulse"])


def test_a_held_key_presses_once(opened: Opened) -> None:
    page, presses = opened()
    page.focus("#primary")
    page.keyboard.down("Enter")
    for _ in range(5):
        page.keyboard.down("Enter")  # a second time without a key up is a repeat
    wait_for(presses, 1, page)
    presses[0].fulfill(json={**STATES["turn"], "run": "again", "said": "Saved"})
    expect(page.locator("#primary")).to_be_enabled()
    for _ in range(5):
        page.keyboard.down("Enter")
    page.keyboard.up("Enter")
    page.wait_for_timeout(200)
    assert len(presses) == 1


def test_what_was_saved_last_can_be_taken_back_and_asks_first(opened: Opened) -> None:
    page, presses = opened()
    undo = {"label": "That was wrong: take it back", "action": "undo", "body": {}}
    page.evaluate(TELL, {**STATES["turn"], "run": "with undo", "undo": undo})
    button = page.locator("#undo button")
    button.click()
    expect(button).to_have_text("Really take it back?")
    assert presses == []
    button.click()
    wait_for(presses, 1, page)
    assert presses[0].request.url.endswith("/undo")
    presses[0].fulfill(json=STATES["hang"])

"""Wrong presses, late ones, double taps and wrong cards on the page itself, as tests/pages does over HTTP.

One finger is on the page in the browser; the second device, and presses of states long gone, go over HTTP.
The server runs in a thread of this process, so that the test can set what hangs in front of its camera.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test
from playwright.sync_api import Locator, Page, Request, expect

from server.pages.serve import make_server
from tests.browser.conftest import Window
from tests.pages.test_wrong_presses import Presses, pick

Json = dict[str, Any]
SHOWS = "step => document.body.dataset.step === step"
AWAKE = "() => !document.querySelector('#buttons [aria-disabled=true]')"
OTHER = "b"  # the tab of the second device


@dataclass(frozen=True)
class Answer:
    """What the server answered to the finger, read like an answer of Flask's test client."""

    status_code: int
    body: Json
    text: str

    def get_json(self) -> Json:
        return self.body


class PressesOnThePage(Presses):
    """The same machine of states; whoever has the tab "a" presses on the page."""

    def __init__(self, window: Callable[[], Page]) -> None:
        super().__init__()
        self.asked: list[Request] = []
        self.server = make_server(self.app, port=0)
        threading.Thread(target=self.server.run, daemon=True).start()
        self.page = window()
        self.page.on("request", self.note)
        self.page.goto(f"http://localhost:{self.server.effective_port}/")

    def note(self, request: Request) -> None:
        """Keep what the page asks the server to do."""
        if "/api/do/" in request.url:
            self.asked.append(request)

    @rule(which=st.integers(0, 6))
    def press_twice_by_one_key(self, which: int) -> None:
        """A double tap on the page."""
        state, before = self.state(), len(self.asked)
        self.press(state, pick(state, which) | {"taps": 2})
        assert len(self.asked) <= before + 1

    def send(self, state: Json, button: Json, key: str, *, tab: str = "a") -> Any:
        current = state["step"] == self.state()["step"]
        place = self.place_of(state, button) if tab != OTHER and current else None
        if place is None:
            self.client.post("/api/control/bench", json={}, headers={"X-Spotwright-Tab": OTHER})
            return super().send(state, button, key, tab=OTHER)
        with self.page.expect_response("**/api/do/**") as heard:
            place.click(click_count=button.get("taps", 1))
        self.page.wait_for_function(AWAKE)
        answer = heard.value
        return Answer(answer.status, answer.json(), answer.text())

    def place_of(self, state: Json, button: Json) -> Locator | None:
        """Return where the button is on the page, once that shows the state; None if only HTTP has it."""
        if "label" not in button:
            return None
        self.page.wait_for_function(SHOWS, arg=state["step"])
        if self.page.locator("#take").count():
            self.page.click("#take")
        self.page.wait_for_function(AWAKE)
        if button == state["undo"]:
            self.page.click("#undo button")  # it asks first
            return self.page.locator("#undo button")
        if button in state["choices"]:
            self.page.locator("#buttons [data-action=look]").click()
            self.page.wait_for_function(AWAKE)
        place = self.page.locator(f"#buttons [data-action={button['action']}]")  # its words follow the camera
        if button in state["choices"]:
            place = place.get_by_text(button["label"], exact=True)
        expect(place.first).to_be_enabled()
        return place.first

    def teardown(self) -> None:
        """Leave the page only when the end has been reached on it."""
        try:
            super().teardown()
        finally:
            self.server.close()
            self.page.context.close()


def test_no_wrong_press_on_the_page_writes_what_was_not_nor_leaves_the_way(window: Window) -> None:
    class Here(PressesOnThePage):
        def __init__(self) -> None:
            super().__init__(lambda: window(390, 844, cut=True))

    short = settings(
        max_examples=3,
        stateful_step_count=20,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(Here, settings=short)

"""Play the practice laser to the end by doing only what the page says."""

from __future__ import annotations

import json
import re
import urllib.request
from collections.abc import Callable
from typing import Any
from uuid import uuid4

from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Server, Window

Json = dict[str, Any]
MOST_PRESSES = 150
# the finger in the page itself: a busy machine may look at the page too late to let go in time
LET_GO_AT_STOP = """() => {
  const words = document.querySelector("#way-words");
  globalThis.said = [];
  new MutationObserver(() => {
    said.push(words.textContent);
    if (words.textContent.startsWith("Stop")) dispatchEvent(new PointerEvent("pointerup"));
  }).observe(words, { childList: true, characterData: true, subtree: true });
}"""


# resolves as soon as the large button can be pressed again: to ask now and then costs a tenth of a second
ANSWERED = """() => new Promise((resolve, reject) => {
  const ready = () => document.querySelector("#primary")?.matches(":enabled:not([aria-disabled=true])");
  const end = (how) => { watch.disconnect(); how(); };
  const watch = new MutationObserver(() => ready() && end(resolve));
  watch.observe(document.body, { attributes: true, childList: true, subtree: true });
  if (ready()) end(resolve);
  setTimeout(() => end(() => reject(new Error("the button stays shut"))), 180_000);
})"""


# what the big sentence orders, and what the one large button must then offer
ORDERS = (
    (r"Before the first pulse: read these", r"I have read them"),
    (r"Hang the card at (the nozzle|mirror \d), fresh tape on it, head at the \w+", r"Hang it there"),
    (r"hang it again at (?:the nozzle|mirror \d), fresh tape", r"Hang it again"),
    (r"Move the head to the \w+", r"Hang it there"),
    (r"Fresh tape on the card", r"Put fresh tape on"),
    (r"More than one mark. Put fresh tape on", r"Put fresh tape on"),
    (r"No mark on the card", r"It fired, and left no mark"),
    (r"Fire one short pulse", r"Fire one pulse"),
    (r"Turn the '\w+' screw of mirror \d by (.+)\.$", r"(Turn it|I turned it) \1"),
    (r"move the ", r"Move it "),
    (r"", r"I have looked"),
)


def follow_the_sentence(page: Page) -> None:
    """Hold that the button does what the sentence says, whole words and numbers."""
    said, offered = page.inner_text("#say"), page.inner_text("#primary")
    order, button = next((order, button) for order, button in ORDERS if re.search(order, said))
    if found := re.search(order, said):
        button = button.replace("\\1", re.escape((found.groups() or ("",))[0]))
    assert re.match(button, offered), (said, offered)


def press(page: Page) -> str:
    """Press the one large button and wait for the answer; returns what the hands did."""
    button = page.locator("#primary")
    action = str(button.get_attribute("data-action"))
    follow_the_sentence(page)
    if action == "look":
        button.click()
        button = page.get_by_role("button", name="I found nothing")
    with page.expect_response(lambda answer: "/api/do/" in answer.url):
        button.click()
    page.evaluate(ANSWERED)
    return action


def play(
    page: Page, *, presses: int = MOST_PRESSES, until: Callable[[list[str]], bool] = lambda _: False
) -> list[str]:
    """Press until the page says done, or ``until`` says stop; returns what was done, all on one page."""
    done: list[str] = []
    opened = page.url
    while page.locator("body").get_attribute("data-now") != "done" and not until(done):
        assert len(done) < presses, f"not aligned after {presses} presses: {page.inner_text('#say')}"
        assert page.locator("body").get_attribute("data-now") != "stop", page.inner_text("#say")
        done.append(press(page))
    assert page.url == opened
    return done


def state(server: Server) -> Json:
    with urllib.request.urlopen(f"{server.url}/api/state") as answer:
        return dict(json.load(answer))


def ahead(server: Server, until: Callable[[Json], bool]) -> None:
    """Do what is due without a browser, until the state is as wanted."""
    now = post(server, "control/bench", {})  # without a page of its own it delays nobody
    while not until(now):
        assert now["now"] not in ("done", "stop"), now["say"]
        now = do(server, now["primary"] if now["primary"]["action"] != "look" else now["choices"][0])


def do(server: Server, due: Json) -> Json:
    return post(server, f"do/bench/{due['action']}", due["body"])


def post(server: Server, path: str, body: Json) -> Json:
    if path.startswith("do/"):
        body = body | {"step": state(server)["step"], "key": uuid4().hex}
    headers = {"Content-Type": "application/json"}
    asked = urllib.request.Request(f"{server.url}/api/{path}", json.dumps(body).encode(), headers)
    with urllib.request.urlopen(asked) as answer:
        return dict(json.load(answer))


def ahead_to_a_screw(server: Server, *, foretold: bool = False) -> None:
    """Go on to a turn whose mark can be watched on its way; after a mark that was predicted, if asked."""
    while True:
        ahead(server, lambda now: now["now"] == "turn")
        now = state(server)
        if not now["follow"] and now["others"]:
            now = do(server, now["others"][0])  # the card where the mark will be
        if now["follow"] and not now["follow"]["start"]:
            now = post(server, "do/bench/pulse", {})  # and the mark as it lies there now
        if now["now"] == "turn":
            if now["follow"] and now["follow"]["start"] and (now["landing"] or not foretold):
                return
            do(server, now["primary"])


def shown(page: Page) -> list[str]:
    expect(page.locator("#primary")).to_be_enabled()
    return [page.inner_text(part) for part in ("#say", "#rest", "#big", "#buttons", "#chain", "#count")]


def seen_by_the_eye(page: Page) -> None:
    """Wait until the frame loop has looked at what the last press left on the card: it does so by itself."""
    expect(page.locator("#live")).to_be_visible()


def test_a_newcomer_gets_from_the_first_pulse_to_aligned_and_a_reload_loses_nothing(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(1), window(390, 844)
    page.goto(server.url)
    expect(page.locator("#cautions-first")).to_be_visible()
    first = play(page, until=lambda done: done.count("pulse") >= 3)
    assert first[:3] == ["acknowledge", "hang", "pulse"]

    before = shown(page)
    page.reload()
    assert shown(page) == before

    second = play(page)
    assert state(server)["verdict"]["aligned"] is True
    expect(page.locator("#verdict h2")).to_have_text("Good enough to cut")
    assert page.locator("#chain .done").count() == 6
    assert {"pulse", "turn"} <= set(first + second)

    page.goto(f"{server.url}/log")
    expect(page.locator("tbody tr")).to_have_count(1)
    expect(page.locator("tbody tr")).to_contain_text("aligned")


def test_at_a_desk_too_and_killing_the_server_in_the_middle_loses_nothing(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(1), window(1280, 800, cut=True)
    page.goto(server.url)
    play(page, until=lambda done: done.count("turn") >= 1)
    seen_by_the_eye(page)
    before, saved = shown(page), state(server)

    server.kill()
    expect(page.locator("#trouble")).to_contain_text("No connection")
    server.start()
    expect(page.locator("#trouble")).to_be_hidden()

    assert shown(page) == before
    assert [row["words"] for row in state(server)["readings"]] == [row["words"] for row in saved["readings"]]
    assert "pulse" in play(page)
    assert len(state(server)["readings"]) > len(saved["readings"])
    assert state(server)["verdict"]["aligned"] is True


def test_one_has_the_hands_and_the_other_watches_until_it_takes_them(
    serve: Callable[..., Server], window: Window
) -> None:
    server, phone, desk = serve(1), window(390, 844), window(1280, 800)
    phone.goto(server.url)
    desk.goto(server.url)
    play(phone, until=lambda done: "pulse" in done)
    expect(desk.locator("#count")).to_have_text("1")
    assert desk.inner_text("#say") == phone.inner_text("#say")
    expect(desk.locator("#watching")).to_be_visible()

    desk.click("#take")
    expect(phone.locator("#watching")).to_be_visible()
    assert press(desk) == "hang"

    desk.close()
    expect(phone.locator("#watching")).to_be_hidden()
    assert press(phone) == "pulse"


def without_a_mark(route: Route) -> None:
    """Answer as if the mark had been driven off the card."""
    answer = route.fetch()
    state = answer.json()
    route.fulfill(response=answer, json={**state, "rig": {**state["rig"], "live": None}, "way": None})


def test_a_held_screw_moves_the_mark_and_says_when_to_stop(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(3, until="turn"), window(390, 844)
    ahead_to_a_screw(server, foretold=True)
    page.goto(server.url)
    expect(page.locator("#holds")).to_be_visible()
    asked = "1" if state(server)["follow"]["turns"] > 0 else "-1"
    other = "-1" if asked == "1" else "1"

    page.route("**/api/do/bench/ease", without_a_mark)
    page.locator(f"#holds [data-way='{other}']").focus()
    page.keyboard.down("Space")
    expect(page.locator("#way-words")).to_contain_text("left the card")
    page.keyboard.up("Space")
    expect(page.locator("body[data-holding]")).to_have_count(0)
    page.unroute("**/api/do/bench/ease")

    page.evaluate(LET_GO_AT_STOP)
    page.keyboard.down("Space")
    expect(page.locator("#way-words")).to_contain_text("Wrong way")
    page.keyboard.up("Space")
    expect(page.locator("body[data-holding]")).to_have_count(0)

    page.locator(f"#holds [data-way='{asked}']").hover()
    page.mouse.down()
    expect(page.locator("body[data-holding]")).to_have_count(0)
    page.mouse.up()
    page.wait_for_timeout(700)  # the frame loop has looked again, and the stop stands
    said = page.evaluate("globalThis.said")
    words = [line.split(".")[0] for line in said if line]
    assert words == ["Wrong way", "Right way now", "Stop"], said  # each once: a voice would say it again
    assert page.inner_text("#way-words").startswith("Stop")
    assert state(server)["landing"], "where the mark before has landed is known"
    expect(page.locator("#landing")).to_be_hidden()
    assert state(server)["way"]["gap_mm"] < 1.5
    saved = len(state(server)["readings"])
    assert press(page) == "turn"
    assert len(state(server)["readings"]) == saved + 1


def test_a_check_from_the_symptom_to_what_it_says(serve: Callable[..., Server], window: Window) -> None:
    server, page = serve(1), window(390, 844)
    page.goto(server.url)
    page.get_by_role("link", name="Something is wrong today?").click()
    page.get_by_role("link", name="Weak far from the tube").click()
    page.get_by_role("button", name="Begin on the practice laser").click()
    page.wait_for_url(f"{server.url}/")
    expect(page.locator("#primary")).to_be_enabled()
    done = play(page, until=lambda _: page.locator("body").get_attribute("data-now") == "check")
    assert done == ["acknowledge", "hang", "pulse", "hang", "pulse"]
    assert "The mirrors are off" in page.inner_text("#say")
    page.get_by_role("button", name="Align from here").click()
    expect(page.locator("body")).not_to_have_attribute("data-now", "check")
    assert len(state(server)["readings"]) == 2

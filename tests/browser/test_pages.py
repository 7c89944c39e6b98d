"""Every page under its own policy: no errors, no motion if so asked, keyboard only, recovery after a cut."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from itertools import count
from typing import Any

import pytest
from playwright.sync_api import FilePayload, Page, Route, expect

from server.pages.way import Followed, way
from server.practice import PracticeCamera, PracticeMachine
from server.session.snapshot import LiveMark
from server.sources.base import as_jpeg
from tests.browser.conftest import Server, Window
from tests.browser.test_access import EMPTY, FULL
from tests.browser.test_practice import ahead, press, state

MOVES = """() => [...document.querySelectorAll("*")].filter((node) => {
  const { transitionDuration, animationName, scrollBehavior } = getComputedStyle(node);
  const slow = transitionDuration.split(",").some((span) => parseFloat(span) > 0);
  return slow || animationName !== "none" || scrollBehavior === "smooth";
}).length"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server for the tests that do not depend on how far its alignment is."""
    running = Server(tmp_path_factory.mktemp("desk"), 1)
    yield running
    running.kill()


def test_no_page_complains_or_asks_another_host(server: Server, window: Window) -> None:
    phone, desk = window(390, 844), window(1280, 800)
    for page in (phone, desk):
        for path in ["/", *EMPTY]:
            page.goto(server.url + path)
    ahead(server, lambda now: now["now"] == "turn")
    for page in (phone, desk):
        for path in ["/", *FULL]:
            page.goto(server.url + path)
            page.locator("h1").first.wait_for()


def test_who_asks_for_less_motion_gets_none(server: Server, window: Window) -> None:
    page = window(390, 844)
    ahead(server, lambda now: now["now"] == "turn")
    page.goto(server.url)
    expect(page.locator("#card .moves")).to_have_count(1)
    assert page.evaluate(MOVES) > 0
    still = window(390, 844, reduced_motion="reduce")
    still.goto(server.url)
    expect(still.locator("#card .moves")).to_have_count(1)
    assert still.evaluate(MOVES) == 0


def test_the_steps_go_by_the_keyboard_alone(serve: Callable[..., Server], window: Window) -> None:
    server, page = serve(1), window(1280, 800)
    page.goto(server.url)
    expect(page.locator("#primary")).to_be_enabled()
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.locator("#primary:focus").count():
            break
    for now in ("hang", "pulse", "hang"):
        expect(page.locator("#primary")).to_be_focused()
        assert page.evaluate("parseFloat(getComputedStyle(document.activeElement).outlineWidth)") >= 2
        page.keyboard.press("Enter")
        expect(page.locator(f"body[data-now={now}]")).to_have_count(1)
        expect(page.locator("#primary")).to_be_enabled()
    page.locator("#sound summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    assert page.locator("#sound input[name=voice]").is_checked()


SIDE = """(selector) => {
  const { left, width } = document.querySelector(selector).getBoundingClientRect();
  return left + width / 2 < innerWidth / 2 ? "left" : "right";
}"""


def side(page: Page, selector: str) -> str:
    """Which side it is on, in one call: the page may redraw a button at any time."""
    page.locator(selector).wait_for()
    return str(page.evaluate(SIDE, selector))


def test_the_controls_go_to_the_hand_that_is_free_on_this_device_alone(
    server: Server, window: Window
) -> None:
    desk, phone = window(1280, 800), window(390, 844)
    desk.goto(server.url)
    assert (side(desk, "#primary"), side(desk, "#picture")) == ("right", "left")
    desk.click("#sound summary")
    desk.select_option("#hand", "left")
    expect(desk.locator("body.left")).to_have_count(1)
    assert (side(desk, "#primary"), side(desk, "#picture")) == ("left", "right")
    phone.goto(server.url)
    assert side(phone, ".to-menu") == "right"
    phone.request.post(f"{server.url}/api/device", data={"hand": "left"})
    phone.goto(f"{server.url}/checks")
    assert side(phone, ".to-menu") == "left"


def test_a_state_that_comes_while_a_button_is_pressed_neither_loses_the_press_nor_opens_it_again(
    server: Server, window: Window
) -> None:
    page = window(390, 844, cut=True)
    asked: list[Route] = []
    number, said, as_it_is = count(), page.locator("#said"), state(server)

    def newer(route: Route) -> None:
        """Answer with the present state and a change that no button shows."""
        word = f"State {next(number)}."
        route.fulfill(json={**as_it_is, "run": word, "said": word})

    def a_state_comes() -> None:
        expect(said).not_to_have_text(said.inner_text())

    page.route("**/api/events*", lambda route: route.abort())  # the page asks each second then
    page.route("**/api/state*", newer)
    page.route("**/api/do/**", lambda route: asked.append(route))  # and the answer waits
    page.goto(server.url)
    button = page.locator("#primary")
    label = button.inner_text()
    button.hover()
    page.mouse.down()
    a_state_comes()
    page.mouse.up()
    expect(button).not_to_have_text(label)
    a_state_comes()
    button.click(force=True)
    expect(button).to_be_disabled()
    keys = {(route.request.post_data_json or {})["key"] for route in asked}
    assert len(keys) == 1  # what has no answer is sent once more, and counts once
    asked[0].continue_()
    expect(button).to_be_enabled()
    page.unroute_all(behavior="wait")  # it asks on until it is closed


STEADIED = """async (looks) => {
  const { steady } = await import("/static/way.js");
  return looks.map(({ way, live }) => steady(way, { aim: "the same" }, live)?.kind ?? null);
}"""


def test_what_is_said_of_a_mark_stands_until_it_has_clearly_left(server: Server, window: Window) -> None:
    page = window(390, 844)
    page.goto(server.url)
    followed = Followed("mirror-2", (10.0, 0.0), (0.0, 0.0), None, 0.5)
    along_mm = (1.0, -0.45, -0.35, -0.42, -0.3, -0.1, 9.5, 9.8, 9.55, 9.4, 11.6, 11.4, 11.2)
    lives = [
        LiveMark("mirror-2", (u_mm, 0.0), (0.05, 0.05), 0.1 * number, 100.0 * number)
        for number, u_mm in enumerate(along_mm)
    ]
    looks = [{"live": live.as_json(), "way": way(followed, live)} for live in lives]
    said = page.evaluate(STEADIED, looks)
    assert said == ["go", *["back"] * 4, None, "go", "stop", "stop", "go", "far", "far", "stop"]


def test_a_network_that_was_cut_is_said_and_comes_back_by_itself(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(1), window(390, 844, cut=True)
    page.goto(server.url)
    press(page)
    page.context.set_offline(True)
    page.click("#primary")
    expect(page.locator("#trouble")).to_contain_text("No connection")
    page.context.set_offline(False)
    expect(page.locator("#trouble")).to_be_hidden()
    assert press(page) == "hang"


def test_what_is_typed_into_a_form_is_taken(server: Server, window: Window) -> None:
    page = window(390, 844)
    page.goto(f"{server.url}/laser/new")
    answers = {
        "name": "the big one",
        "width_mm": "1300",
        "depth_mm": "900",
        "tube_to_mirror_1_mm": "140",
        "mirror_1_to_2_mm": "110",
        "mirror_2_to_3_mm": "80",
    }
    for name, value in answers.items():
        page.fill(f"input[name={name}]", value)
    page.click("button.primary")
    page.get_by_role("button", name="Yes, keep it").click()
    expect(page.locator("h1")).to_have_text("Laser: the big one")
    page.goto(f"{server.url}/log")
    page.get_by_text("Add the log of another device").click()
    file: FilePayload = {"name": "log.json", "mimeType": "application/json", "buffer": b"{}"}
    page.set_input_files("input[name=file]", file)
    page.get_by_role("button", name="Add it to this log").click()
    expect(page.locator(".trouble")).to_be_visible()  # an answer of the log's, not of the guard's
    assert "another site" not in page.inner_text(".trouble")


def test_the_scale_of_the_printed_card_is_taken_kept_and_told_to_other_devices(
    server: Server, window: Window
) -> None:
    page, other = window(390, 844), window(1280, 800)
    for device in (page, other):
        device.goto(f"{server.url}/offline")
        device.click("#scale summary")
    across, up = page.get_by_label("Bar across, mm"), page.get_by_label("Bar up, mm")
    words, keep = page.locator("#scale-words"), page.get_by_role("button", name="Keep it")
    expect(words).to_have_text("The print is assumed to be true to scale.")
    for control in (across, up, keep, page.locator("#scale summary")):
        box = control.bounding_box()
        assert box is not None and box["height"] >= 48

    across.fill("5")
    keep.click()
    expect(page.locator("#trouble")).to_contain_text("a check bar of 5 mm: on a small card")
    expect(across).to_have_value("5")  # what was typed can be mended
    across.fill("49.7")
    keep.click()
    expect(words).to_have_text("Every picture is corrected: 49.7 mm across, 49.7 mm up.")
    expect(page.locator("#trouble")).to_be_hidden()
    up.fill("49.9")
    up.press("Enter")
    expect(other.locator("#scale-words")).to_contain_text("49.7 mm across, 49.9 mm up")
    expect(other.get_by_label("Bar up, mm")).to_have_value("49.9")

    page.reload()
    page.click("#scale summary")
    expect(across).to_have_value("49.7")
    expect(up).to_have_value("49.9")
    across.fill("")
    up.fill("")
    keep.click()
    expect(words).to_have_text("The print is assumed to be true to scale.")


def test_the_check_bars_are_typed_in_inches_where_lengths_are_read_so(server: Server, window: Window) -> None:
    page = window(390, 844)
    page.context.add_cookies([{"name": "spotwright_units", "value": "inch", "url": server.url}])
    page.goto(f"{server.url}/offline")
    page.click("#scale summary")
    across, keep = page.get_by_label("Bar across, inches"), page.get_by_role("button", name="Keep it")
    across.fill("0,2")
    keep.click()
    expect(page.locator("#trouble")).to_contain_text("a check bar of 0.200 in")
    across.fill("1,96")
    keep.click()
    expect(page.locator("#scale-words")).to_have_text(
        "Every picture is corrected: 1.96 in across, 1.96 in up."
    )


Form = dict[str, str | float | bool]
LONG: Form = {
    "name": "W" * 200,
    "corner": "back-left",
    "mount": "two-screws",
    "pitch": "M4",
    "pressed": "keep",
}
LONG |= dict.fromkeys(("width_mm", "depth_mm"), "600")
NEAR: Form = dict.fromkeys(("tube_to_mirror_1_mm", "mirror_1_to_2_mm", "mirror_2_to_3_mm", "lever_mm"), "60")


def test_no_name_however_long_makes_a_page_wider_than_its_screen(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(1), window(390, 844)
    assert page.request.post(f"{server.url}/laser/new", form=LONG | NEAR).ok
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    page.locator("#entry").wait_for()
    reminder: Form = {"laser": LONG["name"], "what": "c" * 120, "every_days": "30"}
    assert page.request.post(f"{server.url}/log/reminder", form=reminder).ok
    for width, paths in (
        (390, ("/offline", "/log", "/log/1/report", "/laser")),
        (195, ("/laser/new", "/offline")),
    ):
        page.set_viewport_size({"width": width, "height": 844})
        for path in paths:
            page.goto(server.url + path)
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, (path, width)


def test_moments_are_those_of_the_devices_own_clock(serve: Callable[..., Server], window: Window) -> None:
    server = serve(1)
    ahead(server, lambda now: now["cautions_acknowledged"])
    page = window(390, 844, timezone_id="Asia/Kolkata")
    page.goto(f"{server.url}/log")
    begun = page.locator("time").first
    expect(begun).not_to_contain_text("UTC")
    there = datetime.fromisoformat(str(begun.get_attribute("datetime"))) + timedelta(hours=5, minutes=30)
    assert begun.inner_text() == there.strftime("%Y-%m-%d %H:%M")


def photo_of(station: str) -> FilePayload:
    """A photo of the practice laser's card there, with the mark of one pulse."""
    machine = PracticeMachine(1)
    machine.hang(station)
    machine.pulse()
    camera = PracticeCamera(machine)
    camera.start()
    return {"name": "card.jpg", "mimeType": "image/jpeg", "buffer": as_jpeg(camera.newest().pixels)}


def test_a_photo_is_shown_with_what_was_read_before_it_is_saved(
    serve: Callable[..., Server], window: Window
) -> None:
    server, page = serve(1), window(390, 844)
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    page.locator("#entry").wait_for()
    for station, shown in (
        ("mirror-2", "That is the card for mirror 2"),
        ("mirror-1", "Is the amber ring round it"),
    ):
        page.set_input_files("input[name=after]", photo_of(station))
        page.get_by_role("button", name="Read the photo").click()
        expect(page.locator("#photo-seen figcaption")).to_contain_text(shown)
        expect(page.locator("#photo-yes")).to_be_visible(visible=station == "mirror-1")
        assert page.locator("#count").inner_text() == "0"
    assert page.locator("#photo-seen svg polygon").count() == 2  # the card's window, and the mark
    page.click("#photo-yes")
    expect(page.locator("#count")).to_have_text("1")
    expect(page.locator("#photo-seen")).to_be_hidden()


def test_who_reads_inches_types_inches(serve: Callable[..., Server], window: Window) -> None:
    server, page = serve(1), window(390, 844)
    page.request.post(f"{server.url}/api/device", data={"units": "inch"})
    page.goto(f"{server.url}/offline")
    page.click("#primary")
    page.locator("#entry").wait_for()
    page.get_by_label("Right of the centre, inches").fill("0,1")
    page.get_by_label("Above the centre, inches").fill("-0.02")
    page.get_by_role("button", name="Save this offset").click()
    expect(page.locator("#readings li")).to_contain_text("+0.100 right, -0.020 up (in)")
    page.goto(server.url)
    page.click("#primary")
    page.locator("body[data-act=hang]").wait_for()
    page.locator("#other-moves summary").click()
    page.get_by_role("spinbutton", name="inches").fill("0.02")
    page.get_by_role("button", name="Move it", exact=True).click()
    expect(page.locator("#count")).to_have_text("1")
    (moved,) = [event["move_mm"] for event in events_of(server)]
    assert moved == pytest.approx([0, 0, 0.508])


def events_of(server: Server) -> list[dict[str, Any]]:
    """What the bench's alignment has in the log's export."""
    with urllib.request.urlopen(f"{server.url}/log/spotwright-log.json") as answer:
        alignments = json.load(answer)["alignments"]
    return [entry["event"] for one in alignments if one["source"] == "practice" for entry in one["events"]]

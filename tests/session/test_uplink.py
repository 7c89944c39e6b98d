"""A rig that sends to a page elsewhere: each reading once, in order, despite network and power faults."""

from __future__ import annotations

import errno
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware import Frame
from firmware.panel.panel import RHYTHMS
from firmware.panel.parts import Pins
from server.log import Log
from server.pages import Config, create_app
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.signals import PanelRetry, PanelState
from server.rig.uplink import MOST_HELD, Spool, Undelivered, Uplink, post_json
from server.rig.uplink_hardware import UplinkHardware
from server.session.events import MarkSeen, event_json
from server.sources.base import Place
from server.sources.camera_source import CameraSource, RigsSource
from tests.pages import doubles
from tests.pages.doubles import Script
from tests.session.conftest import MIRROR_1, Clock, looks
from tests.session.faulty_page import reading
from tests.session.wired import Wired
from vision import Moment

Json = dict[str, Any]
CODE = "abcd-efgh"


class Page:
    """A page elsewhere and the wire to it; ``fate`` says what happens to each message."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.fate: Iterator[str] = iter(())
        self.open()

    def open(self) -> None:
        config = Config(data=self.folder, source=RigsSource, code=CODE, services=Script().services())
        app = create_app(config)
        self.shared = app.extensions["spotwright"]
        self.client: FlaskClient = app.test_client()
        self.session = self.shared.sessions["bench"]

    def __call__(self, path: str, body: Json) -> Json:
        fate = next(self.fate, "arrives")
        if fate == "lost":
            raise Undelivered("not reached", lost=True)
        headers = {"Authorization": f"Bearer {CODE}"}
        answer = self.client.post(path, json=body, headers=headers)
        if fate == "answer lost":
            raise Undelivered("not reached", lost=True)
        if fate == "restarts":
            self.shared.log.close()
            self.open()
        if answer.status_code != 200:
            raise Undelivered(answer.get_json()["error"]["message"], lost=False)
        state: Json = answer.get_json()
        return state


@pytest.fixture
def page(tmp_path: Path) -> Page:
    made = Page(tmp_path / "page")
    made.session.acknowledge()
    return made


def marks(page: Page) -> list[float]:
    return [event_json(event)["offset_mm"][0] for event in page.session.snapshot().counted]


def body(offset_mm: float, *, read_s: float = 100.0, boot: str | None = None) -> Json:
    from server.rig import uplink

    at = {"boot": uplink._boot() if boot is None else boot, "s": read_s}
    return reading(offset_mm) | {"series": "ab12cd34", "read_at": at}


def post(folder: Path, page: Page, clock: Clock) -> Uplink:
    return Uplink("far", Spool(folder / "spool"), page, clock=clock)


def deliver_all(uplink: Uplink) -> None:
    while True:
        try:
            if not uplink.deliver():
                return
        except Undelivered as error:
            assert error.lost, str(error)


def test_a_mark_seen_there_is_a_reading_here(page: Page, tmp_path: Path, clock: Clock) -> None:
    machine = PracticeMachine(3)
    machine.hang("mirror-1")
    source = CameraSource(PracticeCamera(machine, clock=clock, sleep=clock.sleep))
    uplink = post(tmp_path, page, clock)
    frame_loop = FrameLoop(uplink, source)
    looks(frame_loop, 6)
    uplink.show()
    assert (
        page.client.get("/api/rig/picture/far", headers={"Authorization": f"Bearer {CODE}"}).status_code
        == 200
    )
    machine.pulse()
    looks(frame_loop, 12)
    deliver_all(uplink)
    uplink.show()
    (row,) = page.session.snapshot().events
    (burn,) = machine.cards["mirror-1"].burns
    assert isinstance(row.event, MarkSeen)
    assert row.event.station == "mirror-1"
    assert row.event.offset_mm == pytest.approx(burn.offset_mm, abs=0.15)
    assert row.has_picture
    (kept,) = Log(tmp_path / "page", access="read-only").events(1)
    assert kept["reading"]["rig"].startswith("far ")
    (rig,) = page.session.snapshot().rig.rigs
    assert (rig.name, rig.station, rig.silent) == ("far", "mirror-1", False)
    assert page.session.source.frame().shape[1] == 480
    uplink.blind()  # no more frames: the page does not go on showing the last one
    uplink.show()
    (rig,) = page.session.snapshot().rig.rigs
    assert rig.station is None


@settings(max_examples=10)
@given(seed=st.integers(0, 2**32 - 1))
def test_each_reading_arrives_once_and_in_order_whatever_is_lost(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    folder, rng = tmp_path_factory.mktemp("far"), random.Random(seed)
    page, clock = Page(folder / "page"), Clock()
    page.session.acknowledge()
    page.fate = iter(rng.choices(["arrives", "lost", "answer lost", "restarts"], k=40))
    uplink, sent = post(folder, page, clock), 0
    while sent < 6:
        for _ in range(rng.randint(1, 3)):
            sent += 1
            uplink._spool.put(body(float(sent)))
        if rng.random() < 0.5:  # the rig's power is pulled: what waits is on its disk
            uplink = post(folder, page, clock)
        try:
            uplink.deliver()
        except Undelivered as error:
            assert error.lost
    deliver_all(uplink)
    assert marks(page) == [float(number) for number in range(1, sent + 1)]


def test_a_file_torn_by_a_power_cut_is_not_a_reading(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    spool.put(body(1.0))
    (tmp_path / "000000002.part").write_text('{"torn')
    again = Spool(tmp_path)
    assert len(again) == 1
    assert again.put(body(2.0)) == 2
    assert again.name == spool.name


def test_another_series_is_another_rig(page: Page, tmp_path: Path, clock: Clock) -> None:
    first = post(tmp_path / "a", page, clock)
    first._spool.put(body(1.0))
    deliver_all(first)
    second = post(tmp_path / "b", page, clock)  # a new memory card, numbers from 1
    second._spool.put({**body(2.0), "series": "ffff0000"})
    deliver_all(second)
    assert marks(page) == [1.0, 2.0]


def test_a_gap_is_refused_so_that_order_is_kept(page: Page) -> None:
    plain = {key: value for key, value in body(1.0).items() if key != "read_at"}
    assert page("/api/rig/readings", {**plain, "sequence": 1})["new"] is True
    with pytest.raises(Undelivered, match="Number 2"):
        page("/api/rig/readings", {**plain, "sequence": 3})
    assert page("/api/rig/readings", {**plain, "sequence": 1})["new"] is False
    assert marks(page) == [1.0]
    assert [page("/api/rig/readings", {**plain, "sequence": number})["new"] for number in (2, 3)] == [
        True
    ] * 2
    assert marks(page) == [1.0] * 3


def test_a_mark_from_before_the_card_was_hung_is_kept_and_does_not_count(
    page: Page, tmp_path: Path, clock: Clock
) -> None:
    page.session._clock = clock
    uplink = post(tmp_path, page, clock)
    uplink._spool.put(body(1.0, read_s=50.0))
    page.session.hang(Place("mirror-1", (0.0, 1000.0)))  # at 100 s: fresh tape
    deliver_all(uplink)
    snapshot = page.session.snapshot()
    assert (snapshot.used, snapshot.seen) == (False, None)  # the tape is as fresh as before
    uplink._spool.put(body(2.0, read_s=110.0))
    clock.now_s = 120.0
    deliver_all(uplink)
    assert marks(page) == [2.0]
    assert [row.withdrawn for row in page.session.snapshot().events] == [True, False]


@pytest.mark.parametrize("told", [True, False])
def test_the_age_of_a_mark_is_told_until_a_restart(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, told: bool
) -> None:
    """A system without an id of its start may have been restarted whenever the program was."""
    sent: list[Json] = []

    def asked(path: str, body: Json) -> Json:
        sent.append(body)
        return {"sequence": body["sequence"]}

    if not told:
        monkeypatch.setattr("server.rig.uplink._BOOT", tmp_path / "none")
    uplink = Uplink("far", Spool(tmp_path / "spool"), asked, clock=clock)
    for again in (False, True):
        uplink.moment(*seen((True,)))
        clock.sleep(2.0)
        if again:
            restarted = tmp_path / "restarted"
            restarted.write_text("another")
            monkeypatch.setattr("server.rig.uplink._BOOT", restarted if told else tmp_path / "none")
            monkeypatch.setattr("server.rig.uplink._PROGRAM", "another")
        uplink.deliver()
    assert [body["age_s"] for body in sent] == [2.0, None]


def test_a_mark_where_no_card_should_hang_waits_and_is_said(page: Page, tmp_path: Path, clock: Clock) -> None:
    uplink = post(tmp_path, page, clock)
    elsewhere = body(1.0)
    elsewhere["mark"]["station"] = "nozzle"
    uplink._spool.put(elsewhere)
    with pytest.raises(Undelivered, match="nobody has said that a card hangs there"):
        uplink.deliver()
    assert len(uplink._spool) == 1
    (rig,) = page.session.snapshot().rig.rigs
    assert "nozzle" in rig.fault


def test_practice_accepts_no_real_mark(tmp_path: Path) -> None:
    client = create_app(Config(data=tmp_path)).test_client()
    plain = {key: value for key, value in body(1.0).items() if key != "read_at"}
    answer = client.post("/api/rig/readings", json={**plain, "sequence": 1})
    assert answer.status_code == 409
    assert "--camera rigs" in answer.get_json()["error"]["message"]


@pytest.mark.parametrize("code", [None, "Bearer wrong-code", "Basic abcd-efgh"])
def test_without_the_code_nothing_is_accepted(page: Page, code: str | None) -> None:
    headers = {"Authorization": code} if code else {}
    answer = page.client.post("/api/rig/readings", json={}, headers=headers)
    assert answer.status_code == 401
    assert page.session.snapshot().events == ()


def test_guessing_the_code_is_slowed_down(page: Page) -> None:
    tries = [
        page.client.post("/api/rig/sight", json={}, headers={"Authorization": f"Bearer {n}"}).status_code
        for n in range(12)
    ]
    assert tries == [401] * 10 + [429] * 2


@pytest.mark.parametrize(
    ("change", "path"),
    [
        ({"rig": "../../etc"}, "rig"),
        ({"sequence": 0}, "sequence"),
        ({"mark": {}}, "mark.station"),
        ({"picture": "AAAA"}, "picture"),
        ({"more": 1}, "more"),
    ],
)
def test_nonsense_is_refused_with_its_place(page: Page, change: Json, path: str) -> None:
    plain = {key: value for key, value in body(1.0).items() if key != "read_at"}
    answer = page.client.post(
        "/api/rig/readings",
        json={**plain, "sequence": 1, **change},
        headers={"Authorization": f"Bearer {CODE}"},
    )
    assert answer.status_code in (400, 422)
    assert answer.get_json()["error"]["path"] == path


def test_addresses_are_checked_and_a_dead_one_is_one_line() -> None:
    with pytest.raises(ValueError, match="begins with http"):
        post_json("rig.example", None)
    with pytest.raises(Undelivered) as refused:
        post_json("http://127.0.0.1:9", "code")("/api/rig/sight", {})
    assert refused.value.lost
    assert "\n" not in str(refused.value)


def seen(new: tuple[bool | None, ...]) -> tuple[Moment, Frame]:
    marks = tuple(doubles.mark(new=each) for each in new)
    found = replace(doubles.reading("mirror-1"), marks=marks)
    moment = Moment(100.0, ("mark settled",), "mirror-1", None, found)
    return moment, Frame(np.zeros((72, 128, 3), np.uint8), 100.0, 1)


@pytest.mark.parametrize("new", [(), (False,), (None,), (True, True)])
def test_only_a_single_new_mark_is_a_reading(
    page: Page, tmp_path: Path, clock: Clock, new: tuple[bool | None, ...]
) -> None:
    uplink = post(tmp_path, page, clock)
    for marks, count in ((new, 0), ((True,), 1)):
        uplink.moment(*seen(marks))
        assert len(uplink._spool) == count


def full(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_mark_that_the_disk_does_not_take_waits_and_stops_no_look(
    page: Page, tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    uplink = post(tmp_path, page, clock)
    with monkeypatch.context() as patch:
        patch.setattr("server.rig.spool.write_for_good", full)
        uplink.moment(*seen((True,)))
    uplink.round()
    assert marks(page) == [1.5]


def test_only_so_many_readings_wait_in_memory_for_the_disk(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    uplink = Uplink("far", Spool(tmp_path), lambda path, body: {}, clock=clock)
    monkeypatch.setattr("server.rig.spool.write_for_good", full)
    for _ in range(MOST_HELD + 1):
        uplink.moment(*seen((True,)))
    assert len(uplink._held) == MOST_HELD
    assert sum("a reading is lost" in message for message in caplog.messages) == 1


def test_the_page_hears_where_the_mark_is_now(page: Page, tmp_path: Path, clock: Clock) -> None:
    uplink = post(tmp_path, page, clock)
    moment, frame = seen((True,))
    for card, offset in ((doubles.VIEW, (1.5, -0.5)), (None, None)):
        uplink.moment(replace(moment, card=card, events=()), frame)
        clock.sleep(3.0)
        uplink.show()
        state = page.client.get("/api/state", headers={"Authorization": f"Bearer {CODE}"}).get_json()
        (rig,) = state["rig"]["rigs"]
        assert rig["offset_mm"] == (list(offset) if offset else None)


def test_the_uplink_does_not_need_the_wall_clock(
    page: Page, tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import UTC, datetime

    years = iter([2030, 1970, 2001, 1999, 2050, 1980] * 20)
    monkeypatch.setattr(page.shared.log, "_now", lambda: datetime(next(years), 1, 1, tzinfo=UTC))
    uplink = post(tmp_path, page, clock)
    for number in range(1, 6):
        uplink._spool.put(body(float(number)))
    deliver_all(uplink)
    assert marks(page) == [1.0, 2.0, 3.0, 4.0, 5.0]
    page.shared.log.close()
    assert [row["event"]["offset_mm"][0] for row in Log(tmp_path / "page").events(1)] == [1, 2, 3, 4, 5]


def test_the_page_says_what_the_panel_of_a_rig_shows(page: Page, tmp_path: Path, clock: Clock) -> None:
    uplink = post(tmp_path, page, clock)
    assert uplink.panel_state is None
    uplink.show()
    assert uplink.panel_state == PanelState()
    page.session.hang(MIRROR_1)
    uplink.show()
    assert uplink.panel_state is not None
    assert (uplink.panel_state.signal, uplink.panel_state.glow) == ("working", True)
    page.session.typed(MIRROR_1, (3.0, 4.0))
    uplink.show()
    assert uplink.panel_state.mark is not None
    assert uplink.panel_state.distance_mm == pytest.approx(5.0)


@pytest.mark.parametrize("told", [None, {}, {"signal": "disco", "glow": True, "mark": 1, "distance_mm": 1}])
def test_an_answer_that_makes_no_sense_gives_no_panel_state(told: object) -> None:
    assert PanelState.from_json(told) is None


def test_a_press_reaches_the_page_once_and_fresh_or_not_at_all(
    page: Page, tmp_path: Path, clock: Clock
) -> None:
    uplink = post(tmp_path, page, clock)
    uplink.press()
    uplink.round()
    assert page.session.snapshot().place == MIRROR_1
    page.session.typed(MIRROR_1, (1.0, 1.0))
    saved = page.session.snapshot().said
    uplink.round()
    page.fate = iter(["lost"])
    uplink.press()
    uplink.round()  # not delivered: dropped
    uplink.round()
    uplink.press()
    clock.sleep(5.0)
    uplink.round()  # too old
    assert page.session.snapshot().said == saved
    uplink.press()
    uplink.round()
    assert page.session.snapshot().said != saved


def test_what_was_refused_is_said_there_and_here(page: Page, tmp_path: Path, clock: Clock) -> None:
    uplink = post(tmp_path, page, clock)
    elsewhere = body(1.0)
    elsewhere["mark"]["station"] = "nozzle"
    uplink._spool.put(elsewhere)
    uplink.round()
    uplink.round()
    assert "nobody has said that a card hangs there" in uplink.said
    assert uplink.panel_state is not None
    (rig,) = page.session.snapshot().rig.rigs
    assert rig.fault == uplink.said
    page.session.hang(Place("nozzle", (0.0, 1000.0)))
    uplink.round()
    assert (uplink.said, len(uplink._spool)) == ("", 0)


def test_a_page_that_is_not_reached_gives_no_panel_state(page: Page, tmp_path: Path, clock: Clock) -> None:
    uplink = post(tmp_path, page, clock)
    uplink.round()
    page.fate = iter(["lost"] * 8)
    assert [uplink.round() for _ in range(5)] == [0.5, 1.0, 2.0, 5.0, 5.0]
    assert uplink.panel_state is None
    assert uplink.said == "not reached"


def hardware(uplink: Uplink, wired: Wired, **more: Any) -> UplinkHardware:
    retry = PanelRetry(Pins(), opener=wired.open)
    return UplinkHardware(uplink, problem=more.pop("problem", lambda: None), retry=retry, **more)


def test_a_rig_drives_its_panel_as_the_page_says(
    page: Page, tmp_path: Path, clock: Clock, wired: Wired
) -> None:
    uplink = post(tmp_path, page, clock)
    rig_hardware = hardware(uplink, wired, dark_film=True)
    uplink.round()
    rig_hardware.tick()
    assert (wired.ring.value, wired.status.value) == (1.0, 1.0)
    wired.foot.change(True)
    uplink.round()
    uplink.round()
    rig_hardware.tick()
    assert page.session.snapshot().place == MIRROR_1
    assert wired.ring.value == 0.0
    assert wired.status.rhythm == RHYTHMS["working"]
    uplink._spool.put(body(1.0))
    uplink.round()
    uplink.round()
    for _ in range(8):
        rig_hardware.tick()
    assert [hertz is None for hertz in wired.sounder.heard] == [False, True]
    rig_hardware.stop()
    assert wired.ring.value == 0.0


def test_a_lid_elsewhere_is_shown_and_kept(page: Page, tmp_path: Path, clock: Clock, wired: Wired) -> None:
    uplink = post(tmp_path, page, clock)
    rig_hardware = hardware(uplink, wired)
    rig_hardware.tick()
    uplink.round()
    assert page.session.snapshot().rig.lid_closed is False
    wired.lid.pressed = True
    wired.lid.change(True)
    uplink.round()
    assert page.session.snapshot().rig.lid_closed is True


def test_faults_of_a_rig_are_said_on_the_page_and_by_its_light(
    page: Page, tmp_path: Path, clock: Clock, wired: Wired
) -> None:
    said: list[str | None] = ["no Pi camera 0: check the ribbon cable"]
    uplink = post(tmp_path, page, clock)
    rig_hardware = hardware(uplink, wired, problem=lambda: said[0])
    rig_hardware.tick()
    uplink.round()
    (rig,) = page.session.snapshot().rig.rigs
    assert rig.fault == said[0]
    assert wired.status.rhythm == RHYTHMS["fault"]
    said[0] = None
    rig_hardware.tick()
    uplink.round()
    (rig,) = page.session.snapshot().rig.rigs
    assert rig.fault == ""
    assert wired.status.value == 1.0
    page.fate = iter(["lost"])
    uplink.round()
    rig_hardware.tick()
    assert wired.status.rhythm == RHYTHMS["fault"]

"""Nothing ends the uplink: after any fault is over, each reading arrives once and in order."""

from __future__ import annotations

import errno
import queue
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from firmware.health import Finding
from server.pages import Config, create_app
from server.rig import spool as spools
from server.rig import uplink, wire
from server.rig.spool import Spool
from server.rig.uplink import PAUSES_S, SHUT_PAUSES_S, Uplink
from server.rig.wire import Undelivered, post_json
from server.session.events import event_json
from server.sources.base import Place
from server.sources.camera_source import RigsSource
from tests.pages.doubles import Script
from tests.session.conftest import ANY, comes
from tests.session.faulty_page import FAULTS, FaultyLine, reading

CODE = "abcd-efgh"
ANSWERS = {"{} with 200", "numbers of nobody"}  # the wire takes these for an answer; the uplink does not
SLOW = {"silence", "head byte by byte", "body byte by byte"}
IMPATIENT = {"timeout_s": 0.2, "whole_s": 0.4}  # for faults that last until the rig gives up
REFUSALS = {"500 in HTML", "errors of other shapes", "code refused", "redirect"}  # the page was reached


class Far:
    """A page, a network line to it, and a rig that sends over the line."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        app = create_app(Config(folder / "page", source=RigsSource, code=CODE, services=Script().services()))
        self.session = app.extensions["spotwright"].sessions["bench"]
        self.session.acknowledge()
        self.line = FaultyLine(app.test_client)
        self.boot()

    def boot(self) -> Uplink:
        """Restart the rig's program on its disk."""
        self.spool = Spool(self.folder / "rig")
        self.wire = post_json(self.line.address, CODE, device="far", timeout_s=1.0, whole_s=2.0)
        self.post = Uplink("far", self.spool, self.wire)
        return self.post

    def read(self, *offsets: float) -> None:
        self.post._held.extend(reading(offset) for offset in offsets)

    def marks(self, *, all_: bool = False) -> list[float]:
        entries = self.session.snapshot().events
        return [event_json(e.event)["offset_mm"][0] for e in entries if all_ or not e.withdrawn]

    def rounds(self, count: int = 12) -> None:
        for _ in range(count):
            self.post.round()

    def healed(self) -> None:
        """Go on until everything is delivered: on a busy machine an answer may be late now and then."""
        for _ in range(30):
            self.post.round()
            if not self.post.said and not len(self.spool):
                return


@pytest.fixture
def far(tmp_path: Path) -> Iterator[Far]:
    made = Far(tmp_path)
    yield made
    made.line.close()


@pytest.mark.parametrize("fault", FAULTS)
def test_a_line_that_fails_and_recovers(far: Far, fault: str) -> None:
    far.read(1.0)
    far.healed()
    far.line.fault = fault
    if fault in SLOW:
        far.post._wire = post_json(far.line.address, CODE, device="far", **IMPATIENT)
    far.read(2.0, 3.0)
    far.rounds(2)
    assert far.post.said
    assert "\n" not in far.post.said
    assert CODE not in far.post.said
    far.line.fault, far.post._wire = None, far.wire
    far.read(4.0)
    far.healed()
    assert far.marks() == [1.0, 2.0, 3.0, 4.0]
    assert (far.post.said, len(far.spool)) == ("", 0)
    assert far.line.strayed == far.line.outlasted == []


@pytest.mark.parametrize("fault", sorted({*FAULTS} - ANSWERS))
def test_the_wire_says_every_failure_in_one_line(far: Far, fault: str) -> None:
    far.line.fault = fault
    short = IMPATIENT if fault in SLOW else {}
    with pytest.raises(Undelivered) as failed:
        post_json(far.line.address, CODE, **short)("/api/rig/sight", {"rig": "far"})
    assert far.line.outlasted == []
    assert failed.value.lost == (fault not in REFUSALS)
    assert failed.value.shut == (fault == "code refused")
    assert ("it redirects elsewhere" in str(failed.value)) == (fault == "redirect")
    assert "\n" not in str(failed.value)


def timers() -> set[threading.Thread]:
    return {thread for thread in threading.enumerate() if isinstance(thread, threading.Timer)}


def test_a_connection_that_is_over_is_cut_without_a_word(monkeypatch: pytest.MonkeyPatch) -> None:
    raised: list[object] = []
    monkeypatch.setattr(threading, "excepthook", raised.append)
    with socket.socket() as over, wire._cut_after(over, 0.0):
        for timer in timers():
            timer.join()
    assert raised == []


def test_nothing_waits_to_cut_a_connection_that_was_answered(far: Far) -> None:
    before = timers()
    post_json(far.line.address, CODE, whole_s=3600.0)("/api/rig/sight", {"rig": "far"})
    for timer in timers() - before:
        timer.join(60)
        assert not timer.is_alive()


@pytest.mark.parametrize("name", ["a" * 64, "a..b"])  # no name of a computer, RFC 1035 section 2.3.4
def test_a_name_that_cannot_be_asked_for_is_not_reached(name: str) -> None:
    with pytest.raises(Undelivered) as failed:
        post_json(f"http://{name}.example", CODE)("/api/rig/sight", {})
    assert failed.value.lost


def test_a_computer_that_takes_no_connection_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def connect(address: object, timeout: object, *_: object) -> Any:
        assert timeout == wire.TIMEOUT_S
        raise TimeoutError("timed out")

    monkeypatch.setattr("socket.create_connection", connect)
    with pytest.raises(Undelivered, match="timed out"):
        post_json("http://192.0.2.1", CODE)("/api/rig/sight", {})


@pytest.mark.parametrize("error", ANY, ids=repr)
def test_a_round_ends_with_a_pause_whatever_is_raised(far: Far, error: Exception) -> None:
    def fails(path: str, body: Any) -> Any:
        raise error

    far.post._wire = fails
    assert far.post.round() == PAUSES_S[0]
    assert far.post.said and "\n" not in far.post.said


def test_its_thread_survives_any_exception(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uplink, "PAUSES_S", (0.0,))
    thrown = iter(ANY)
    arrived, ask = threading.Event(), far.post._wire

    def fails(path: str, body: Any) -> Any:
        if (error := next(thrown, None)) is not None:
            raise error
        answer = ask(path, body)
        if path.endswith("readings"):
            arrived.set()
        return answer

    far.post._wire = fails
    far.read(1.0)
    far.post.start()
    assert comes(arrived, far.post._thread)
    assert far.post.alive()
    assert stops(far.post)
    assert not far.post.alive()
    assert far.marks() == [1.0]


def stops(post: Uplink) -> bool:
    """Whether it stops at once, and not only when its pause is over."""
    stopping = threading.Thread(target=post.stop, daemon=True)
    stopping.start()
    stopping.join(30)
    return not stopping.is_alive()


def test_what_is_new_is_sent_at_once(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uplink, "SIGHT_EVERY_S", 3600.0)
    monkeypatch.setattr(uplink, "PAUSES_S", (3600.0,))
    sent, ask = queue.Queue[tuple[str, Any]](), post_json(far.line.address, CODE)

    def send(path: str, body: Any) -> Any:
        sent.put((path.rpartition("/")[2], body))
        return ask(path, body)

    far.post._wire = send
    far.post.start()
    assert sent.get(timeout=30)[0] == "sight"
    far.post.press()
    assert [sent.get(timeout=30)[0] for _ in range(2)] == ["press", "sight"]
    far.post.tell(faults=[Finding("camera", "it is dark", True)], lid_closed=None)
    assert sent.get(timeout=30)[1]["fault"] == "it is dark"
    assert stops(far.post)


def test_a_rig_that_the_page_shuts_out_lives_in_its_long_pause_and_stops_at_once(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(uplink, "SHUT_PAUSES_S", (300.0,))
    refused, now_s = threading.Event(), [0.0]
    far.post = Uplink("far", far.spool, far.wire, clock=lambda: now_s[0])

    def refuses(path: str, body: Any) -> Any:
        refused.set()
        raise Undelivered("not the code", lost=False, shut=True)

    far.post._wire = refuses
    far.post.start()
    assert refused.wait(30)
    now_s[0] = 300.0 + uplink.ALIVE_S - 1
    until_s = time.monotonic() + 30
    while not far.post.alive() and time.monotonic() < until_s:  # until it has begun its pause
        time.sleep(0.01)
    assert far.post.alive()
    assert stops(far.post)


def test_a_full_disk_keeps_the_reading_in_memory(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, content: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    far.read(1.0)
    far.rounds(1)
    with monkeypatch.context() as patch:
        patch.setattr(spools, "write_for_good", full)
        far.read(2.0, 3.0)
        far.rounds(2)
        assert "No space left on device" in far.post.said
        assert "2 in memory only" in far.post.said
        (rig,) = far.session.snapshot().rig.rigs
        assert rig.fault == far.post.said  # it is reported to the page all the same
    far.rounds(2)
    assert far.marks() == [1.0, 2.0, 3.0]
    assert far.post.said == ""


def test_a_disk_that_cannot_be_written_does_not_deliver_twice(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    far.read(1.0, 2.0, 3.0)
    far.post._store()

    def broken(*_: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", broken)
        far.rounds(6)
        assert far.marks() == [1.0, 2.0, 3.0]
    far.boot()  # what had arrived is not known on the disk any more
    far.rounds(2)
    assert far.marks() == [1.0, 2.0, 3.0]


def damage(path: Path) -> None:
    path.write_bytes(flipped(path.read_bytes()))


def test_a_damaged_reading_comes_from_its_copy(far: Far) -> None:
    far.read(1.0, 2.0, 3.0)
    far.post._store()
    damage(far.folder / "rig" / "000000001.json")
    damage(far.folder / "rig" / "000000003.copy")
    (far.folder / "rig" / "000000002.json").unlink()
    far.boot()
    far.rounds(3)
    assert far.marks() == [1.0, 2.0, 3.0]


def test_a_file_that_the_disk_does_not_give_back_comes_from_its_copy(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    far.read(1.0)
    far.post._store()
    read = Path.read_text

    def read_text(path: Path, *args: Any) -> str:
        if path.suffix == ".json":
            raise OSError(errno.EIO, "Input/output error")
        return read(path, *args)

    monkeypatch.setattr(Path, "read_text", read_text)
    far.rounds(4)
    assert far.marks() == [1.0]


def flipped(whole: bytes) -> bytes:
    at = len(whole) // 2
    return whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :]


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda whole: b"",
        lambda whole: b"\xff\xfe",
        lambda whole: b'{"read_at": ' + b"[" * 100_000,
        lambda whole: b"{}",
        lambda whole: b'{"read_at": 5}',
        flipped,
        lambda whole: whole.replace(b"[2.0, 0.0]", b"[9.0, 0.0]"),
    ],
)
def test_a_reading_of_which_both_copies_are_damaged_is_set_aside_and_said(
    far: Far, spoilt: Callable[[bytes], bytes]
) -> None:
    far.read(1.0, 2.0, 3.0)
    far.post._store()
    for suffix in ("json", "copy"):
        path = far.folder / "rig" / f"000000002.{suffix}"
        assert spoilt(path.read_bytes()) != path.read_bytes()
        path.write_bytes(spoilt(path.read_bytes()))
    far.boot()
    far.rounds(4)
    assert far.marks() == [1.0, 3.0]
    assert "1 readings on the disk were damaged" in far.post.said
    assert (far.folder / "rig" / "000000002.damaged").exists()
    far.read(4.0)
    far.boot().round()
    assert far.spool.damaged == 1


@pytest.mark.parametrize("name", ["name", "delivered"])
@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"../../x", b"999999x"])
def test_a_damaged_file_of_the_spools_own_stops_nothing(far: Far, name: str, content: bytes) -> None:
    far.read(1.0, 2.0)
    far.rounds(2)
    (far.folder / "rig" / name).write_bytes(content)
    far.boot()
    far.read(3.0)
    far.rounds(3)
    assert far.marks() == [1.0, 2.0, 3.0]


def test_a_spool_of_an_earlier_release_goes_on(far: Far) -> None:
    import json

    folder = far.folder / "rig"
    (folder / "delivered").write_text("4")
    (folder / "000000005.json").write_text(json.dumps({**reading(5.0), "series": "ab12", "sequence": 5}))
    far.boot()
    far.read(6.0)
    far.rounds(2)
    assert far.marks() == [5.0, 6.0]
    assert sorted(path.name for path in folder.glob("*.sent")) == ["000000005.sent", "000000006.sent"]


def test_a_page_whose_log_was_restored_gets_again_what_it_lost(far: Far) -> None:
    far.read(1.0, 2.0)
    far.rounds(2)
    kept = dict(far.session._state.memory.rigs)
    far.read(3.0, 4.0)
    far.rounds(2)
    before = len(far.marks(all_=True))
    far.session._state.keep(rigs=kept)  # as after a restore, the entries 3 and 4 aside
    far.session.hang(Place("mirror-1", (0.0, 1000.0)))
    far.read(5.0)
    far.rounds(3)
    assert far.marks(all_=True) == [1.0, 2.0, 3.0, 4.0, 3.0, 4.0, 5.0]
    again = far.session.snapshot().events[before : before + 2]
    assert [entry.withdrawn for entry in again] == [True, True]  # where the head stood then is not known
    assert (len(far.spool), far.post.said) == (0, "")


def test_what_the_rig_does_not_keep_any_more_leaves_a_gap_and_stops_nothing(far: Far) -> None:
    far.read(1.0)
    far.rounds(2)
    kept = dict(far.session._state.memory.rigs)
    far.read(2.0, 3.0)
    far.rounds(2)
    for old in (far.folder / "rig").glob("00000000[23].sent"):
        old.unlink()
    far.session._state.keep(rigs=kept)
    far.read(4.0)
    far.rounds(3)
    assert far.marks()[-1] == 4.0
    assert len(far.spool) == 0


def test_a_rig_whose_disk_was_restored_begins_a_new_series(far: Far) -> None:
    far.read(1.0, 2.0, 3.0)
    far.rounds(2)
    name = far.spool.name
    for path in (far.folder / "rig").glob("00000000[23].*"):
        path.unlink()
    far.boot()
    far.read(4.0)  # number 2 on this disk, but not on the page
    far.post._store()
    far.rounds(3)
    assert far.spool.name != name
    assert far.marks() == [1.0, 2.0, 3.0, 4.0]


def test_only_the_newest_delivered_readings_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spools, "KEPT", 3)
    spool = Spool(tmp_path)
    for number in range(1, 8):
        spool.put(reading(float(number)))
        spool.done(number)
    assert sorted(path.name[:9] for path in tmp_path.glob("*.sent")) == [
        "000000005",
        "000000006",
        "000000007",
    ]
    assert Spool(tmp_path).put(reading(8.0)) == 8


def test_a_rig_with_an_old_code_asks_less_and_less_often_and_says_so(far: Far) -> None:
    far.post._wire = post_json(far.line.address, "old-code", device="far")
    pauses = [far.post.round() for _ in range(6)]
    assert pauses == [*SHUT_PAUSES_S, SHUT_PAUSES_S[-1], SHUT_PAUSES_S[-1]]
    assert "not the access code" in far.post.said
    assert far.post.said.endswith("(trying again in 300 s)")
    far.post._wire = far.wire
    assert far.post.round() < PAUSES_S[0] + 0.1
    assert far.post.said == ""


def test_a_page_that_refuses_for_another_reason_is_asked_as_often_as_before(far: Far) -> None:
    far.line.fault = "500 in HTML"
    assert [far.post.round() for _ in range(5)] == [*PAUSES_S, PAUSES_S[-1]]


def test_a_thread_that_is_late_for_long_is_not_alive(far: Far) -> None:
    now_s = [0.0]
    post = Uplink("far", far.spool, far.wire, clock=lambda: now_s[0])
    running = threading.Event()
    post._thread = threading.Thread(target=running.wait, daemon=True)
    post._thread.start()
    assert post.alive()
    post._ask("/api/rig/sight", {"rig": "far"})
    now_s[0] = wire.WHOLE_S + uplink.ALIVE_S - 1
    assert post.alive()
    now_s[0] += 2
    assert not post.alive()
    running.set()


@pytest.mark.parametrize(
    "address",
    ["http://", "http://[", "http://[::1", "http://a b", "http://a:99999", "http://a:x", "http://ä", "ftp://a",
     "http://u:p@a", "http:///x", "http://a\n", ""],
)  # fmt: skip
def test_a_bad_address_is_one_line(address: str) -> None:
    with pytest.raises(
        ValueError, match=r"^[^\n]*: (an address begins with|not an address, such as) \S+[^\n]*$"
    ):
        post_json(address, CODE)


@pytest.mark.parametrize("code", ["a\nb", "ä", "a\0"])
def test_a_bad_code_is_not_repeated(code: str) -> None:
    with pytest.raises(ValueError, match="letters, digits") as refused:
        post_json("http://127.0.0.1:9", code)
    assert code not in str(refused.value)


def test_a_path_before_the_pages_own_is_kept(far: Far) -> None:
    with pytest.raises(Undelivered) as refused:
        post_json(f"{far.line.address}/behind/", CODE)("/api/rig/sight", {"rig": "far"})
    assert not refused.value.lost

"""A recorded alignment is replayed through the whole program: the same events come out."""

from __future__ import annotations

import errno
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from firmware import Frame
from firmware.camera.replay import FolderCamera
from server.cli.main import main
from server.log import Log
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.rig.recorder import AFTER_FRAMES, BEFORE_FRAMES, INDEX, Recorder
from server.rig.replay import Difference, Replayed, read_recording, replay
from server.session.events import event_json
from server.session.session import Session
from server.solver import profile_as_json
from server.sources.base import Place, Shot
from server.sources.camera_source import CameraSource
from tests.session.conftest import MIRROR_1, Clock, looks, looks_until
from tests.session.practice_recording import record_practice
from vision import Moment

Json = dict[str, Any]
MIRROR_2 = Place("mirror-2", (0.0, 1000.0))


def pulse(session: Session, machine: PracticeMachine, frame_loop: FrameLoop, place: Place) -> None:
    """Hang a fresh card and fire, while the frame loop watches."""
    machine.hang(place.station)
    machine.move_head(place.head_mm)
    machine.fresh_card()
    looks(frame_loop, 2)
    session.hang(place)
    session.watch(True)
    looks(frame_loop, 5)
    before = len(session.snapshot().events)
    machine.pulse()
    looks_until(frame_loop, lambda: len(session.snapshot().events) > before)


@dataclass(frozen=True)
class Recorded:
    """A recording, and the state of the session at its end."""

    folder: Path
    events: list[Json]
    step: Json


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Two marks, and a turn between."""
    folder, clock, machine = tmp_path_factory.mktemp("recorded"), Clock(), PracticeMachine(3)
    machine.hang("mirror-1")
    source = CameraSource(PracticeCamera(machine, clock=clock, sleep=clock.sleep))
    session = Session(Log(folder / "data"), source, machine=profile_as_json(machine.profile))
    session.acknowledge()
    recorder = Recorder(folder / "recording")
    frame_loop = FrameLoop(LiveMarks(session), source, keep=recorder.keep)
    recorder.note({"kind": "begin", "machine": session.machine()})
    session.listeners.append(recorder.note)
    pulse(session, machine, frame_loop, MIRROR_1)
    session.turn(1, "top", 0.125)
    pulse(session, machine, frame_loop, MIRROR_2)
    recorder.close()
    return Recorded(recorder.folder, events(session), session.snapshot().step.as_json())


@pytest.fixture
def recording(recorded: Recorded, tmp_path: Path) -> Path:
    """A copy of the recording."""
    return Path(shutil.copytree(recorded.folder, tmp_path / "recording"))


def events(session: Session) -> list[Json]:
    return [event_json(entry.event) for entry in session.snapshot().events]


def test_a_replay_gives_the_same_events(recorded: Recorded, recording: Path, tmp_path: Path) -> None:
    result = replay(recording, tmp_path / "again")
    assert [event["kind"] for event in result.events] == ["mark", "turn", "mark"]
    assert result.recorded == recorded.events
    assert result.differences() == []
    assert result.step["do"] == recorded.step["do"]


@pytest.fixture(scope="module")
def practised(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Json]]:
    """A practice laser's recording, one action long, and its events."""
    folder = tmp_path_factory.mktemp("practised")
    return folder / "recording", record_practice(folder, 5, actions=1)


def test_replayed_practice_gives_the_same_events(practised: tuple[Path, list[Json]], tmp_path: Path) -> None:
    folder, events = practised
    result = replay(folder, tmp_path / "again")
    assert [event["kind"] for event in events].count("mark") == 1
    assert result.recorded == events
    assert result.differences() == []


def test_one_event_more_makes_no_other_differ() -> None:
    turns = [{"kind": "turn", "mount": 1, "screw": "top", "turns": n / 8} for n in range(1, 6)]
    missed = {"kind": "no-mark", "station": "mirror-2", "head_mm": [0.0, 0.0]}
    result = Replayed(recorded=turns, events=[turns[0], missed, *turns[1:]])
    assert result.differences() == [Difference(None, missed)]


@pytest.mark.parametrize("name", ["../000000.jpg", "/etc/passwd", "000000.png", 7])
def test_only_the_recordings_own_pictures_are_opened(recording: Path, name: object, tmp_path: Path) -> None:
    index = recording / INDEX
    lines = [json.loads(line) for line in index.read_text().splitlines()]
    next(line for line in lines if "picture" in line)["picture"] = name
    index.write_text("\n".join(json.dumps(line) for line in lines))
    with pytest.raises(ValueError, match=r"recording.jsonl, line \d+: "):
        replay(recording, tmp_path / "again")


@pytest.mark.parametrize(
    "line",
    [
        "7",
        "[]",
        '{"did": 3}',
        '{"did": {"kind": "x"}}',
        '{"did": {"kind": "event", "event": {}}}',
        '{"did": {"kind": "event", "event": {"kind": "turn"}}}',
        '{"did": {"kind": "hang", "place": {"station": 3}}}',
        "[" * 100_000,
    ],
)
def test_nonsense_in_a_recording_is_one_line(recording: Path, line: str, tmp_path: Path) -> None:
    index = recording / INDEX
    first, *rest = index.read_text().splitlines()
    index.write_text("\n".join([first, line, *rest]))
    with pytest.raises(ValueError, match=r"^recording.jsonl[^\n]*$"):
        replay(recording, tmp_path / "again")


def test_every_kind_of_action_is_played_again(recording: Path, tmp_path: Path) -> None:
    """Marks without pictures were typed by a person."""
    index = recording / INDEX
    first, *_ = index.read_text().splitlines()
    place = {"station": "mirror-1", "head_mm": [0.0, 1000.0]}
    one, other = (
        {"kind": "mark", **place, "offset_mm": [u, 0.0], "sigma_mm": [0.1, 0.1]} for u in (1.0, 9.0)
    )
    blank = {"kind": "no-mark", **place}
    looked = {"kind": "inspected", "cause": "gantry-racking", "outcome": "fixed"}
    did = [
        {"kind": "hang", "place": place},
        {"kind": "event", "event": one},
        {"kind": "event", "event": other},
        {"kind": "withdraw", "event": other},
        {"kind": "hang", "place": place},
        {"kind": "event", "event": blank},
        {"kind": "event", "event": looked},
    ]
    index.write_text("\n".join([first, *(json.dumps({"did": each}) for each in did)]))
    said: list[str] = []
    result = replay(recording, tmp_path / "again", report=said.append)
    assert said == []
    assert [event["kind"] for event in result.events] == ["mark", "no-mark", "inspected"]
    assert result.events[0]["offset_mm"] == [1.0, 0.0]
    assert result.differences() == []


def test_what_is_refused_now_is_said_and_the_rest_goes_on(recording: Path, tmp_path: Path) -> None:
    index = recording / INDEX
    first, *_ = index.read_text().splitlines()
    nowhere = {"kind": "hang", "place": {"station": "mirror-9", "head_mm": [0.0, 0.0]}}
    turn = {"kind": "event", "event": {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.25}}
    index.write_text("\n".join([first, *(json.dumps({"did": did}) for did in (nowhere, turn))]))
    said: list[str] = []
    result = replay(recording, tmp_path / "again", report=said.append)
    assert len(said) == 1 and "station" in said[0]
    assert [event["kind"] for event in result.events] == ["turn"]


def test_only_the_frames_around_what_happened_are_kept(tmp_path: Path) -> None:
    """Frame 50 is followed by an action; in frame 100 a card was found."""
    recorder, pixels = Recorder(tmp_path), np.zeros((48, 64, 3), np.uint8)
    for number in range(150):
        events = ("card found",) if number == 100 else ("card moved",)
        recorder.keep(Frame(pixels, number / 15, number), Moment(number / 15, events, None, None, None))
        if number == 50:
            recorder.note({"kind": "hang"})
    recorder.close()
    lines = list(read_recording(tmp_path))
    numbers = [line["number"] for line in lines if "picture" in line]
    around_50 = range(50 - BEFORE_FRAMES + 1, 50 + AFTER_FRAMES + 1)
    around_100 = range(100 - BEFORE_FRAMES + 1, 100 + AFTER_FRAMES)
    assert numbers == [*around_50, *around_100]
    assert len(list(tmp_path.glob("*.jpg"))) == len(numbers)
    assert [n for n, line in enumerate(lines) if "did" in line] == [BEFORE_FRAMES]


def test_it_also_plays_as_a_camera(recording: Path) -> None:
    camera = FolderCamera(recording)
    camera.start()
    assert camera.newest().pixels.shape == (720, 1280, 3)
    camera.stop()


def test_another_result_is_shown_with_both_values(
    recording: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    index = recording / INDEX
    lines = [json.loads(line) for line in index.read_text().splitlines()]
    kinds = [line.get("did", {}).get("event", {}).get("kind") for line in lines]
    lines[kinds.index("mark")]["did"]["event"]["offset_mm"][0] += 1.0
    until_the_turn = lines[: kinds.index("turn") + 1]
    index.write_text("\n".join(json.dumps(line) for line in until_the_turn))
    assert main(["replay", str(recording)]) == 1
    said = capfd.readouterr().out
    assert "2 events, 1 differ" in said
    assert said.count("differs: then") == 1


def test_a_torn_last_line_is_no_fault_but_a_torn_one_before_is(recording: Path, tmp_path: Path) -> None:
    index = recording / INDEX
    whole = index.read_text()
    index.write_text(whole[:-9])
    assert len(list(read_recording(recording))) == len(whole.splitlines()) - 1
    index.write_text(whole.replace("}\n", "\n", 1))
    with pytest.raises(ValueError, match="line 1: not JSON"):
        list(read_recording(recording))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "No such file or directory: is that a recording"),
        (b"\xff\n", "is that a recording"),
        (b"{\n{}\n", "line 1: not JSON"),
        (b"[" * 100_000 + b"\n{}\n", "line 1: not JSON"),
    ],
)
def test_an_index_that_cannot_be_read_is_one_line(tmp_path: Path, content: bytes | None, said: str) -> None:
    if content is not None:
        (tmp_path / INDEX).write_bytes(content)
    with pytest.raises(ValueError, match=said) as refused:
        list(read_recording(tmp_path))
    assert "\n" not in str(refused.value)


def test_a_path_that_cannot_be_is_no_recording(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="is that a recording"):
        list(read_recording(tmp_path / "a\0b"))


@pytest.mark.parametrize("what", ["missing", "empty", "no-begin", "no-picture"])
def test_what_is_not_a_recording_is_one_line(
    recording: Path, what: str, capfd: pytest.CaptureFixture[str]
) -> None:
    index = recording / INDEX
    lines = index.read_text().splitlines()
    if what == "missing":
        shutil.rmtree(recording)
    elif what == "empty":
        index.write_text("")
    elif what == "no-begin":
        index.write_text("\n".join(lines[1:]))
    else:
        (recording / "000003.jpg").unlink()
    assert main(["replay", str(recording)]) == 2
    said = capfd.readouterr().err
    assert said.startswith("spotwright: ")
    assert said.count("\n") == 1


def test_a_full_disk_ends_the_recording_and_nothing_else(
    tmp_path: Path, session: Session, machine: PracticeMachine
) -> None:
    recorder = Recorder(tmp_path / "recording", free_bytes=lambda: 10)
    frame_loop = FrameLoop(LiveMarks(session), session.source, keep=recorder.keep)
    session.listeners.append(recorder.note)
    pulse(session, machine, frame_loop, MIRROR_1)
    assert len(events(session)) == 1
    assert recorder.ended is not None
    assert "disk" in recorder.ended
    assert list((tmp_path / "recording").glob("*.jpg")) == []
    recorder.close()


def full(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("what", ["pictures", "index"])
def test_a_disk_that_fails_ends_the_recording_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    recorder, pixels = Recorder(tmp_path), np.zeros((48, 64, 3), np.uint8)
    if what == "pictures":
        monkeypatch.setattr(Path, "write_bytes", full)
    else:
        monkeypatch.setattr(recorder, "_index", SimpleNamespace(write=full, close=recorder._index.close))
    recorder.keep(Frame(pixels, 1.0, 1), None)
    recorder.note({"do": "hang"})
    assert recorder.ended == "the recording has ended: No space left on device"
    monkeypatch.undo()
    recorder.keep(Frame(pixels, 2.0, 2), None)
    recorder.note({"do": "hang", "shot": Shot(pixels, pixels)})
    recorder.close()
    assert recorder.ended.endswith("on device")
    assert (tmp_path / "recording.jsonl").read_text() == ""
    assert list(tmp_path.rglob("*.png")) == []


def test_a_pulse_without_a_picture_before_it_is_recorded_too(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path)
    recorder.note({"do": "hang", "shot": Shot(np.zeros((48, 64, 3), np.uint8), None)})
    recorder.close()
    (line,) = (tmp_path / "recording.jsonl").read_text().splitlines()
    assert json.loads(line)["shot"] == {"before": None, "after": "shots/000001.png"}


def test_a_recording_continues_after_a_restart(recording: Path) -> None:
    before = len(list(recording.glob("*.jpg")))
    recorder = Recorder(recording)
    for line in list(read_recording(recording))[:1]:
        recorder.note(line["did"])
    from vision import load_picture

    recorder.keep(Frame(load_picture(recording / "000000.jpg"), 1.0, 1), None)
    recorder.close()
    assert len(list(recording.glob("*.jpg"))) == before + 1

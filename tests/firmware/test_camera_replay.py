import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from firmware import CameraNotStarted, CameraTimeout, ReplayRefused
from firmware.camera.replay import FolderCamera
from tests.firmware.clock import Clock


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for i in range(4):
        cv2.imwrite(str(tmp_path / f"{i:02}.png"), np.full((20, 30, 3), 10 * i, np.uint8))
    (tmp_path / "notes.txt").write_text("not a picture")
    return tmp_path


def _camera(source: Path, clock: Clock, **options) -> FolderCamera:
    camera = FolderCamera(source, clock=clock, sleep=clock.sleep, **options)
    camera.start()
    return camera


def test_pictures_come_in_order_on_their_own_clock(folder: Path, clock: Clock) -> None:
    camera, frames, number = _camera(folder, clock, frames_per_s=4), [], -1
    for _ in range(4):
        frames.append(camera.newest(newer_than=number))
        number = frames[-1].number
    assert [frame.number for frame in frames] == [0, 1, 2, 3]
    assert [frame.pixels[0, 0, 0] for frame in frames] == [0, 10, 20, 30]
    assert [frame.time_s - 50 for frame in frames] == pytest.approx([0, 0.25, 0.5, 0.75])
    assert frames[0].pixels.shape == (20, 30, 3)


def test_a_slow_reader_gets_the_newest(folder: Path, clock: Clock) -> None:
    camera = _camera(folder, clock, frames_per_s=4)
    clock.now_s += 0.6
    assert camera.newest().number == 2


def test_at_the_end_it_holds_the_last_picture(folder: Path, clock: Clock) -> None:
    camera = _camera(folder, clock, frames_per_s=4)
    clock.now_s += 100
    frame = camera.newest(newer_than=399)
    assert (frame.number, frame.pixels[0, 0, 0]) == (400, 30)


def test_at_the_end_it_can_say_that_it_is_over(folder: Path, clock: Clock) -> None:
    camera = _camera(folder, clock, frames_per_s=4, hold=False)
    clock.now_s += 100
    last = camera.newest()
    assert last.number == 3
    with pytest.raises(CameraTimeout, match="the recording is over"):
        camera.newest(newer_than=last.number)


def test_too_short_a_timeout(folder: Path, clock: Clock) -> None:
    camera = _camera(folder, clock, frames_per_s=0.1)
    with pytest.raises(CameraTimeout, match=r"due in 8\.0 s"):
        camera.newest(newer_than=0)


def test_a_video_plays_the_same(tmp_path: Path, clock: Clock) -> None:
    path = tmp_path / "run.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 10, (64, 48))
    for i in range(5):
        writer.write(np.full((48, 64, 3), 40 * i, np.uint8))
    writer.release()
    camera = _camera(path, clock, frames_per_s=10)
    for want in (0, 1, 4, 2):
        clock.now_s = 50 + 0.1 * want
        assert camera.newest().pixels.mean() == pytest.approx(40 * want, abs=3)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [("a.jpg", b"", "a.jpg: not a picture"), ("b.png", b"\x89PNG damaged", "b.png: not a picture")],
)
def test_a_damaged_picture_is_named(tmp_path: Path, clock: Clock, name, content, said) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ReplayRefused, match=said):
        _camera(tmp_path, clock).newest()


def test_nothing_to_play_is_refused(tmp_path: Path, clock: Clock) -> None:
    with pytest.raises(ReplayRefused, match="no picture in it"):
        FolderCamera(tmp_path)
    with pytest.raises(ReplayRefused, match="neither a folder"):
        FolderCamera(tmp_path / "absent")
    (tmp_path / "x.mp4").write_bytes(b"no video")
    with pytest.raises(ReplayRefused, match=r"x\.mp4: not a video"):
        FolderCamera(tmp_path / "x.mp4")


def test_before_start_there_is_nothing(folder: Path) -> None:
    with pytest.raises(CameraNotStarted):
        FolderCamera(folder).newest()


def _recorded(folder: Path, stamps_s: list[float]) -> FolderCamera:
    folder.mkdir()
    for index in range(len(stamps_s)):
        cv2.imwrite(str(folder / f"{index}.png"), np.full((4, 6, 3), index, np.uint8))
    lines = [json.dumps({"picture": f"{i}.png", "time_s": t, "number": i}) for i, t in enumerate(stamps_s)]
    (folder / "recording.jsonl").write_text("\n".join([*lines, '{"did": {"kind": "hang"}}', '{"torn']))
    clock = Clock()
    return FolderCamera(folder, clock=clock, sleep=clock.sleep)


def test_a_recording_plays_at_its_own_pace_with_pauses_shortened(tmp_path: Path) -> None:
    camera = _recorded(tmp_path / "r", [50.0, 50.1, 50.3, 400.0, 400.1])
    camera.start()
    frames = [camera.newest(newer_than=number) for number in range(-1, 6)]
    began_s = frames[0].time_s
    after_s = [round(frame.time_s - began_s, 3) for frame in frames]
    assert after_s == [
        0.0,
        0.1,
        0.3,
        1.3,
        1.4,
        pytest.approx(1.467, abs=1e-3),
        pytest.approx(1.533, abs=1e-3),
    ]
    assert [int(frame.pixels[0, 0, 0]) for frame in frames] == [0, 1, 2, 3, 4, 4, 4]


def test_a_slow_reader_of_a_recording_misses_frames(tmp_path: Path) -> None:
    camera = _recorded(tmp_path / "r", [0.0, 0.1, 0.2, 0.3, 0.4])
    camera.start()
    first = camera.newest()
    camera._sleep(0.25)
    assert camera.newest(newer_than=first.number).number == 2


def test_a_recording_that_does_not_fit_its_pictures_is_refused(tmp_path: Path) -> None:
    camera = tmp_path / "r"
    _recorded(camera, [0.0, 0.1])
    (camera / "more.png").write_bytes((camera / "0.png").read_bytes())
    with pytest.raises(ReplayRefused, match="other pictures"):
        FolderCamera(camera)

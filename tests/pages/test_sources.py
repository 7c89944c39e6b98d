"""Where pictures come from: what counts as before and after, and that many eyes cost one picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pytest

from firmware import CameraMissing, CameraTimeout, RigError
from firmware.camera.base import PlainCamera
from server.pages.serve import source_named
from server.practice import PracticeMachine
from server.sources.base import Feed, NoPicture, OfflineSource, Place
from server.sources.camera_source import CameraSource, camera_source
from server.sources.practice_source import PracticeSource
from tests.pages.doubles import Bench
from vision import NoReading, read

MIRROR_1 = Place("mirror-1", (0.0, 1000.0))


@dataclass
class Frame:
    number: int
    time_s: float = 0.0

    @property
    def pixels(self) -> np.ndarray:
        return np.full((4, 6, 3), self.number, np.uint8)


@dataclass
class Camera(PlainCamera):
    """Each call sees one frame more; ``fault`` is raised instead."""

    kind: str = "fake"
    number: int = 0
    fault: RigError | None = None
    asked: list[int] = field(default_factory=list)
    calls: list[object] = field(default_factory=list)

    def start(self) -> None: ...

    def lock_light(self) -> tuple[str, ...]:
        self.calls.append("locked")
        return ("exposure",)

    def release_light(self) -> None:
        self.calls.append("released")

    def set_pace(self, frames_per_s: float) -> None:
        self.calls.append(frames_per_s)

    def stop(self) -> None: ...

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        if self.fault:
            raise self.fault
        self.asked.append(newer_than)
        self.number = max(self.number + 1, newer_than + 1)
        return Frame(self.number)


def test_the_picture_from_before_is_the_one_when_the_card_was_hung() -> None:
    source = CameraSource(Camera())
    source.hang(MIRROR_1)
    source.frame()
    shot = source.shot()
    assert shot.before is not None
    assert shot.before[0, 0, 0] == 1
    assert shot.after[0, 0, 0] == 3


def test_after_a_mark_was_taken_its_picture_is_the_one_from_before() -> None:
    source = CameraSource(Camera())
    source.hang(MIRROR_1)
    first = source.shot()
    source.taken(first.after)
    again = source.shot()
    assert again.before is first.after


def test_a_shot_is_never_an_old_frame() -> None:
    camera = Camera()
    source = CameraSource(camera)
    source.hang(MIRROR_1)
    seen = camera.number
    source.shot()
    assert camera.asked[-1] >= seen


def test_what_is_asked_of_the_source_is_asked_of_its_camera() -> None:
    camera = Camera()
    source = CameraSource(camera)
    source.hold_light(True)
    source.set_pace(5.0)
    source.hold_light(False)
    assert camera.calls == ["locked", 5.0, "released"]


@pytest.mark.parametrize("fault", [CameraTimeout("no frame: look at the cable"), CameraMissing("unplugged")])
def test_what_the_camera_says_reaches_the_person(fault: RigError) -> None:
    source = CameraSource(Camera(fault=fault))
    for call in (source.frame, source.shot, lambda: source.hang(MIRROR_1)):
        with pytest.raises(NoPicture, match=str(fault).split(":")[0]):
            call()


def test_an_unknown_kind_of_camera_is_one_line() -> None:
    with pytest.raises(RigError, match="choose one of pi"):
        camera_source("daguerreotype")


def test_many_viewers_cost_one_picture() -> None:
    bench, now = Bench(frame_age_s=0.1), [0.0]
    feed = Feed(bench, clock=lambda: now[0])
    pictures = {feed.jpeg() for _ in range(20)}
    assert len(pictures) == bench.frames == 1
    now[0] = 0.2
    feed.jpeg()
    assert bench.frames == 2
    feed.clear()
    feed.jpeg()
    assert bench.frames == 3


def test_practice_goes_through_the_picture_and_comes_back_from_json() -> None:
    source = PracticeSource(PracticeMachine(3))
    source.hang(MIRROR_1)
    shot = source.shot()
    assert not isinstance(read(shot.after, shot.before), NoReading)
    again = PracticeSource(PracticeMachine(99))
    again.restore(source.to_json())
    assert again.to_json() == source.to_json()
    assert "truth" not in repr(sorted(vars(again)))


def test_offline_has_no_picture_and_says_what_to_do() -> None:
    with pytest.raises(NoPicture, match="send a photo"):
        OfflineSource().frame()


@pytest.mark.parametrize("name", ["daguerreotype", "replay:/no/such/folder"])
def test_a_camera_that_does_not_open_is_one_line(name: str) -> None:
    with pytest.raises(RigError) as refusal:
        source_named(name)()
    assert "\n" not in str(refusal.value)


def test_a_folder_of_pictures_serves_as_a_camera(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "one.png"), np.full((48, 64, 3), 90, np.uint8))
    source = source_named(f"replay:{tmp_path}")()
    assert source.look(newer_than=-1, timeout_s=300.0).pixels.shape == (48, 64, 3)
    source.close()


def test_a_new_practice_laser_is_seen_by_whoever_looked_at_the_old_one() -> None:
    """However often another has looked meanwhile: a frame's number only rises."""
    source = PracticeSource(PracticeMachine(3))
    seen = source.look(newer_than=-1, timeout_s=1.0).number
    for renew in (lambda: source.renew({"seed": 4}), lambda: source.restore(source.to_json())):
        seen = source.look(newer_than=seen, timeout_s=1.0).number
        renew()
        source.look(newer_than=-1, timeout_s=1.0)
        frame = source.look(newer_than=seen, timeout_s=0.0)
        assert frame.number > seen


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
def test_the_practice_laser_comes_in_both_layouts(corner: str) -> None:
    source = PracticeSource(PracticeMachine(3))
    source.renew({"seed": 4, "corner": corner, "severity": "rebuilt"})
    machine = source.machine()
    assert machine is not None
    assert machine["path"]["corner"] == corner
    assert source.laser.severity == "rebuilt"

"""A mark found in the small stream is measured in the full one, with a two-stream practice camera."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import pytest

from firmware import Frame
from server.practice import PracticeCamera, PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.full_resolution import FullLook
from server.rig.uplink import Spool, Uplink
from server.sources.base import NoPicture, OfflineSource, Shot
from server.sources.camera_source import CameraSource
from tests.pages.doubles import reading
from tests.session.conftest import Clock, looks, looks_until
from vision import Moment

Json = dict[str, Any]


class TwoStreams(PracticeCamera):
    """Half the size in the stream, the full size on request."""

    full_taken = 0

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Any:
        frame = super().newest(newer_than=newer_than, timeout_s=timeout_s)
        small = cv2.resize(frame.pixels, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
        return Frame(small, frame.time_s, frame.number)

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Any:
        self.full_taken += 1
        return super().newest(newer_than=newer_than, timeout_s=timeout_s)


@pytest.fixture
def camera(machine: PracticeMachine, clock: Clock) -> TwoStreams:
    return TwoStreams(machine, clock=clock, sleep=clock.sleep)


@pytest.fixture(autouse=True)
def _soon_calm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.rig.full_resolution.CALM_S", 0.3)


def watched(frame_loop: FrameLoop, machine: PracticeMachine, uplink: Uplink) -> None:
    """Look at the quiet card, then at a pulse until its mark is there."""
    looks(frame_loop, 10)
    machine.pulse()
    looks_until(frame_loop, uplink._spool.first)


def sent(uplink: Uplink) -> Json:
    first = uplink._spool.first()
    assert first is not None
    mark: Json = first["mark"]
    return mark


def test_a_mark_is_measured_at_full_resolution(
    machine: PracticeMachine, camera: TwoStreams, tmp_path: Path
) -> None:
    scales = {}
    for name, full in (("small", False), ("full", True)):
        source = CameraSource(camera)
        look = FullLook(source) if full else None
        uplink = Uplink("far", Spool(tmp_path / name), lambda path, body: {}, full=look)
        machine.fresh_card()
        watched(FrameLoop(uplink, source), machine, uplink)
        mark = sent(uplink)
        (burn,) = machine.cards["mirror-1"].burns
        assert mark["offset_mm"] == pytest.approx(burn.offset_mm, abs=0.15)
        scales[name] = mark["px_per_mm"]
    assert scales["small"] == pytest.approx(0.6 * scales["full"], rel=0.02)
    assert camera.full_taken == 2  # once before the pulse, once after it: full pictures are expensive


def test_what_the_small_stream_found_stands_where_the_full_one_fails(
    machine: PracticeMachine, camera: TwoStreams, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = CameraSource(camera)
    uplink = Uplink("far", Spool(tmp_path), lambda path, body: {}, full=FullLook(source))
    frame_loop = FrameLoop(uplink, source)
    looks(frame_loop, 10)

    def gone() -> None:
        raise NoPicture("gone")

    monkeypatch.setattr(source, "shot", gone)
    machine.pulse()
    looks_until(frame_loop, uplink._spool.first)
    assert sent(uplink)["station"] == "mirror-1"


def test_a_card_without_a_large_picture_is_not_looked_at_once_more_after_the_pulse() -> None:
    asked = []

    class Gone(OfflineSource):
        def shot(self) -> Shot:
            asked.append(1)
            raise NoPicture("gone")

    look, found = FullLook(Gone()), reading("mirror-1")
    for at_s, events in ((0.0, ("card found",)), (2.0, ()), (2.1, ("pulse seen",))):
        look.moment(Moment(at_s, events, "mirror-1", found.card, None))
    assert look.measure(found) is found
    assert len(asked) == 1


def test_another_card_in_the_full_picture_is_not_believed(
    machine: PracticeMachine, camera: TwoStreams, tmp_path: Path
) -> None:
    from vision import read

    source = CameraSource(camera)

    def elsewhere(after: Any, before: Any) -> Any:
        return replace(read(after, before), station="nozzle")  # type: ignore[type-var]

    uplink = Uplink("far", Spool(tmp_path), lambda path, body: {}, full=FullLook(source, reader=elsewhere))
    watched(FrameLoop(uplink, source), machine, uplink)
    assert sent(uplink)["station"] == "mirror-1"

import numpy as np
import pytest

import firmware.camera
from server.practice import PracticeCamera, PracticeMachine
from server.practice.view import COLS, ROWS


class Clock:
    """A clock that advances only in ``sleep``."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture(scope="module")
def shared() -> tuple[PracticeMachine, PracticeCamera, Clock]:
    clock = Clock()
    machine = PracticeMachine(11)
    camera = PracticeCamera(machine, clock=clock, sleep=clock.sleep)
    camera.start()
    return machine, camera, clock


def test_it_satisfies_the_rig_s_interface(shared) -> None:
    camera: firmware.camera.Camera = shared[1]
    frame = camera.newest()
    assert camera.kind == "practice"
    assert frame.pixels.shape == (ROWS, COLS, 3)
    assert frame.pixels.dtype == np.uint8


def test_frames_come_at_their_rate_and_in_order(shared) -> None:
    _, camera, clock = shared
    first = camera.newest()
    assert camera.newest() is first
    second = camera.newest(newer_than=first.number)
    assert second.number == first.number + 1
    assert second.time_s - first.time_s == pytest.approx(1 / 15)
    assert clock.now_s == second.time_s


def test_too_short_a_timeout_raises_timeout_error(shared) -> None:
    _, camera, _ = shared
    with pytest.raises(TimeoutError, match=r"within 0\.1 s"):
        camera.newest(newer_than=camera.newest().number + 50, timeout_s=0.1)


def test_no_frame_before_start_or_after_stop() -> None:
    camera = PracticeCamera(PracticeMachine(1))
    with pytest.raises(RuntimeError, match="not started"):
        camera.newest()
    camera.start()
    camera.stop()
    with pytest.raises(RuntimeError, match="not started"):
        camera.newest()


def test_a_pulse_shows_at_once_where_it_struck_and_nowhere_else(shared) -> None:
    machine, camera, _ = shared
    machine.hang("mirror-1")
    before = camera.newest()
    machine.pulse()
    after = camera.newest(newer_than=before.number, timeout_s=0.0)
    darker = before.pixels.astype(int).sum(axis=2) - after.pixels.astype(int).sum(axis=2)
    rows, cols = np.nonzero(darker > 120)
    assert np.ptp(rows) < 60
    assert np.ptp(cols) < 60
    assert len(rows) > 200


def test_cards_are_remembered_and_fresh_ones_are_clean(shared) -> None:
    machine, camera, _ = shared
    machine.hang("mirror-3")
    clean = camera.newest().pixels
    machine.pulse()
    marked = camera.newest().pixels
    for station in ("mirror-1", "nozzle", "mirror-2"):
        machine.hang(station)
        camera.newest()
    machine.hang("mirror-3")
    again = camera.newest().pixels
    assert np.abs(again.astype(int) - marked).mean() < np.abs(clean.astype(int) - marked).mean() + 0.5
    machine.fresh_card()
    assert _dark(camera.newest().pixels) < _dark(again) - 100


def _dark(pixels: np.ndarray) -> int:
    """Dark pixels in the picture's middle, where the window is."""
    return int((pixels[200:500, 500:780].max(axis=2) < 70).sum())


def test_after_a_restart_the_picture_is_the_same() -> None:
    clock = Clock()
    machine = PracticeMachine(2)
    machine.hang("mirror-2")
    machine.pulse()
    again = PracticeMachine.from_json(machine.to_json())
    pictures = []
    for one in (machine, again):
        camera = PracticeCamera(one, clock=clock, sleep=clock.sleep)
        camera.start()
        pictures.append(camera.newest().pixels)
    assert np.array_equal(*pictures)


def test_a_picture_is_never_clipped_flat(shared) -> None:
    pixels = shared[1].newest().pixels
    assert (pixels == 255).mean() < 0.002
    assert (pixels == 0).mean() < 0.002

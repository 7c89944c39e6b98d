"""Focus: each clip before each lens is sharp within two seconds of its own clock, and stays so."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pytest

import vision
from firmware.camera.fake import FakeCamera
from firmware.camera.fake_lens import FakeLens, blurred
from firmware.camera.focus import FocusScan, card_sharpness, focus_kind, free_focus, set_focus
from firmware.camera.pi import PiCamera
from tests.firmware.clock import Clock
from tests.firmware.lens_library import LensLibrary

# Focal length, F number, field across: Raspberry Pi documentation, "Hardware specifications" of the cameras.
LENSES = {"wide": (2.75, 2.2, 102.0), "standard": (4.74, 1.8, 66.0)}
# From lens to card, mm, of each clip with a camera (hardware/README.md, which prints the same dioptres).
CLIPS = {"small card": 52.0, "larger card": 84.0, "other camera": 145.0}
OFF = (-2.0, 1.5)  # dioptres by which a lens's own scale may be off: assumed, no source
PLACES = [(lens, clip, off) for lens in LENSES for clip in CLIPS for off in OFF]


@functools.cache
def card(size: str = "standard", *, cols: int = 1280) -> np.ndarray:
    """The card in the middle of a picture, leaning as before a clip's camera, with a sensor's noise."""
    flat = vision.draw_card("mirror-1", dpi=150, size=size)
    rows, wide = flat.shape
    half = cols * 9 / 32
    corners = np.float32([[0, 0], [wide, 0], [wide, rows], [0, rows]])
    aim = np.float32([[-0.62, -0.78], [0.62, -0.78], [0.78, 0.78], [-0.78, 0.78]]) * half + (cols / 2, half)
    into = cv2.getPerspectiveTransform(corners, np.float32(aim))
    seen = cv2.warpPerspective(flat, into, (cols, cols * 9 // 16), flags=cv2.INTER_AREA, borderValue=90)
    soft = cv2.GaussianBlur(seen, (0, 0), 0.7) * 0.7 + 20
    noise = np.random.default_rng(5).normal(0, 2, soft.shape)
    return np.repeat(np.clip(soft + noise, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@dataclass(frozen=True)
class Run:
    """What came of one start."""

    library: LensLibrary
    camera: PiCamera
    seconds: float
    pixels: np.ndarray
    set_to: float


class Timed(PiCamera):
    """Remembers when the first frame was good enough to be handed out."""

    first_s: float | None = None

    def _searches(self, pixels: np.ndarray) -> bool:
        searches = super()._searches(pixels)
        if not searches and self.first_s is None:
            self.first_s = self._clock()
        return searches


def started(lens: FakeLens | None, *, picture: np.ndarray | None = None, **options: Any) -> Run:
    clock = Clock()
    shown = card() if picture is None else picture
    library = LensLibrary(shown, lens, clock, reports=options.pop("reports", True))
    library.most = options.pop("most", 80)
    began_s = clock()
    camera = Timed(opener=lambda number: library, clock=clock, small_px=None, **options)
    camera.start()
    assert library.looked.wait(300)
    assert camera.first_s is not None
    return Run(library, camera, camera.first_s - began_s, camera.newest().pixels, library.position)


def simulated(name: str, card_mm: float, off: float = 0.0) -> FakeLens:
    focal_mm, f_number, field_deg = LENSES[name]
    return FakeLens(focal_mm, f_number, field_deg, card_dioptres=1000 / card_mm, off_dioptres=off)


@pytest.mark.parametrize(("name", "clip", "off"), PLACES)
def test_every_clip_before_every_lens_is_sharp_within_two_seconds(name: str, clip: str, off: float) -> None:
    lens = simulated(name, CLIPS[clip], off)
    run = started(lens, focus_dioptres=lens.card_dioptres)
    assert run.seconds <= 2.0
    assert lens.blur_px(run.set_to, 1280) < 1.0
    found = vision.find_card(run.pixels)
    assert not isinstance(found, vision.NoReading)
    assert found[1].markers_seen == 4


def test_where_libcamera_leaves_the_lens_the_card_of_a_near_clip_cannot_be_read() -> None:
    """What this cures: libcamera starts in manual mode at 1 dioptre."""
    assert simulated("wide", CLIPS["small card"]).blur_px(1.0, 1280) > 10
    for clip in ("small card", "larger card"):
        seen = simulated("standard", CLIPS[clip]).seen(card("small"), 1.0)
        found = vision.find_card(seen)
        assert isinstance(found, vision.NoReading) or found[1].markers_seen < 4


def test_a_lens_that_does_not_say_where_it_stands_is_given_time() -> None:
    lens = simulated("standard", 145.0, 1.0)
    run = started(lens, focus_dioptres=lens.card_dioptres, reports=False, most=200)
    assert lens.blur_px(run.set_to, 1280) < 1.0


@pytest.mark.parametrize("level", [0, 120, 255])
def test_without_anything_in_view_it_stands_at_the_clip_s_distance(level: int) -> None:
    run = started(
        simulated("standard", 145.0), picture=np.full((360, 640, 3), level, np.uint8), focus_dioptres=6.9
    )
    assert run.set_to == pytest.approx(6.9)
    assert run.seconds < 1.0


def test_something_sharp_that_is_no_card_is_not_taken_for_one() -> None:
    behind = simulated("standard", 1000.0)  # the workshop behind an empty clip
    run = started(behind, focus_dioptres=6.9)
    assert run.set_to == pytest.approx(6.9)


def test_the_card_that_comes_later_is_searched_once_when_it_is_there() -> None:
    lens = simulated("standard", 145.0, 1.2)
    run = started(lens, picture=np.full((720, 1280, 3), 120, np.uint8), focus_dioptres=6.9, most=400)
    camera = PiCamera(
        opener=lambda number: library, clock=run.library.clock, small_px=None, focus_dioptres=6.9
    )
    library = LensLibrary(np.full((720, 1280, 3), 120, np.uint8), lens, run.library.clock)
    library.most = 60
    camera.start()
    assert library.looked.wait(300)
    assert library.position == pytest.approx(6.9)
    library.picture, library.most = card(), 140
    library._shown.clear()
    library.looked.clear()
    assert camera.lock_light() == ()
    library.go_on.set()
    assert library.looked.wait(300)
    assert lens.blur_px(library.position, 1280) < 1.0
    assert {"AeEnable": False, "ExposureTime": 8000} in library.controls  # and then the light is held


def test_a_held_lens_is_not_moved_by_the_light() -> None:
    lens = simulated("standard", 145.0, 1.2)
    run = started(lens, focus_dioptres=6.9)
    before = len(run.library.controls)
    assert run.camera.lock_light() == ("exposure", "focus")
    run.camera.release_light()
    assert not any("LensPosition" in one or "AfMode" in one for one in run.library.controls[before:])


def test_a_camera_that_was_just_started_is_not_held_before_it_has_its_light() -> None:
    clock = Clock()
    library = LensLibrary(card(cols=320), None, clock)
    library.most = 3
    camera = PiCamera(opener=lambda number: library, clock=clock, small_px=None)
    camera.start()
    assert library.looked.wait(300)
    assert camera.lock_light() == ()
    assert not any("AeEnable" in one for one in library.controls)
    library.looked.clear()
    library.most = 20
    library.go_on.set()
    assert library.looked.wait(300)
    assert {"AeEnable": False, "ExposureTime": 8000} in library.controls


def test_the_sensor_itself_slows_down_when_nobody_looks() -> None:
    run = started(None, picture=card(cols=320), most=20)
    run.camera.set_pace(5.0)
    run.library.looked.clear()
    run.library.most = 40
    run.library.go_on.set()
    assert run.library.looked.wait(300)
    assert run.library.interval_s == pytest.approx(0.2)
    assert run.library.controls[-1] == {"FrameDurationLimits": (200_000, 200_000)}


def test_a_camera_without_a_motor_is_told_apart() -> None:
    run = started(None, picture=card(cols=320), focus_dioptres=6.9, most=20)
    assert run.camera.focus == "by hand"
    assert not any("LensPosition" in one or "AfMode" in one for one in run.library.controls)
    assert started(simulated("wide", 52.0), focus_dioptres=19.2).camera.focus == "motor"


def test_without_a_clip_the_camera_focuses_by_itself_from_the_start_over_all_it_reaches() -> None:
    run = started(simulated("standard", 145.0), most=20)
    assert run.library.controls[0] == {"AfMode": 2, "AfRange": 2}


def test_pictures_of_a_camera_that_hangs_upside_down_are_turned() -> None:
    run = started(None, picture=card(cols=640), upside_down=True, most=20)
    assert np.array_equal(run.pixels, card(cols=640)[::-1, ::-1])


def test_controls_stay_within_what_the_lens_reaches() -> None:
    there = {"LensPosition": (0.0, 15.0, 1.0), "AfMode": (0, 2, 0)}
    assert set_focus(there, 19.2) == {"AfMode": 0, "LensPosition": 15.0}
    assert free_focus(there) == {"AfMode": 2}
    assert (focus_kind(there), focus_kind({}), set_focus({}, 19.2), free_focus({})) == (
        "motor",
        "by hand",
        {},
        {},
    )
    assert FocusScan(19.2, (0.0, 15.0)).expected == 15.0


def test_outside_the_blur_is_the_thin_lens_s() -> None:
    """From 1/f = 1/S + 1/S' and similar triangles: the image falls elsewhere than the sensor stands, and
    the cone from the aperture has a width there."""
    lens = FakeLens(4.74, 1.8, 66.0, card_dioptres=1000 / 145.0)
    for set_to in (1.0, 5.0, 6.5, 9.0):
        sensor_mm, image_mm = (
            1 / (1 / lens.focal_mm - place / 1000) for place in (set_to, lens.card_dioptres)
        )
        cone_mm = lens.focal_mm / lens.f_number * abs(image_mm - sensor_mm) / image_mm
        width_mm = 2 * lens.focal_mm * np.tan(np.radians(33.0))
        assert lens.blur_px(set_to, 1280) == pytest.approx(1280 * cone_mm / width_mm, rel=1e-9)
    assert lens.blur_px(lens.card_dioptres, 1280) == pytest.approx(0.0, abs=1e-9)


def test_outside_a_disc_s_second_moment_is_a_sixteenth_of_its_square() -> None:
    """An even disc of diameter d has a variance of d²/16 along each axis; a square of side 1 has 1/12 (second
    moments of area, any engineering handbook)."""
    point = np.zeros((61, 61), np.uint8)
    point[30, 30] = 255
    for disc_px in (4.0, 7.5, 12.0):
        seen = blurred(point, disc_px).astype(float)
        variance = float((seen.sum(axis=0) * (np.arange(61) - 30.0) ** 2).sum() / seen.sum())
        assert variance == pytest.approx(disc_px**2 / 16 + 1 / 12, rel=0.06)


def test_the_fake_camera_sees_through_its_lens() -> None:
    lens = simulated("standard", 145.0)
    camera = FakeCamera(card(), lens=lens, set_to=1.0, clock=Clock())
    camera.start()
    soft = card_sharpness(camera.newest().pixels)
    camera.set_to = lens.card_dioptres
    assert card_sharpness(camera.newest().pixels) > 3 * soft
    assert camera.focus == "motor"

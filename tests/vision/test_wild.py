"""Cards in the wild: angles, sizes, light and lenses; the place is right and the stated sigma is true."""

from dataclasses import replace

import numpy as np
import pytest
import scenes

import vision
from vision.card import CHECK_BARS_MM
from vision.homography import project
from vision.measure import card_sigma

SMALL = {"size": (720, 560), "focal_px": 900.0, "distance_mm": 220.0}


def seen(scene, rng):
    answer = vision.find_card(scenes.render(scene, rng, fine=1))
    assert not isinstance(answer, vision.NoReading), answer.reason
    assert answer[0] == scene.station
    return answer[1]


def errors(view, scene, at=((0.0, 0.0), (10.0, -8.0))):
    """Card positions (mm) read where points of the card truly are in the picture."""
    at = np.array(at)
    return project(np.linalg.inv(view.homography), project(scenes.camera(scene.view), at)) - at


def hardship(name, rng):
    view = scenes.View(**SMALL, roll_deg=float(rng.uniform(-180, 180)), tilt_deg=20.0)
    scene = scenes.Scene(view=view, noise=1.5)
    return {
        "tilt 60°": replace(
            scene, view=replace(view, tilt_deg=60.0, tilt_axis_deg=float(rng.uniform(0, 360)))
        ),
        "markers of 20 px": replace(
            scene, view=replace(view, size=(320, 240), focal_px=1250.0, distance_mm=1125.0)
        ),
        "light 4:1": replace(scene, light_ratio=4.0, light_deg=float(rng.uniform(0, 360))),
        "shadow edge": replace(
            scene, shadow=0.6, shadow_deg=float(rng.uniform(0, 360)), shadow_at_mm=float(rng.uniform(-30, 30))
        ),
        "glare": replace(scene, glare=160.0),
        "blur and JPEG 60": replace(scene, defocus_px=1.3, motion_px=3.0, jpeg=60, noise=2.5),
    }[name]


@pytest.mark.parametrize(
    ("name", "worst_mm"),
    [
        ("tilt 60°", 0.02),
        ("markers of 20 px", 0.03),
        ("light 4:1", 0.015),
        ("shadow edge", 0.03),
        ("glare", 0.015),
        ("blur and JPEG 60", 0.03),
    ],
)
def test_a_hardship_moves_the_card_little_and_sigma_knows_it(name, worst_mm):
    rng = np.random.default_rng(31)
    ratios = []
    for _ in range(4):
        scene = hardship(name, rng)
        view = seen(scene, rng)
        off = errors(view, scene)
        assert np.abs(off).max() < worst_mm
        ratios += [off[0] / card_sigma(view, np.zeros(2)), off[1] / card_sigma(view, np.array((10.0, -8.0)))]
    assert 0.15 < np.sqrt(np.mean(np.square(ratios))) < 2.0


def test_a_card_blurred_by_six_pixels_is_found_with_its_mark():
    scene = scenes.Scene(view=scenes.View(**SMALL), defocus_px=6.0, marks=(scenes.Spot((3.0, 2.0)),))
    reading = vision.read(scenes.render(scene, np.random.default_rng(6), fine=1))
    assert isinstance(reading, vision.Reading), reading.reason
    assert reading.card.markers_seen == 4
    (mark,) = reading.marks
    assert np.abs(np.subtract(mark.offset_mm, (3.0, 2.0)) / mark.sigma_mm).max() < 3.5
    assert max(mark.sigma_mm) < 0.12


def test_sloping_light_does_not_pull_the_card_to_its_bright_side():
    for way in (0.0, 90.0):
        scene = scenes.Scene(view=scenes.View(**SMALL), light_ratio=4.0, light_deg=way, noise=0.3, jpeg=None)
        view = seen(scene, np.random.default_rng(1))
        assert np.abs(errors(view, scene)[0]).max() < 0.003


@pytest.mark.parametrize("size", list(vision.SIZES))
@pytest.mark.parametrize("station", ["mirror-1", "nozzle"])
def test_every_size_is_read_in_its_own_millimetres(size, station):
    scale = vision.SIZES[size]
    view = scenes.View(**{**SMALL, "distance_mm": 220.0 * scale}, tilt_deg=25, roll_deg=40)
    spot = scenes.Spot((5.0 * scale, -4.0 * scale), diameter=4.0, soft_mm=0.1)
    scene = scenes.Scene(station=station, size=size, view=view, marks=(spot,))
    reading = vision.read(scenes.render(scene, np.random.default_rng(2), fine=1))
    assert isinstance(reading, vision.Reading)
    assert (reading.station, reading.card.size) == (station, size)
    (mark,) = reading.marks
    assert mark.offset_mm == pytest.approx(spot.centre, abs=0.03)
    assert mark.width_mm == pytest.approx((4.0, 4.0), rel=0.1)  # the pixels of the large card blur it
    assert max(mark.sigma_mm) < 0.1
    card = reading.as_json()["card"]
    assert card.get("size", "standard") == size


def test_two_sizes_and_a_lone_stranger_are_said():
    rng = np.random.default_rng(3)
    scene = scenes.Scene(view=scenes.View(**SMALL), marks=(scenes.Spot((1.0, 2.0)),))
    standard = scenes.render(scene, rng, fine=1)
    small = scenes.render(
        replace(scene, size="small", view=replace(scene.view, distance_mm=150.0)), rng, fine=1
    )
    answer = vision.read(np.hstack([standard, small]))
    assert isinstance(answer, vision.NoReading)
    assert "two sizes" in answer.reason
    assert "mirror-2, small" in answer.reason
    lone = scenes.render(replace(scene, station="nozzle", covered=(0, 1, 2)), rng, fine=1)
    reading = vision.read(np.hstack([standard, lone]))
    assert isinstance(reading, vision.Reading)
    assert any("nozzle" in warning for warning in reading.warnings)


def test_a_picture_before_of_another_size_is_said():
    rng = np.random.default_rng(4)
    scene = scenes.Scene(view=scenes.View(**SMALL), marks=(scenes.Spot((1.0, 2.0)),))
    before = scenes.render(
        replace(scene, size="large", view=replace(scene.view, distance_mm=330.0)), rng, fine=1
    )
    answer = vision.read(scenes.render(scene, rng, fine=1), before)
    assert isinstance(answer, vision.NoReading)
    assert "large" in answer.reason


@pytest.mark.parametrize(
    ("size", "ratios"),
    [
        ("standard", (0.97, 0.97)),
        ("standard", (0.99, 1.005)),
        ("small", (1.02, 1.02)),
        ("large", (0.97, 0.97)),
    ],
)
def test_the_check_bar_s_length_corrects_the_print(size, ratios):
    """A card that was printed too small or unevenly: the same picture, other true millimetres."""
    scale = vision.SIZES[size]
    view = scenes.View(**{**SMALL, "distance_mm": 220.0 * scale}, tilt_deg=10)
    spot = scenes.Spot((6.0 * scale, -5.0 * scale), diameter=4.0)
    picture = scenes.render(
        scenes.Scene(size=size, view=view, marks=(spot,)), np.random.default_rng(5), fine=1
    )
    bar_mm = tuple(CHECK_BARS_MM[size] * ratio for ratio in ratios)
    mark = vision.read(picture, bar_mm=bar_mm).marks[0]
    assert mark.offset_mm == pytest.approx(np.multiply(spot.centre, ratios), abs=0.03)
    if ratios[0] == ratios[1]:
        same = vision.read(picture, bar_mm=bar_mm[0])
        assert same.marks[0].offset_mm == pytest.approx(mark.offset_mm)
        assert same.card.px_per_mm == pytest.approx(vision.read(picture).card.px_per_mm / ratios[0])


@pytest.mark.parametrize("bar_mm", [0.0, 20.0, 60.0, float("nan"), (50.0, 70.0)])
def test_a_bar_that_no_printer_prints_is_refused(bar_mm):
    picture = scenes.render(scenes.Scene(view=scenes.View(**SMALL)), np.random.default_rng(6), fine=1)
    with pytest.raises(vision.BarRefused, match="check bar"):
        vision.read(picture, bar_mm=bar_mm)
    moment = vision.Stream(bar_mm=bar_mm).feed(picture, 0.0)
    assert moment.card is None
    assert "check bar" in moment.reason


def test_a_stream_reads_small_cards_and_notices_the_size():
    view = scenes.View(size=(480, 400), focal_px=640.0, distance_mm=135.0)
    spot = scenes.Spot((2.0, -1.5), diameter=3.0)
    scene, rng, stream = scenes.Scene(size="small", view=view), np.random.default_rng(7), vision.Stream()
    events, time_s = [], 0.0
    for marks, count in (((), 4), ((spot,), 10)):
        for _ in range(count):
            time_s += 1 / 15
            moment = stream.feed(scenes.render(replace(scene, marks=marks), rng, fine=1), time_s)
            events += moment.events
    assert events == ["card found", "pulse seen", "mark settled"]
    assert moment.card.size == "small"
    assert moment.reading.marks[0].offset_mm == pytest.approx(spot.centre, abs=0.05)
    standard = replace(scene, size="standard", view=replace(view, distance_mm=225.0))
    for _ in range(3):
        time_s += 1 / 15
        moment = stream.feed(scenes.render(standard, rng, fine=1), time_s)
    assert moment.card.size == "standard"
    assert moment.reading is None


def test_an_unknown_size_is_refused():
    with pytest.raises(vision.UnknownSize, match="huge"):
        vision.card_sheet("mirror-1", size="huge")


def test_a_variance_that_rounding_made_negative_gives_a_sigma():
    """Of a place that is known well where another direction is hardly known at all."""
    hardly = np.linalg.qr(np.random.default_rng(1).normal(size=(8, 8)))[0]
    covariance = hardly @ np.diag([1e9, *7 * [-1e-8]]) @ hardly.T
    at = np.array([3.0, 4.0])
    view = vision.CardView(
        4, 0.1, 9.0, 0.0, np.eye(3), covariance - 1e9 * np.outer(hardly[:, 0], hardly[:, 0])
    )
    assert np.isfinite(card_sigma(view, at)).all()
    known = vision.CardView(4, 0.1, 9.0, 0.0, np.eye(3), np.diag([0, 0, 4e-6, 0, 0, 9e-6, 0, 0]))
    assert card_sigma(known, at) == pytest.approx((0.1, 0.15))

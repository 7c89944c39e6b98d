"""Whole pictures with known truth: our own PNG painted, warped and saved as a stranger would do it."""

import io
import json

import cv2
import numpy as np
import pytest
import scenes
from PIL import Image

import vision


def strangers_photo(folder, station, at_mm, *, dpi, tilt_deg, tape, mark, size=(1600, 1200), diameter_mm=5.0):
    """Paint tape and a mark on the printed PNG by its JSON, look at it from aside; written without our
    geometry.
    """
    vision.write_cards_png(folder, dpi=dpi)
    picture = cv2.imread(str(folder / f"card-{station}.png"))
    measures = json.loads((folder / f"card-{station}.json").read_text())
    rows, cols = picture.shape[:2]
    per_mm = cols / measures["width_mm"]
    y, x = (np.indices((rows, cols)) + 0.5) / per_mm
    u, v = x - measures["centre_mm"][0], measures["centre_mm"][1] - y
    picture[np.hypot(u, v) < measures["window_diameter_mm"] / 2] = tape
    edge = np.clip((diameter_mm / 2 - np.hypot(u - at_mm[0], v - at_mm[1])) * per_mm + 0.5, 0, 1)[..., None]
    picture = (picture * (1 - edge) + np.array(mark) * edge).astype(np.uint8)
    # a pinhole camera: corners of the sheet, counted from pixel edges, through a rotation about the vertical
    angle = np.radians(tilt_deg)
    corners = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], float)
    centred = (corners - (cols / 2, rows / 2)) / per_mm
    depth = 260 + centred[:, 0] * np.sin(angle)
    seen = np.column_stack([centred[:, 0] * np.cos(angle), centred[:, 1]]) / depth[:, None] * 2300
    seen += np.array(size) / 2
    warp = cv2.getPerspectiveTransform((corners - 0.5).astype(np.float32), (seen - 0.5).astype(np.float32))
    # reduce in two steps so that nothing is skipped
    big = cv2.warpPerspective(
        picture, np.diag([3.0, 3.0, 1.0]) @ np.array([(1, 0, 1 / 3), (0, 1, 1 / 3), (0, 0, 1)]) @ warp,
        (size[0] * 3, size[1] * 3), flags=cv2.INTER_LINEAR, borderValue=(90, 90, 90),
    )  # fmt: skip
    return cv2.resize(big, size, interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize(
    ("tape", "mark", "orientation"),
    [
        ((150, 205, 225), (30, 45, 60), 1),
        ((255, 255, 255), (40, 40, 40), 6),
        ((60, 50, 45), (120, 140, 110), 1),
        ((190, 130, 60), (60, 60, 200), 6),
    ],
)
def test_one_mark_at_40_degrees_in_a_jpeg(tmp_path, tape, mark, orientation):
    at_mm = (6.37, -4.21)
    picture = strangers_photo(tmp_path, "mirror-2", at_mm, dpi=180, tilt_deg=40, tape=tape, mark=mark)
    if orientation == 6:
        picture = np.ascontiguousarray(np.rot90(picture))
    exif = Image.Exif()
    exif[0x0112] = orientation
    stream = io.BytesIO()
    Image.fromarray(picture[..., ::-1].copy()).save(stream, "JPEG", quality=88, exif=exif)
    reading = vision.read(vision.load_picture(stream.getvalue()))
    assert isinstance(reading, vision.Reading)
    assert reading.station == "mirror-2"
    (found,) = reading.marks
    assert found.offset_mm == pytest.approx(at_mm, abs=0.02)
    assert found.width_mm == pytest.approx((5.0, 5.0), abs=0.15)
    assert found.shape == "round"
    assert found.new is None
    assert reading.card.tilt_deg == pytest.approx(40, abs=2)


def scene(**changes):
    return scenes.Scene(**{"marks": (scenes.Spot((4.0, 3.0)),), **changes})


def test_only_the_change_is_new():
    rng = np.random.default_rng(11)
    old = (scenes.Spot((-6.0, 5.0)), scenes.Spot((2.0, -8.0), diameter=4))
    after = scene(marks=(*old, scenes.Spot((5.5, 2.5), diameter=4.5)), pen_circle=12.5, smudges=3)
    before = scenes.before_of(after, rng)
    reading = vision.read(scenes.render(after, rng), scenes.render(before, rng))
    assert isinstance(reading, vision.Reading)
    new = [m for m in reading.marks if m.new]
    assert len(new) == 1
    assert new[0].offset_mm == pytest.approx((5.5, 2.5), abs=0.05)


def test_nothing_new_is_said():
    rng = np.random.default_rng(12)
    after = scene()
    same = vision.read(scenes.render(after, rng), scenes.render(after, rng))
    assert isinstance(same, vision.NoReading)
    assert same.kind == "no-mark"
    assert same.station == "mirror-2"
    assert same.card is not None
    assert same.on_top is not None  # a pulse on the old mark would look like this
    assert same.on_top.offset_mm == pytest.approx(after.marks[0].centre, abs=0.1)
    assert 0.1 < max(same.on_top.sigma_mm) < 0.6
    assert "on the old mark" in same.reason


def test_something_much_fainter_beside_a_mark_is_mentioned_and_no_mark():
    faint = scenes.Spot((-8.0, 6.0), strength=0.12)
    reading = vision.read(
        scenes.render(scene(marks=(scenes.Spot((4.0, -3.0)), faint)), np.random.default_rng(5))
    )
    assert isinstance(reading, vision.Reading)
    (mark,) = reading.marks
    assert mark.offset_mm == pytest.approx((4.0, -3.0), abs=0.1)
    assert any("fainter at -8.0, +6.0 mm" in warning for warning in reading.warnings)
    alone = vision.read(scenes.render(scene(marks=(faint,)), np.random.default_rng(5)))
    assert isinstance(alone, vision.Reading)


def test_blank_tape_is_no_mark():
    answer = vision.read(scenes.render(scene(marks=()), np.random.default_rng(13)))
    assert isinstance(answer, vision.NoReading)
    assert answer.kind == "no-mark"


def test_no_card_and_tiny_pictures():
    rng = np.random.default_rng(14)
    for size in ((720, 1280), (3, 3), (1, 1), (40, 2000)):
        answer = vision.read(rng.integers(0, 255, (*size, 3)).astype(np.uint8))
        assert isinstance(answer, vision.NoReading)
        assert answer.kind == "no-card"


def test_two_stations_in_one_picture_are_said():
    rng = np.random.default_rng(15)
    left = scenes.render(scene(), rng)
    right = scenes.render(scene(station="nozzle"), rng)
    answer = vision.read(np.hstack([left, right]))
    assert isinstance(answer, vision.NoReading)
    assert "two stations" in answer.reason
    assert "mirror-2" in answer.reason
    assert "nozzle" in answer.reason


@pytest.mark.parametrize("covered", [(0,), (1, 2), (0, 3), (0, 2)])
def test_two_of_four_markers_are_enough(covered):
    rng = np.random.default_rng(16)
    after = scene(covered=covered, view=scenes.View(tilt_deg=30, roll_deg=70))
    reading = vision.read(scenes.render(after, rng))
    assert isinstance(reading, vision.Reading)
    assert reading.card.markers_seen == 4 - len(covered)
    assert reading.marks[0].offset_mm == pytest.approx((4.0, 3.0), abs=0.1)
    assert any("visible" in w for w in reading.warnings)


def test_json_is_the_documented_shape():
    reading = vision.read(scenes.render(scene(), np.random.default_rng(17)))
    values = json.loads(json.dumps(reading.as_json()))
    assert set(values) == {"station", "marks", "card", "warnings"}
    assert set(values["marks"][0]) == {"offset_mm", "sigma_mm", "width_mm", "shape", "flat_side_deg", "new"}
    assert set(values["card"]) == {"markers_seen", "rms_px", "px_per_mm", "tilt_deg"}

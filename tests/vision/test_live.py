"""Streams of frames: a pulse, a flame, a hand, a lamp, a knock; each is recognised as such."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scenes

import vision

FRAME_S = 1 / 15
VIEW = scenes.View(size=(480, 400), focal_px=640.0, tilt_deg=25, roll_deg=8)


class Film:
    """Renders frames of one scene and feeds them to a stream."""

    def __init__(self, seed=1, **changes):
        self.scene = scenes.Scene(view=VIEW, **changes)
        self.rng = np.random.default_rng(seed)
        self.stream = vision.Stream()
        self.time_s = 0.0
        self.events = []
        self.last = None

    def show(self, count=1, overlay=None, **changes):
        for _ in range(count):
            picture = scenes.render(replace(self.scene, **changes), self.rng, fine=1)
            self.feed(picture if overlay is None else overlay(picture))
        return self

    def feed(self, picture):
        self.time_s += FRAME_S
        self.last = self.stream.feed(picture, self.time_s)
        self.events += self.last.events

    def mark(self, *spots):
        self.scene = replace(self.scene, marks=(*self.scene.marks, *spots))
        return self


def flame(size, at=(248, 196)):
    def over(picture):
        glow = np.zeros(picture.shape[:2], np.float32)
        cv2.circle(glow, at, size, 1.0, -1)
        glow = cv2.GaussianBlur(glow, (0, 0), size / 2)
        return np.clip(picture + glow[..., None] * (120, 220, 255), 0, 255).astype(np.uint8)

    return over


def hand(picture):
    picture = picture.copy()
    picture[80:330, 150:330] = (120, 150, 205)
    return picture


def test_a_pulse_with_flame_and_smoke_settles_into_one_mark():
    film = Film().show(6)
    assert film.events == ["card found"]
    film.mark(scenes.Spot((4.0, -3.0)))
    film.show(1, flame(18)).show(1, flame(25, (240, 190))).show(1, flame(12, (246, 200))).show(9)
    assert film.events == ["card found", "pulse seen", "mark settled"]
    reading = film.last.reading
    assert [m.new for m in reading.marks] == [True]
    assert reading.marks[0].offset_mm == pytest.approx((4.0, -3.0), abs=0.06)


def test_the_offset_stays_alive_and_a_second_pulse_is_the_newest():
    film = Film().show(4).mark(scenes.Spot((4.0, -3.0))).show(12)
    first = film.last.reading.marks[0].offset_mm
    film.show(3)
    again = film.last.reading.marks[0].offset_mm
    assert again != first
    assert again == pytest.approx((4.0, -3.0), abs=0.06)
    film.mark(scenes.Spot((-5.0, 2.0))).show(12)
    assert film.events.count("mark settled") == 2
    newest = film.last.reading.marks
    assert newest[0].new
    assert newest[0].offset_mm == pytest.approx((-5.0, 2.0), abs=0.06)
    assert [m.new for m in newest[1:]] == [False]


def test_lamp_exposure_and_a_hand_are_no_pulse():
    film = Film(marks=(scenes.Spot((-6.0, 5.0)),)).show(5)
    for gain in (0.93, 1.06, 0.96, 1.0, 0.75, 0.75):
        film.show(1, exposure=gain)
    film.show(3, hand).show(4)
    assert "pulse seen" not in film.events
    assert "mark settled" not in film.events
    assert "hand in view" in film.events or "card lost" in film.events


def test_a_knock_is_said_and_the_mark_still_read():
    film = Film().show(5)
    film.scene = replace(film.scene, view=replace(VIEW, shift_mm=(1.5, -1.0), roll_deg=9.0))
    film.show(3)
    assert "card moved" in film.events
    film.mark(scenes.Spot((3.0, 6.0))).show(10)
    assert "mark settled" in film.events
    assert film.last.reading.marks[0].offset_mm == pytest.approx((3.0, 6.0), abs=0.06)


def test_a_fading_mark_is_read_where_it_was_strongest():
    film = Film(tape="film", texture=1.0).show(5)
    for strength in 0.9 * np.exp(-np.arange(14) * FRAME_S / 1.5):
        film.show(1, marks=(scenes.Spot((2.0, 3.0), strength=float(strength)),))
    assert "mark settled" in film.events
    assert film.last.reading.marks[0].offset_mm == pytest.approx((2.0, 3.0), abs=0.06)


def test_a_mark_that_fades_away_is_no_second_pulse():
    film = Film(tape="film", texture=1.0).show(5)
    for strength in 0.9 * np.exp(-np.arange(26) * FRAME_S / 0.6):
        film.show(1, marks=(scenes.Spot((2.0, 3.0), strength=float(strength)),))
    assert film.events.count("pulse seen") == 1
    assert film.events.count("mark settled") == 1
    assert film.last.reading.marks[0].offset_mm == pytest.approx((2.0, 3.0), abs=0.06)


def test_a_shaking_camera_over_old_marks_is_no_pulse():
    film = Film(tape="white", marks=(scenes.Spot((-3.0, 4.0)), scenes.Spot((6.0, -5.0)))).show(4)
    rng = np.random.default_rng(3)
    for _ in range(12):
        shaken = replace(VIEW, shift_mm=tuple(rng.normal(0, 0.15, 2)), roll_deg=8 + float(rng.normal(0, 0.1)))
        film.show(1, view=shaken, defocus_px=float(rng.uniform(0.6, 1.0)))
    assert "pulse seen" not in film.events


def test_a_small_mark_is_seen_too():
    film = Film().show(4).mark(scenes.Spot((1.0, 0.5), diameter=1.2, soft_mm=0.15)).show(9)
    assert film.events == ["card found", "pulse seen", "mark settled"]
    assert film.last.reading.marks[0].offset_mm == pytest.approx((1.0, 0.5), abs=0.06)


def test_new_tape_becomes_the_quiet_frame_and_the_old_reading_goes():
    film = Film().show(4).mark(scenes.Spot((4.0, -3.0))).show(9)
    assert film.last.reading is not None
    film.scene = replace(film.scene, tape="blue", marks=())
    film.show(36)
    assert film.last.reading is None
    film.mark(scenes.Spot((-2.0, 5.0))).show(9)
    assert film.last.reading.marks[0].offset_mm == pytest.approx((-2.0, 5.0), abs=0.06)


def test_another_card_and_no_card():
    film = Film().show(4)
    film.scene = replace(film.scene, station="nozzle")
    film.show(2)
    assert film.last.station == "nozzle"
    film.feed(np.full((480, 640, 3), 90, np.uint8))
    assert film.last.card is None
    assert "card lost" in film.events
    assert film.last.reason


def test_a_told_pulse_that_changes_nothing_is_on_top_of_the_older_mark():
    film = Film(marks=(scenes.Spot((4.0, -3.0)),)).show(8)
    film.stream.pulse_told(film.time_s)
    film.show(22)
    assert film.events.count("on top") == 1
    assert "no mark" not in film.events


def test_a_told_pulse_on_fresh_tape_that_changes_nothing_is_nowhere():
    film = Film().show(8)
    film.stream.pulse_told(film.time_s)
    film.show(22)
    assert "on top" not in film.events
    assert film.events.count("no mark") == 1

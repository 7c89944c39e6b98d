"""Vision reads from the rendered pictures where the beam really struck."""

import cv2
import numpy as np
import pytest

import vision
from server.practice import PracticeCamera, PracticeMachine, default_profile
from server.sources.base import as_jpeg

STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")


def _read_pulse(machine: PracticeMachine, camera: PracticeCamera) -> vision.Reading:
    before = camera.newest()
    machine.pulse()
    reading = vision.read(camera.newest(newer_than=before.number).pixels, before.pixels)
    assert isinstance(reading, vision.Reading)
    return reading


@pytest.mark.parametrize(
    ("seed", "corner", "stations"), [(21, "back-left", STATIONS[::2]), (22, "back-right", STATIONS[1::2])]
)
def test_the_true_offset_is_found_at_every_station(corner: str, seed: int, stations: tuple[str, ...]) -> None:
    machine = PracticeMachine(seed, default_profile(corner))
    camera = PracticeCamera(machine)
    camera.start()
    machine.move_head(machine.profile.head_mm(0.5, 0.5))
    true = machine.truth()["offset_mm"]["centre"]
    errors = []
    for station in stations:
        machine.hang(station)
        reading = _read_pulse(machine, camera)
        assert reading.station == station
        assert 24 <= reading.card.tilt_deg <= 37
        (mark,) = reading.marks
        errors.append(np.array(mark.offset_mm) - true[station])
        assert errors[-1] == pytest.approx([0, 0], abs=0.1), station  # mm
    assert np.sqrt(np.mean(np.square(errors))) < 0.05


def test_a_second_mark_beside_the_first_is_the_new_one() -> None:
    machine = PracticeMachine(23)
    camera = PracticeCamera(machine)
    camera.start()
    _read_pulse(machine, camera)
    machine.shift("mirror-1", (0.0, 9.0, 0.0))  # the card goes along: the mark falls to one side
    reading = _read_pulse(machine, camera)
    (new,) = [mark for mark in reading.marks if mark.new]
    true = machine.truth()["offset_mm"]["centre"]["mirror-1"]
    assert np.array(new.offset_mm) == pytest.approx(true, abs=0.1)  # mm


def test_without_a_pulse_there_is_no_mark() -> None:
    machine = PracticeMachine(24)
    camera = PracticeCamera(machine)
    camera.start()
    first = camera.newest()
    second = camera.newest(newer_than=first.number)
    answer = vision.read(second.pixels, first.pixels)
    assert isinstance(answer, vision.NoReading)
    assert answer.kind == "no-mark"
    assert answer.station == "mirror-1"


@pytest.mark.parametrize("number", [40, 65, 90])
def test_a_plain_burn_is_found_whatever_colours_show_it_best(number: int) -> None:
    """In frame 65 the hue of its halo does, which changes little of the light; the burn itself is black."""
    machine = PracticeMachine(1)
    machine.hang("mirror-2")
    machine.pulse()
    camera = PracticeCamera(machine, above=number - 1, clock=lambda: 0.371 * (number + 1))
    camera.start()
    photo = cv2.imdecode(np.frombuffer(as_jpeg(camera.newest().pixels), np.uint8), cv2.IMREAD_COLOR)
    assert photo is not None
    reading = vision.read(photo.astype(np.uint8))
    assert isinstance(reading, vision.Reading)
    (mark,) = reading.marks
    true = machine.truth()["offset_mm"]["back-left"]["mirror-2"]  # where its head stands at first
    assert np.array(mark.offset_mm) == pytest.approx(true, abs=0.15)  # mm

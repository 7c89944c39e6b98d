"""The live picture is sent when it shows something new, and made no larger than who looks needs."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from flask.testing import FlaskClient

from server.pages.picture import LivePicture, cells, differs
from server.sources.base import Pixels
from tests.pages.doubles import Bench

IDLE_ASKS = 30  # in a minute: a page asks every two seconds while nothing happens
PX_PER_MM = 9.0  # of a camera at its station, 1280 px wide


class Camera(Bench):
    """Shows a grey card with the noise of a sensor; a mark once it was burnt."""

    def __init__(self, noise_sd: float) -> None:
        super().__init__(kind="camera")
        self._random, self._noise_sd, self.burnt_mm = np.random.default_rng(1), noise_sd, 0.0
        self.brighter = 0.0

    def frame(self) -> Pixels:
        card = np.full((720, 1280, 3), 170.0 + self.brighter)
        if self.burnt_mm:
            cv2.circle(card, (613, 377), round(self.burnt_mm * PX_PER_MM / 2), (45, 45, 45), -1)
        noisy = card + self._random.normal(0, self._noise_sd, card.shape)
        return np.asarray(np.clip(noisy, 0, 255), np.uint8)


def number_of(live: LivePicture) -> int:
    return live.newest(720, lambda known: True)[0]


@pytest.mark.parametrize("noise_sd", [0.0, 8.0])
def test_a_still_picture_is_one_picture_whatever_the_sensor_trembles(noise_sd: float) -> None:
    live = LivePicture(Camera(noise_sd), lambda: 0)
    assert {number_of(live) for _ in range(12)} == {1}


@pytest.mark.parametrize("burnt_mm", [1.5, 2.0, 4.0, 8.0])
def test_a_mark_is_something_new(burnt_mm: float) -> None:
    camera = Camera(4.0)
    live = LivePicture(camera, lambda: 0)
    before = number_of(live)
    camera.burnt_mm = burnt_mm
    assert number_of(live) == before + 1


def test_so_is_the_light_and_what_comes_slowly() -> None:
    camera = Camera(0.0)
    live = LivePicture(camera, lambda: 0)
    number_of(live)
    for _ in range(10):
        camera.brighter += 1.0  # less than what counts from one look to the next
        seen = number_of(live)
    assert seen >= 3


def test_the_grid_is_fine_enough_for_the_least_mark() -> None:
    plain, spot = np.full((720, 1280, 3), 170, np.uint8), np.full((720, 1280, 3), 170, np.uint8)
    cv2.circle(spot, (640, 360), 7, (45, 45, 45), -1)  # 1.5 mm, on the corner of four cells: the worst place
    assert differs(cells(plain), cells(spot))


def test_who_has_the_picture_gets_nothing_again(client: FlaskClient) -> None:
    first = client.get("/api/frame.jpg?w=720")
    assert first.status_code == 200 and first.mimetype == "image/jpeg"
    again = client.get("/api/frame.jpg?w=720", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304 and again.data == b""
    other = client.get("/api/frame.jpg?w=320", headers={"If-None-Match": first.headers["ETag"]})
    assert other.status_code == 200


def test_an_idle_viewer_of_a_camera_costs_less_than_a_megabyte_a_minute() -> None:
    live = LivePicture(Camera(4.0), lambda: 0)
    has = 0
    sent = 0
    for _ in range(IDLE_ASKS):
        has, jpeg = live.newest(720, lambda number, has=has: number == has)
        sent += len(jpeg) + 600  # and what a request and its answer say around it
    assert sent < 1_000_000
    assert live.newest(720, lambda number: False)[1][:2] == b"\xff\xd8"


def test_it_is_made_smaller_and_never_larger() -> None:
    live = LivePicture(Camera(0.0), lambda: 0)
    for width, drawn in ((320, 320), (720, 720), (1900, 1280)):
        jpeg = live.newest(width, lambda number: False)[1]
        picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
        assert picture is not None and picture.shape[1] == drawn

"""What goes over the network packed is the same when it is unpacked; what gains nothing is left alone."""

from __future__ import annotations

import gzip

import pytest
from flask.testing import FlaskClient

PACKED = {"Accept-Encoding": "gzip, deflate, br"}


@pytest.mark.parametrize(
    "path", ["/checks", "/static/look.css", "/static/card.js", "/scripts/bench.js", "/api/openapi.json"]
)
def test_it_is_the_same_and_a_third_as_long(client: FlaskClient, path: str) -> None:
    plain, packed = client.get(path, buffered=True), client.get(path, buffered=True, headers=PACKED)
    assert packed.headers["Content-Encoding"] == "gzip" and "Content-Encoding" not in plain.headers
    assert "Accept-Encoding" in packed.headers["Vary"] and "Accept-Encoding" in plain.headers["Vary"]
    assert gzip.decompress(packed.data) == plain.data
    assert int(packed.headers["Content-Length"]) == len(packed.data) < 0.5 * len(plain.data)


def test_a_browser_that_has_it_gets_nothing_again(client: FlaskClient) -> None:
    tag = client.get("/static/card.js", buffered=True, headers=PACKED).headers["ETag"]
    again = client.get("/static/card.js", buffered=True, headers={**PACKED, "If-None-Match": tag})
    assert again.status_code == 304


@pytest.mark.parametrize(
    "path", ["/api/frame.jpg", "/log/spotwright-log.json", "/api/events", "/static/spot.svg", "/nothing"]
)
def test_pictures_streams_downloads_and_small_things_are_left_alone(client: FlaskClient, path: str) -> None:
    answer = client.get(path, headers=PACKED)
    assert "Content-Encoding" not in answer.headers
    answer.close()


def test_who_does_not_want_it_packed_gets_it_plain(client: FlaskClient) -> None:
    assert "Content-Encoding" not in client.get("/checks", headers={"Accept-Encoding": "gzip;q=0"}).headers

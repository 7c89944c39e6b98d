"""Every route, asked wrongly in every way we can think of: no 5xx, one line, nothing written."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.test import EnvironBuilder, TestResponse, run_wsgi_app
from werkzeug.wrappers import Request

from server.log import Log
from server.pages import Config, create_app
from tests.pages.doubles import Bench, Script

METHODS = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "JUGGLE"]
KINDS = [
    "",
    "application/json",
    "application/json; charset=utf-16",
    "application/x-www-form-urlencoded",
    "multipart/form-data",
    "multipart/form-data; boundary=edge",
    "text/plain; charset=nonsense",
    "image/jpeg",
    "\x00",
]
HEADERS: dict[str, list[str]] = {
    "Host": ["localhost", "evil.example", "", "[::", "localhost:99999999", "a" * 5000],
    "Origin": ["http://localhost", "http://evil.example", "null", "\x7f"],
    "Sec-Fetch-Site": ["same-origin", "cross-site", "?"],
    "Cookie": ["spotwright_device=1", "=", "\xff"],
    "X-Spotwright-Tab": ["a", "../..", "\xff" * 90],
    "Content-Encoding": ["gzip"],
    "Range": ["bytes=9999999-", "bytes=-"],
    "If-None-Match": ['"', "*"],
}
scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
)
NAMES = [
    "station",
    "head_mm",
    "offset_mm",
    "mount",
    "screw",
    "turns",
    "part",
    "move_mm",
    "index",
    "event",
    "seed",
]
nearly = st.dictionaries(st.sampled_from([*NAMES, "machine", "events"]), values, max_size=5)
FORM = (
    b'--edge\r\nContent-Disposition: form-data; name="after"; filename="a.jpg"\r\n\r\n'
    b"\xff\xd8\xff\r\n--edge--\r\n"
)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    app = create_app(
        Config(data=tmp_path_factory.mktemp("hostile"), source=Bench, services=Script().services(), streams=2)
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("server.pages.stream.BEAT_S", 0.0)
        patch.setattr("server.pages.stream.LIFE_S", 0.0)
        yield app


def paths(app: Flask) -> list[str]:
    """Every route with plausible and absurd values in its places."""
    found = []
    for rule in app.url_map.iter_rules():
        for value in (
            "bench",
            "1",
            "-1",
            "999999999999999999999",
            "%00",
            "..%2f..%2fetc%2fpasswd",
            "pulse",
            "ü" * 9,
        ):
            path = str(rule)
            while "<" in path:
                path = path[: path.index("<")] + value + path[path.index(">") + 1 :]
            found.append(path)
    return sorted(set(found))


def ask(app: Flask, method: str, path: str, *, data: bytes, kind: str, headers: dict[str, str]) -> Any:
    # not by the client: an older one reads the host that it sends, and breaks on a port that no host has
    environ = EnvironBuilder(
        path, method=method, data=data, content_type=kind, headers=list(headers.items())
    ).get_environ()
    return TestResponse(*run_wsgi_app(app, environ), request=Request(environ))


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(draw=st.data())
def test_nothing_breaks_and_nothing_is_written(app: Flask, draw: st.DataObject) -> None:
    method = draw.draw(st.sampled_from(METHODS))
    path = draw.draw(st.sampled_from(paths(app))) + draw.draw(
        st.sampled_from(["", "?of=roof", "?of=offline", "?%ff"])
    )
    body = draw.draw(
        st.binary(max_size=200)
        | st.just(FORM)
        | (values | nearly).map(lambda value: json.dumps(value).encode("utf-8", "surrogatepass"))
    )
    kind = draw.draw(st.sampled_from(KINDS))
    names = draw.draw(st.lists(st.sampled_from(sorted(HEADERS)), max_size=3, unique=True))
    headers = {name: draw.draw(st.sampled_from(HEADERS[name])) for name in names}
    try:
        answer = ask(app, method, path, data=body, kind=kind, headers=headers)
    except (ValueError, UnicodeError) as error:
        # the client itself refuses to send what no server would get to see
        assert "header" in str(error).lower() or "codec" in str(error) or "Invalid" in str(error)
        return
    with answer:
        assert answer.status_code < 500 or (answer.status_code, "events" in path) == (503, True)
        if answer.status_code >= 400:
            assert "Traceback" not in answer.get_data(as_text=True)


def test_and_the_log_is_still_empty(app: Flask) -> None:
    log = Log(Path(app.extensions["spotwright"].log.folder), access="read-only")
    assert sum(row["events"] for row in log.alignments()) == 0

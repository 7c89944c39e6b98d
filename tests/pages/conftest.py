"""A fresh app over a scripted bench for each test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from server.pages import Config, create_app
from server.pages.shared import Shared
from tests.pages.doubles import Bench, Script, names


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def script() -> Script:
    return Script()


@pytest.fixture
def app(tmp_path: Path, bench: Bench, script: Script) -> Flask:
    return create_app(Config(data=tmp_path, source=lambda: bench, services=script.services()))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def shared(app: Flask) -> Shared:
    found: Shared = app.extensions["spotwright"]
    return found


@pytest.fixture
def do(client: FlaskClient) -> Any:
    """Press as a page does that shows the step which is due; returns the response."""

    def send(action: str, body: object = None, *, of: str = "bench") -> Any:
        sent = {} if body is None else body
        named = sent | names(client, of) if isinstance(sent, dict) else sent
        return client.post(f"/api/do/{of}/{action}", json=named)

    return send

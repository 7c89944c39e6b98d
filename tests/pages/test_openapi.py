"""The description is of this program: every route is in it; schemathesis asks what it allows and forbids."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from server.pages import Config, create_app
from server.pages.openapi import description
from tests.pages.doubles import Bench, Script

Json = dict[str, Any]
SCHEMAS: Json = description()["components"]["schemas"]
CALLS = [(path, method) for path, calls in description()["paths"].items() for method in calls]
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
]
QUICK = settings(
    max_examples=7,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
NO = ["400", "404", "409", "413", "422"]
PLAIN = {"Accept-Encoding": "identity"}


@schemathesis.serializer("application/toml")
def _as_text(ctx: Any, value: Any) -> bytes:
    return str(value).encode("utf-8", "surrogatepass")


def _forbids_something(path: str, method: str) -> bool:
    call = description()["paths"][path][method]
    return "requestBody" in call or any("enum" in part["schema"] for part in call.get("parameters", []))


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    data = tmp_path_factory.mktemp("asked")
    app = create_app(Config(data=data, source=lambda: Bench(kind="camera"), services=Script().services()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("server.pages.stream.BEAT_S", 0.0)
        patch.setattr("server.pages.stream.LIFE_S", 0.0)
        yield app


@pytest.fixture(scope="module")
def described(app: Flask) -> Any:
    config = schemathesis.Config.from_dict({"checks": {"negative_data_rejection": {"expected-statuses": NO}}})
    return schemathesis.openapi.from_wsgi("/api/openapi.json", app, headers=PLAIN, config=config)


def test_every_route_is_described_and_every_description_is_of_a_route(app: Flask) -> None:
    served = {
        (re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/api/")
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    called = {(re.sub(r"^(/api/do/\{of\})/.*", r"\1/{action}", path), method) for path, method in CALLS}
    assert called == served


def test_it_is_served_as_it_is(app: Flask) -> None:
    assert app.test_client().get("/api/openapi.json").json == json.loads(json.dumps(description()))


def test_every_reference_leads_somewhere() -> None:
    names = re.findall(r'"#/components/schemas/(\w+)"', json.dumps(description()))
    assert names and set(names) <= set(SCHEMAS)


def answer_what_is_due(app: Flask, path: str, case: Any) -> None:
    """A press of any other step is answered 409 before anything is done."""
    if path.startswith("/api/do/") and isinstance(case.body, dict):
        case.body["step"] = (
            app.extensions["spotwright"].session(case.path_parameters["of"]).snapshot().step_name
        )


def ask(app: Flask, operation: Any, mode: GenerationMode) -> None:
    @QUICK
    @given(case=operation.as_strategy(mode))
    def asked(case: Any) -> None:
        if mode is GenerationMode.POSITIVE:
            answer_what_is_due(app, operation.path, case)
        case.call_and_validate(checks=CHECKS, headers=PLAIN)

    asked()


@pytest.mark.parametrize(("path", "method"), CALLS)
def test_what_it_allows_is_answered_as_it_says(app: Flask, described: Any, path: str, method: str) -> None:
    ask(app, described[path][method.upper()], GenerationMode.POSITIVE)


@pytest.mark.parametrize(("path", "method"), [call for call in CALLS if _forbids_something(*call)])
def test_what_it_forbids_is_refused_and_nothing_is_written(
    app: Flask, described: Any, path: str, method: str
) -> None:
    before = kept(app)
    ask(app, described[path][method.upper()], GenerationMode.NEGATIVE)
    assert kept(app) == before


def kept(app: Flask) -> tuple[Any, ...]:
    """All that a request could have written: entries, profiles, files."""
    log = app.extensions["spotwright"].log
    folder = Path(log.folder)
    files = {path.name for path in folder.rglob("*") if not path.name.endswith(("-wal", "-shm"))}
    entries = [(row["id"], row["events"]) for row in log.alignments()]
    return entries, files, log.state(entries[-1][0]) if entries else None

"""The description is of this program: every route is in it, and whatever it allows is answered, never 5xx."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from server.pages import Config, create_app
from server.pages.openapi import description
from tests.pages.doubles import Bench, Script

Json = dict[str, Any]
SCHEMAS: Json = description()["components"]["schemas"]
FORM = "multipart/form-data"
CALLS = [
    (path, method, call) for path, calls in description()["paths"].items() for method, call in calls.items()
]
anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
)


def like(schema: Json) -> st.SearchStrategy[Any]:
    """Values that a schema allows (the part of JSON Schema 2020-12 that the description uses)."""
    if "$ref" in schema:
        return like(SCHEMAS[schema["$ref"].rsplit("/", 1)[1]])
    if "anyOf" in schema:
        return st.one_of(*map(like, schema["anyOf"]))
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    if "const" in schema:
        return st.just(schema["const"])
    return KINDS[schema.get("type", "any")](schema)


def _object(schema: Json) -> st.SearchStrategy[Any]:
    fields = {name: like(part) for name, part in schema.get("properties", {}).items()}
    must = {name: fields.pop(name) for name in schema.get("required", []) if name in fields}
    return st.fixed_dictionaries(must, optional=fields)


def _string(schema: Json) -> st.SearchStrategy[Any]:
    if "pattern" in schema:
        return st.from_regex(schema["pattern"], fullmatch=True)
    return st.text(min_size=schema.get("minLength", 0), max_size=min(schema.get("maxLength", 20), 20))


def _number(schema: Json) -> st.SearchStrategy[Any]:
    low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
    return st.floats(
        low, high, allow_nan=False, allow_infinity=False, exclude_min="exclusiveMinimum" in schema
    )


def _array(schema: Json) -> st.SearchStrategy[Any]:
    if "prefixItems" in schema:
        return st.tuples(*map(like, schema["prefixItems"])).map(list)
    return st.lists(like(schema.get("items", {})), max_size=4)


KINDS: dict[str, Any] = {
    "any": lambda _: anything,
    "null": lambda _: st.none(),
    "boolean": lambda _: st.booleans(),
    "integer": lambda schema: st.integers(schema.get("minimum"), schema.get("maximum")),
    "number": _number,
    "string": _string,
    "array": _array,
    "object": _object,
}


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    data = tmp_path_factory.mktemp("described")
    app = create_app(Config(data=data, source=lambda: Bench(kind="camera"), brain=Script().brain()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("server.pages.stream.BEAT_S", 0.0)
        patch.setattr("server.pages.stream.LIFE_S", 0.0)
        yield app


def test_every_route_is_described_and_every_description_is_of_a_route(app: Flask) -> None:
    served = {
        (re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/api/")
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    told = {(re.sub(r"^(/api/do/\{of\})/.*", r"\1/{action}", path), method) for path, method, _ in CALLS}
    assert told == served


def test_it_is_served_as_it_is(app: Flask) -> None:
    assert app.test_client().get("/api/openapi.json").json == json.loads(json.dumps(description()))


def test_every_reference_leads_somewhere() -> None:
    names = re.findall(r'"#/components/schemas/(\w+)"', json.dumps(description()))
    assert names and set(names) <= set(SCHEMAS)


@pytest.mark.parametrize(("path", "method", "call"), CALLS, ids=[f"{m} {p}" for p, m, _ in CALLS])
def test_what_it_allows_is_answered_as_it_says(app: Flask, path: str, method: str, call: Json) -> None:
    @settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def ask(draw: st.DataObject) -> None:
        answer = _send(app, path, method, call, draw)
        assert answer.status_code < 500 or (path, answer.status_code) == ("/api/events", 503)
        assert str(answer.status_code) in call["responses"], answer.get_data(as_text=True)
        if answer.status_code >= 400:
            assert set(answer.get_json()["error"]) == {"path", "message"}
            assert "\n" not in answer.get_json()["error"]["message"]
        answer.close()

    ask()


def _send(app: Flask, path: str, method: str, call: Json, draw: st.DataObject) -> Any:
    values = {part["name"]: draw.draw(like(part["schema"])) for part in call.get("parameters", [])}
    for name in re.findall(r"\{(\w+)\}", path):
        path = path.replace(f"{{{name}}}", re.sub(r"[^\w-]", "-", values.pop(name)) or "-")
    content = call.get("requestBody", {}).get("content", {})
    kind = next(iter(content), None)
    body = draw.draw(like(content[kind]["schema"])) if kind else None
    more: Json = {"data": body or "", "content_type": kind}
    if kind == "application/json":
        more["data"] = json.dumps(body)
    elif kind == FORM:
        more["data"] = {name: _part(name, value) for name, value in body.items()}
    elif body is not None:
        more["data"] = body.encode("utf-8", "surrogatepass")
    return app.test_client().open(path, method=method.upper(), query_string=values, **more)


def _part(name: str, value: str) -> Any:
    import io

    return (io.BytesIO(value.encode()), "a.jpg") if name in ("after", "before") else value


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(draw=st.data())
def test_a_field_that_is_not_described_is_refused(app: Flask, draw: st.DataObject) -> None:
    path, method, call = draw.draw(
        st.sampled_from([c for c in CALLS if "/api/do/" in c[0] and "photo" not in c[0]])
    )
    schema = call["requestBody"]["content"]["application/json"]["schema"]
    body = draw.draw(like(schema)) | {"colour": draw.draw(anything)}
    of = draw.draw(st.sampled_from(["bench", "offline"]))
    answer = app.test_client().post(path.replace("{of}", of), json=body)
    assert (answer.status_code, method) == (422, "post")
    assert answer.get_json()["error"]["path"] != ""

"""The interface for other programs as OpenAPI 3.1, made from the models that check requests."""

from __future__ import annotations

from functools import lru_cache

from flask import Blueprint, Response, jsonify
from pydantic.json_schema import models_json_schema

from server.log import Json
from server.pages import bodies as b
from server.pages.api import ACTIONS
from server.pages.device import Device
from server.pages.rigs import Delivery, Press, Sight

__all__ = ["described", "description"]

described = Blueprint("openapi", __name__, url_prefix="/api")


@described.get("/openapi.json")
def openapi() -> Response:
    """This interface, described."""
    return jsonify(description())


REF = "#/components/schemas/{model}"
OF: Json = {"name": "of", "schema": {"type": "string", "enum": ["bench", "offline"]}}
EVENT: Json = {
    "type": "object",
    "required": ["kind"],
    "properties": {"kind": {"enum": ["mark", "no-mark", "turn", "shift", "inspected"]}},
}
SCHEMAS: Json = {
    "Error": {
        "type": "object",
        "required": ["error"],
        "properties": {
            "error": {
                "type": "object",
                "required": ["path", "message"],
                "properties": {"path": {"type": "string"}, "message": {"type": "string"}},
            },
            "state": {"type": "object"},  # with 409, if the press answers a step that is no longer due
        },
    },
    "Alignment": {
        "type": "object",
        "required": ["machine", "events"],
        "properties": {"machine": {"type": "object"}, "events": {"type": "array", "items": EVENT}},
        "additionalProperties": False,
    },
    "Step": {
        "type": "object",
        "required": ["do", "say", "estimate", "verdict"],
        "properties": {
            "do": {"enum": ["mark", "turn", "shift", "inspect", "done", "stop"]},
            "say": {"type": "string", "minLength": 1},
        },
    },
    "Reading": {
        "type": "object",
        "required": ["station", "marks", "card", "warnings"],
        "properties": {"marks": {"type": "array", "minItems": 1}},
    },
    "State": {
        "type": "object",
        "required": ["version", "step", "source", "do", "now", "say", "big", "card", "chain", "readings"],
        "properties": {
            "version": {"type": "integer"},
            "step": {"type": "string"},
            "say": {"type": "array", "items": {"type": "string"}},
        },
    },
    "Why": {"type": "object", "required": ["why"], "properties": {"why": {"type": "string"}}},
    "Photos": {
        "type": "object",
        "required": ["after"],
        "properties": {
            "after": {"type": "string", "contentMediaType": "image/jpeg"},
            "before": {"type": "string", "contentMediaType": "image/jpeg"},
        },
    },
}
PLACED_PHOTOS: Json = {
    **SCHEMAS["Photos"],
    "required": ["after", "station", "head_mm", "step", "key"],
    "properties": {
        **SCHEMAS["Photos"]["properties"],
        "station": {"enum": ["mirror-1", "mirror-2", "mirror-3", "nozzle"]},
        "head_mm": {"type": "string", "pattern": r"^[0-9.]{1,8},[0-9.]{1,8}$"},
        "step": {"type": "string", "minLength": 1, "maxLength": 40},
        "key": {"type": "string", "pattern": "^[A-Za-z0-9_-]{8,64}$"},
    },
}
SAYS = {
    400: "not JSON, or not a picture",
    401: "no access code given yet",
    403: "from another site",
    404: "no such thing",
    409: "not now: the message says what comes first",
    413: "too large",
    422: "understood, and wrong: path and message say where and why",
    503: "the log cannot be written, or all event streams are taken",
}


@lru_cache(maxsize=1)
def description() -> Json:
    """Return the whole description as plain JSON values."""
    models: set[type[b.Body]] = {model for model, _ in ACTIONS.values()}
    models |= {b.Bars, Device, Delivery, Press, Sight}
    ordered = sorted(models, key=lambda model: model.__name__)
    _, made = models_json_schema([(model, "validation") for model in ordered], ref_template=REF)
    info = {
        "title": "Spotwright",
        "version": "1",
        "description": "Lengths are millimetres, turns are turns of a screw. Refusals are one line.",
    }
    schemas = {**SCHEMAS, **made["$defs"]}
    return {"openapi": "3.1.0", "info": info, "paths": _paths(), "components": {"schemas": schemas}}


def _paths() -> Json:
    of_query = [{**OF, "in": "query"}]
    of_path = [{**OF, "in": "path", "required": True}]
    return {
        "/api/next-step": {"post": _call("The next step of an alignment", _json("Alignment"), "Step")},
        "/api/read": {"post": _call("The marks in a photo", _form(_ref("Photos")), "Reading")},
        "/api/state": {"get": _call("What the page shows", None, "State", of_query)},
        "/api/why": {"get": _call("Why the step is what it is", None, "Why", of_query)},
        "/api/events": {"get": _call("The state whenever it changes", None, "text/event-stream", of_query)},
        "/api/frame.jpg": {"get": _call("The newest picture of the bench", None, "image/jpeg")},
        "/api/device": {"post": _call("Units, hand and brightness, for this device", _json("Device"))},
        "/api/card-scale": {"post": _call("The check bars of the printed cards, in mm", _json("Bars"))},
        "/api/control/{of}": {"post": _call("Take control of a session", None, "State", of_path)},
        "/api/lasers": {"post": _call("Add a laser's profile, TOML", _text("application/toml"))},
        "/api/rig/readings": {"post": _call("A rig elsewhere read a mark", _json("Delivery"))},
        "/api/rig/sight": {"post": _call("What a rig elsewhere sees", _json("Sight"))},
        "/api/rig/press": {"post": _call("The foot button of a rig elsewhere", _json("Press"))},
        "/api/rig/picture/{name}": {"get": _call("Its newest picture", None, "image/jpeg", [_NAME])},
        "/api/openapi.json": {"get": _call("This description")},
        "/api/do/{of}/photo": {"post": _call("A photo of the card", _form(PLACED_PHOTOS), "State", of_path)},
        **{
            f"/api/do/{{of}}/{name}": {
                "post": _call(f"What the person did: {name}", _json(model.__name__), "State", of_path)
            }
            for name, (model, _) in ACTIONS.items()
        },
    }


_NAME: Json = {"name": "name", "in": "path", "required": True, "schema": {"type": "string"}}


def _call(
    summary: str, body: Json | None = None, answer: str = "", parameters: list[Json] | None = None
) -> Json:
    call: Json = {"summary": summary, "responses": {"200": _answer(answer), **_refusals()}}
    if body is not None:
        call["requestBody"] = {"required": True, "content": body}
    return call | ({"parameters": parameters} if parameters else {})


def _answer(answer: str) -> Json:
    if "/" in answer:
        return {"description": "Its bytes.", "content": {answer: {}}}
    schema = _ref(answer) if answer else {"type": "object"}
    return {"description": "Done.", "content": {"application/json": {"schema": schema}}}


def _refusals() -> Json:
    content = {"application/json": {"schema": _ref("Error")}}
    return {str(status): {"description": says, "content": content} for status, says in SAYS.items()}


def _ref(name: str) -> Json:
    return {"$ref": REF.format(model=name)}


def _json(name: str) -> Json:
    return {"application/json": {"schema": _ref(name)}}


def _form(schema: Json) -> Json:
    return {"multipart/form-data": {"schema": schema}}


def _text(kind: str) -> Json:
    return {kind: {"schema": {"type": "string"}}}

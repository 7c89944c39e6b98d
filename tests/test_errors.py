"""Pydantic's messages about input reach a person in plain words; our own messages stay as they are."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from flask.testing import FlaskClient
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from firmware import RigError
from firmware.profile import load_profile
from server import solver
from server.cli.main import main
from server.errors import fault_line, plain
from server.pages import Config, create_app
from server.practice import default_profile
from server.solver import DocumentError, parse_alignment, profile_as_json
from tests.pages.doubles import names

TOML = resources.files("server.practice").joinpath("practice-1600.toml").read_text("utf-8")
RAW = ("Field required", "should ", "Extra inputs", "Value error")  # how pydantic's own sentences are known


class Strict(BaseModel):
    """One field for each kind of fault that a document, a form or a rig's profile can have."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
    there: int
    word: Annotated[str, Field(min_length=1, max_length=4, pattern="^[a-z]*$")] = "a"
    size: Annotated[float, Field(gt=0, le=20)] = 1.0
    rest: Annotated[float, Field(ge=1, lt=2)] = 1.0
    on: bool = True
    pair: Annotated[list[float], Field(min_length=2, max_length=2)] = [0.0, 0.0]
    way: Literal["left", "right"] = "left"
    inner: Strict | None = None

    @field_validator("way")
    @classmethod
    def _never_left(cls, way: str) -> str:
        if way == "right":
            raise ValueError("right is taken")
        return way


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "there: is missing; add it"),
        ({"there": 1, "more": 1}, "more: unknown key"),
        ({"there": "1"}, "there: must be a whole number"),
        ({"there": 1, "word": 5}, "word: must be text"),
        ({"there": 1, "word": ""}, "word: must not be empty"),
        ({"there": 1, "word": "abcde"}, "word: must have at most 4 characters"),
        ({"there": 1, "word": "A"}, "word: must have the form '^[a-z]*$'"),
        ({"there": 1, "size": "1"}, "size: must be a number"),
        ({"there": 1, "size": 0.0}, "size: must be more than 0"),
        ({"there": 1, "size": 21.0}, "size: must be at most 20"),
        ({"there": 1, "size": float("nan")}, "size: must be a finite number"),
        ({"there": 1, "rest": 0.5}, "rest: must be at least 1"),
        ({"there": 1, "rest": 2.0}, "rest: must be less than 2"),
        ({"there": 1, "on": 1}, "on: must be true or false"),
        ({"there": 1, "pair": 1.0}, "pair: must be a list"),
        ({"there": 1, "pair": [1.0]}, "pair: must have at least 2 items, not 1"),
        ({"there": 1, "way": "up"}, "way: must be 'left' or 'right'"),
        ({"there": 1, "way": "right"}, "way: right is taken"),
        ({"there": 1, "inner": 3}, "inner: must be an object with named fields"),
    ],
)
def test_each_kind_of_fault_is_said_plainly(given: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError) as refused:
        Strict.model_validate(given)
    (first,) = refused.value.errors()
    assert fault_line(".".join(map(str, first["loc"])), first["msg"]) == said
    assert plain(f"a.toml: x.y: {first['msg']}").startswith("a.toml: x.y: ")


@pytest.mark.parametrize(
    "line",
    [
        "",
        "Read and acknowledge the cautions first.",
        "That is the card for mirror 2, but the card for the nozzle should hang there: change the card.",
        "unknown key",
        "a mount has exactly three contact points, here are 2",
    ],
)
def test_our_own_lines_stay_as_they_are(line: str) -> None:
    assert plain(line) == line


def spoilt(value: Any) -> Iterator[Any]:
    """The document with each of its values in turn removed or replaced."""
    if isinstance(value, dict):
        for key in value:
            yield {other: kept for other, kept in value.items() if other != key}
            for worse in spoilt(value[key]):
                yield {**value, key: worse}
    elif isinstance(value, list):
        yield value[:-1]
        for worse in spoilt(value[0]):
            yield [worse, *value[1:]]
    yield from (None, "", "x" * 300, -1e9, float("inf"), [], {}, True)


def test_no_fault_of_a_document_is_told_in_pydantic_s_words() -> None:
    events = [
        {"kind": "mark", "station": "mirror-1", "head_mm": [0.0, 0.0], "offset_mm": [1.0, 1.0]},
        {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.25},
    ]
    document = {"machine": profile_as_json(default_profile()), "events": events}
    lines = set()
    for worse in spoilt(document):
        try:
            parse_alignment(copy.deepcopy(worse))
        except DocumentError as error:
            lines.add(fault_line(error.path, error.message))
    assert len(lines) > 100
    assert [line for line in lines if any(words in line for words in RAW)] == []


@pytest.fixture
def client(tmp_path: Path) -> FlaskClient:
    return create_app(Config(data=tmp_path)).test_client()


def test_a_profile_without_a_name_is_refused_in_one_line_that_says_what_to_do(client: FlaskClient) -> None:
    toml = TOML.replace('name = "practice 1600"', "", 1)
    said = "name: is missing; add it"
    assert f'role="alert">{said}<' in client.post("/laser", data={"toml": toml}).text
    answer = client.post("/api/lasers", data=toml)
    assert answer.get_json() == {"error": {"path": "name", "message": said}}


def test_a_missing_field_of_a_form_or_a_program_is_said_plainly(client: FlaskClient) -> None:
    form = client.post("/laser/new", data={"name": "mine", "width_mm": "-5"})
    assert 'role="alert">corner: is missing; add it<' in form.text
    sent = client.post(
        "/api/do/offline/typed", json={"station": "mirror-1", "head_mm": [0, 0]} | names(client, "offline")
    )
    assert sent.get_json()["error"]["message"] == "offset_mm: is missing; add it"
    cut = client.post("/log/reminder", data={"laser": "mine", "what": "clean"})
    assert not any(words in cut.text for words in RAW)


def test_commands_say_it_plainly_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text("[pins]\nring = 99\n", "utf-8")
    assert main(["doctor", "--data", str(tmp_path)]) == 2
    assert capsys.readouterr().err == f"spotwright: {rig}: pins.ring: must be at most 27\n"
    with pytest.raises(RigError):
        load_profile(rig)
    export = tmp_path / "log.json"
    export.write_text(json.dumps({"format": "spotwright-log"}), "utf-8")
    assert main(["log", "import", str(export), "--data", str(tmp_path / "data")]) == 2
    assert "is missing; add it" in capsys.readouterr().err
    document = {"machine": {**solver.profile_as_json(default_profile()), "name": ""}, "events": []}
    (tmp_path / "in.json").write_text(json.dumps(document), "utf-8")
    with (tmp_path / "in.json").open("rb") as stream:
        monkeypatch.setattr("sys.stdin", type("In", (), {"buffer": stream}))
        assert main(["next"]) == 2
    told_both = capsys.readouterr()
    assert json.loads(told_both.out)["error"]["message"] == "must not be empty"
    assert told_both.err == "spotwright: machine.name: must not be empty\n"

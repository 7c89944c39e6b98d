"""Everything put in comes out, through the database and through JSON; importing twice is the same as once."""

from __future__ import annotations

import io
import json
import tempfile
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from server.log import BadEntry, Imported, Log, check, import_folder, import_json

Json = dict[str, Any]
MACHINE = {"name": "one"}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}
JPEG = b"\xff\xd8\xff a picture"

plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
objects = st.dictionaries(st.text(), plain, max_size=4)
events = objects.map(lambda value: value | {"kind": "mark"})
steps = st.lists(
    st.tuples(events, st.none() | objects, st.none() | st.binary(max_size=50), st.booleans()), max_size=6
)


def exported(log: Log) -> str:
    stream = io.StringIO()
    log.export_json(stream)
    return stream.getvalue()


def fill(log: Log, machine: Json, happened: list[Any]) -> int:
    number = log.start_alignment(machine=machine, source="camera", note="note")
    for event, reading, picture, withdrawn in happened:
        event_id = log.add_event(number, event, reading=reading, picture=picture)
        if withdrawn:
            log.withdraw_event(event_id)
    return number


@settings(max_examples=20)
@given(machine=objects, happened=steps, state=objects)
def test_what_goes_in_comes_out_and_survives_export_and_import(
    machine: Json, happened: list[Any], state: Json
) -> None:
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder, "a")) as log:
        number = fill(log, machine, happened)
        log.set_state(number, state)
        rows = log.events(number)
        assert [(r["event"], r["reading"], log.picture(r["id"]), r["withdrawn"]) for r in rows] == happened
        text = exported(log)
        with Log(Path(folder, "b")) as other:
            import_folder(other, Path(folder, "a"))
            assert exported(other) == text
            assert import_json(other, io.StringIO(text)) == Imported()
            assert [other.picture(r["id"]) for r in other.events(1)] == [
                picture for *_, picture, _ in happened
            ]
            assert other.state(1) == state


def test_import_twice_is_as_once(tmp_path: Path) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        fill(log, MACHINE, [(TURN, None, None, False)] * 3)
        text = exported(log)
        assert import_json(other, io.StringIO(text)) == Imported(alignments=1, events=3)
        assert import_json(other, io.StringIO(text)) == Imported()
        assert import_json(log, io.StringIO(text)) == Imported()
        assert exported(other) == exported(log) == text


def test_later_export_brings_what_is_new(tmp_path: Path) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        number = fill(log, MACHINE, [(TURN, None, None, False)])
        import_json(other, io.StringIO(exported(log)))
        log.add_event(number, TURN | {"turns": 2})
        log.withdraw_event(log.events(number)[0]["id"])
        log.set_verdict(number, {"aligned": True}, done=True)
        assert import_json(other, io.StringIO(exported(log))) == Imported(events=1)
        assert exported(other) == exported(log)


def test_older_export_takes_nothing_back(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        number = fill(log, MACHINE, [(TURN, None, None, False)])
        older = exported(log)
        log.withdraw_event(log.add_event(number, TURN))
        log.set_verdict(number, {"aligned": True}, done=True)
        newer = exported(log)
        assert import_json(log, io.StringIO(older)) == Imported()
        assert exported(log) == newer


def test_pictures_come_with_the_folder(tmp_path: Path) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        fill(log, MACHINE, [(TURN, None, JPEG, False)])
        import_json(other, io.StringIO(exported(log)))
        assert not other.events(1)[0]["has_picture"]
        assert import_folder(other, tmp_path / "a") == Imported(pictures=1)
        assert other.picture(other.events(1)[0]["id"]) == JPEG


def spoil(text: str, *keys: str | int, value: Any) -> str:
    whole = json.loads(text)
    place = whole
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    return json.dumps(whole)


FIRST_EVENT = ("alignments", 1, "events", 0)


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("format",), "other", "format: "),
        (("version",), 3, "version: "),
        (("alignments", 1, "source"), "elsewhere", "alignments.1.source: "),
        (("alignments", 1, "uuid"), "'; DROP TABLE event", "alignments.1.uuid: "),
        (("alignments", 1, "extra"), 1, "alignments.1.extra: "),
        ((*FIRST_EVENT, "when"), 'x", "', "alignments.1.events.0.when: "),
        ((*FIRST_EVENT, "picture"), "../../etc/passwd", "alignments.1.events.0.picture: "),
        ((*FIRST_EVENT, "event"), {"station": "mirror-1"}, "event: .*kind"),
        ((*FIRST_EVENT, "event"), {"kind": "turn", "turns": float("nan")}, "event: not plain JSON"),
    ],
)
def test_bad_export_says_where_and_changes_nothing(
    tmp_path: Path, keys: tuple[str | int, ...], value: Any, said: str
) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        for _ in range(2):
            fill(log, MACHINE, [(TURN, None, None, False)])
        with pytest.raises(BadEntry, match=said) as error:
            import_json(other, io.StringIO(spoil(exported(log), *keys, value=value)))
        assert "\n" not in str(error.value)
        assert other.alignments() == []


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, '"x"', "1" * 10_000])
def test_text_that_is_not_json_is_one_line(tmp_path: Path, text: str) -> None:
    with Log(tmp_path) as log, pytest.raises(BadEntry) as error:
        import_json(log, io.StringIO(text))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"format": "spotwright-log", "version": 2}', "alignments: Field required"),
        ('{"alignments": [], "alignments": []}', "alignments: is there twice"),
        ('{"format": 1' + "1" * 5000 + "}", "not JSON that can be read"),
        ('{"format": ' + "[" * 100_000 + "}", "not JSON that can be read"),
    ],
)
def test_what_no_export_has_is_said(tmp_path: Path, text: str, said: str) -> None:
    with Log(tmp_path) as log, pytest.raises(BadEntry, match=said):
        import_json(log, io.StringIO(text))


class Pipe(io.TextIOWrapper):
    """Can be read only once."""

    def seekable(self) -> bool:
        return False

    def tell(self) -> int:
        raise io.UnsupportedOperation("tell")

    def seek(self, place: int, whence: int = 0) -> int:
        raise io.UnsupportedOperation("seek")


def test_an_export_may_come_through_a_pipe(tmp_path: Path) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        fill(log, MACHINE, [(TURN, None, None, False)])
        text = exported(log)
        import_json(other, Pipe(io.BytesIO(text.encode()), "utf-8"))
        assert exported(other) == text
        with pytest.raises(BadEntry, match="not UTF-8 text"):
            import_json(other, Pipe(io.BytesIO(text.encode() + b"\xff"), "utf-8"))


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value inside a JSON document."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(found for key, item in inner for found in places(item, (*path, key)))]


@settings(max_examples=30)
@given(data=st.data(), value=plain)
def test_any_one_value_exchanged_is_taken_or_refused_in_one_line(data: st.DataObject, value: Any) -> None:
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder)) as log:
        fill(log, MACHINE, [(TURN, {"rms_px": 0.1}, JPEG, True)])
        text = exported(log)
        where = data.draw(st.sampled_from([path for path in places(json.loads(text)) if path]))
        try:
            import_json(log, io.StringIO(spoil(text, *where, value=value)))
        except BadEntry as error:
            assert str(error) and "\n" not in str(error)
            assert exported(log) == text
        assert check(log.folder).problems == ()


def test_event_of_another_alignment_is_refused(tmp_path: Path) -> None:
    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        fill(log, MACHINE, [(TURN, None, None, False)])
        text = exported(log)
        import_json(other, io.StringIO(text))
        stolen = spoil(text, "alignments", 0, "uuid", value="00000000-0000-4000-8000-000000000000")
        with pytest.raises(BadEntry, match="belongs to another alignment"):
            import_json(other, io.StringIO(stolen))
        assert exported(other) == text


def test_judge_refuses_with_the_place(tmp_path: Path) -> None:
    class Fault(ValueError):
        path, message = "events.0.turns", "too many"

    def judge(document: Json) -> None:
        if document["events"][0]["turns"] > 20:
            raise Fault

    with Log(tmp_path / "a") as log, Log(tmp_path / "b") as other:
        fill(log, MACHINE, [(TURN, None, None, False)])
        fill(log, MACHINE, [(TURN | {"turns": 21}, None, None, False)])
        with pytest.raises(BadEntry, match=r"alignments\.1\.events\.0\.turns: too many"):
            import_json(other, io.StringIO(exported(log)), judge=judge)
        assert other.alignments() == []

"""A document read in small pieces gives the same as one read at once, and faults have the right place."""

from __future__ import annotations

import io
import json
import tracemalloc
from typing import Any, TextIO, cast

import hypothesis.strategies as st
import pytest
from hypothesis import given

from server.log import BadEntry
from server.log._json_stream import JsonStream

plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
    max_leaves=20,
)
objects = st.dictionaries(st.text(max_size=9), plain, max_size=5)
chunks = st.integers(1, 40)


@given(document=objects, chunk=chunks, indent=st.none() | st.integers(0, 3), ascii_only=st.booleans())
def test_outside_members_are_what_the_standard_library_reads(
    document: dict[str, Any], chunk: int, indent: int | None, ascii_only: bool
) -> None:
    text = json.dumps(document, indent=indent, ensure_ascii=ascii_only) + "\n "
    stream = JsonStream(io.StringIO(text), chunk=chunk)
    assert {key: stream.value() for key in stream.members()} == document
    stream.end()


@given(values=st.lists(plain, max_size=8), chunk=chunks)
def test_outside_items_are_what_the_standard_library_reads(values: list[Any], chunk: int) -> None:
    stream = JsonStream(io.StringIO(json.dumps(values)), chunk=chunk)
    assert list(stream.items()) == values


def take_all(text: str, chunk: int) -> None:
    stream = JsonStream(io.StringIO(text), chunk=chunk)
    for _ in stream.members():
        stream.value()
    stream.end()


@given(document=objects.filter(bool), chunk=chunks, part=st.floats(0, 1, exclude_max=True))
def test_a_document_that_is_cut_off_is_refused(document: dict[str, Any], chunk: int, part: float) -> None:
    text = json.dumps(document)
    with pytest.raises(BadEntry, match=r"line 1 column \d+: "):
        take_all(text[: int(part * len(text))], chunk)


@pytest.mark.parametrize("chunk", [1, 7, 1000])
@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", "line 1 column 1"),
        ("[]", "line 1 column 1"),
        ('{"a": 1\n "b": 2}', "line 2 column 2"),
        ('{"a": 1,\n\n  "b": troo}', "line 3 column 8"),
        ('{"a": {"b": [1, 2,, 3]}}', "line 1 column 19"),
        ('{"a": 1} x', "line 1 column 10"),
        ("{1: 2}", "line 1 column"),
        ('{"a": "line\nbreak"}', "line 1 column 12"),
    ],
)
def test_a_fault_is_said_where_it_is(text: str, place: str, chunk: int) -> None:
    with pytest.raises(BadEntry) as refused:
        take_all(text, chunk)
    assert refused.value.path.startswith(place)


def test_no_more_than_a_piece_is_held() -> None:
    class Endless(io.TextIOBase):
        sent = 0

        def read(self, size: int | None = -1) -> str:
            self.sent += 1
            return '{"a": "%s"},' % ("x" * 1000) * 50 if self.sent < 400 else "1]"

    stream = JsonStream(cast(TextIO, _After("[", Endless())))
    tracemalloc.start()
    count = sum(1 for _ in stream.items())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 399 * 50 + 1 and peak < 2e6  # of 20 MB


class _After(io.TextIOBase):
    def __init__(self, first: str, rest: io.TextIOBase) -> None:
        self._first, self._rest = first, rest

    def read(self, size: int | None = -1) -> str:
        first, self._first = self._first, ""
        return first or self._rest.read(size)

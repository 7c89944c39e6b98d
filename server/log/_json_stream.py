"""Reading a long JSON document piece by piece, so that no more than one piece of it is held in memory."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, TextIO

from server.log._errors import BadEntry

_CHUNK = 1 << 18  # characters read at once; more if a single value needs more
_NEAR_END = 12  # a value cut off inside a word such as false or \\ud83d fails this near to the end
_BLANK = " \t\n\r"


class JsonStream:
    """A place in a JSON text that only moves forward; raises BadEntry with line and column."""

    def __init__(self, stream: TextIO, *, chunk: int = _CHUNK) -> None:
        self._stream, self._chunk = stream, chunk
        self._decoder = json.JSONDecoder()
        self._text, self._at = "", 0
        self._ended = False
        self._line, self._column = 1, 1  # of the first character of _text

    def members(self) -> Iterator[str]:
        """The keys of the object that begins here; the caller takes each value before the next key."""
        for _ in self._between("{", "}"):
            key = self.value()
            if not isinstance(key, str):
                raise self._fault("not JSON: expecting a name in double quotes", self._at)
            self._expect(":")
            yield key

    def items(self) -> Iterator[Any]:
        """The values of the array that begins here."""
        for _ in self._between("[", "]"):
            yield self.value()

    def value(self) -> Any:
        """The value that begins here, whatever it is."""
        self._peek()
        size = self._chunk
        while True:
            try:
                value, end = self._decoder.raw_decode(self._text, self._at)
            except json.JSONDecodeError as error:
                if self._ended or not self._cut_off(error):
                    raise self._fault(f"not JSON: {error.msg}", error.pos) from error
            except (ValueError, RecursionError) as error:
                raise BadEntry(f"not JSON that can be read: {error}") from error
            else:
                if self._ended or end < len(self._text) - 3:  # a number may go on: "1", "1.", "1e+"
                    self._at = end
                    return value
            self._read(size)
            size = 2 * len(self._text)

    def end(self) -> None:
        """Raise BadEntry unless only white space follows."""
        if self._peek():
            raise self._fault("not JSON: extra data", self._at)

    def _cut_off(self, error: json.JSONDecodeError) -> bool:
        return error.pos > len(self._text) - _NEAR_END or error.msg.startswith("Unterminated string")

    def _between(self, first: str, last: str) -> Iterator[None]:
        self._expect(first)
        if self._peek() != last:
            yield
            while self._peek() == ",":
                self._at += 1
                yield
        self._expect(last)

    def _expect(self, sign: str) -> None:
        if self._peek() != sign:
            raise self._fault(f"expecting {sign!r}", self._at)
        self._at += 1

    def _peek(self) -> str:
        """The next character that is not white space, "" at the end."""
        while True:
            while self._at < len(self._text) and self._text[self._at] in _BLANK:
                self._at += 1
            if self._at < len(self._text):
                return self._text[self._at]
            if self._ended:
                return ""
            self._read(self._chunk)

    def _read(self, size: int) -> None:
        gone = self._text[: self._at]
        self._line, self._column = self._place(self._at)
        try:
            more = self._stream.read(size)
        except UnicodeDecodeError as error:
            raise BadEntry(f"not UTF-8 text ({error.reason})") from error
        self._ended = not more
        self._text, self._at = self._text[len(gone) :] + more, 0

    def _place(self, at: int) -> tuple[int, int]:
        lines = self._text.count("\n", 0, at)
        if lines == 0:
            return self._line, self._column + at
        return self._line + lines, at - self._text.rindex("\n", 0, at)

    def _fault(self, what: str, at: int) -> BadEntry:
        line, column = self._place(at)
        return BadEntry(what, path=f"line {line} column {column}")

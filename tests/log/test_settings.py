"""A settings file that cannot be used is reported in one line, by its name, until it can be used again."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from server.log import Settings


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b" \n", "empty"),
        (b'{"a": "\xff"}', "not text in UTF-8"),
        (b" " * 1_000_001, "larger than 1 MB"),
        (b"{", "Expecting property name"),
        (b"{}", "a"),
        (b"[]", "list indices must be integers"),
        (b"[" * 100_000, "maximum recursion depth exceeded"),
    ],
)
def test_a_damaged_file_is_said_and_forgotten_once_it_is_right(
    tmp_path: Path, content: bytes, said: str
) -> None:
    path, settings = tmp_path / "settings.json", Settings()

    def read() -> int:
        return settings.read(path, lambda text: int(json.loads(text)["a"]), 1, instead="1 is used")

    assert (read(), settings.faults) == (1, ())  # no file, no fault
    path.write_bytes(content)
    assert read() == 1
    (line,) = settings.faults
    assert line.startswith(f"{path}: this file is damaged (") and line.endswith("; 1 is used")
    assert said in line and "\n" not in line
    path.write_text('{"a": 2}'.rjust(1_000_000))  # as large as it may be
    assert (read(), settings.faults) == (2, ())


def test_a_folder_in_its_place_is_said_too(tmp_path: Path) -> None:
    settings = Settings()
    assert settings.read(tmp_path, int, 1, instead="1 is used") == 1
    assert settings.faults == (f"{tmp_path}: Is a directory; 1 is used",)

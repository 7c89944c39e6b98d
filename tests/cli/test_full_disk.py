"""A full disk: one line, exit status 2, and no empty or half file left behind.

The kernel itself refuses: a limit on file size stands for a full disk, `/dev/full` for full output.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-m", "server.cli.main"]
MOST_BYTES = 2000


def no_room() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (MOST_BYTES, MOST_BYTES))


def one_line(said: bytes) -> str:
    text = said.decode()
    assert text.startswith("spotwright: ")
    assert text.count("\n") == 1
    return text


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("cards", "--pdf", "{folder}/cards.pdf"), "cards.pdf"),
        (("cards", "--dpi", "60", "--png", "{folder}"), "card-mirror-1.png"),
        (("calibrate", "--grid", "{folder}/grid.pdf"), "grid.pdf"),
    ],
)
def test_what_is_printed_is_there_whole_or_not_at_all(
    words: tuple[str, ...], names: str, tmp_path: Path
) -> None:
    kept = tmp_path / names
    kept.write_bytes(b"from before")
    filled = [word.format(folder=tmp_path) for word in words]
    done = subprocess.run([*COMMAND, *filled], capture_output=True, check=False, preexec_fn=no_room)
    assert done.returncode == 2
    assert names in one_line(done.stderr)
    assert list(tmp_path.iterdir()) == [kept]
    assert kept.read_bytes() == b"from before"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("words", [("--help",), ("log", "--help"), ("--version",), ("next",)])
def test_output_that_takes_no_more_is_one_line(words: tuple[str, ...]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [*COMMAND, *words], stdout=full, stderr=subprocess.PIPE, input=b"{}", check=False
        )
    assert done.returncode == 2
    assert "output cannot be written" in one_line(done.stderr)


def test_serving_says_at_the_start_that_the_data_folder_is_full(tmp_path: Path) -> None:
    words = [*COMMAND, "serve", "--port", "0", "--data", str(tmp_path / "data")]
    done = subprocess.run(words, capture_output=True, check=False, preexec_fn=no_room)
    assert done.returncode == 2
    assert "cannot be written to" in one_line(done.stderr)
    assert list(tmp_path.iterdir()) == []

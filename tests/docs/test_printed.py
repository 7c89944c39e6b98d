"""The output shown in a document is exactly what the program prints.

A block marked ``console`` has commands after ``$`` and below each one its output. All run here in a shell, in
a temporary folder; a server is stopped once it has printed its lines.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SERVES = re.compile(r"spotwright serve\b")
BIN = Path(sys.executable).parent
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
PINNED = f"opencv-python-headless=={version('opencv-python-headless')}" in (
    ROOT / ".ci" / "constraints.txt"
).read_text("utf-8")


def documents() -> list[Path]:
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def printed(path: Path) -> list[tuple[str, str]]:
    """Each command in the console blocks of a document, and the output below it."""
    blocks = re.findall(r"```console\n(.*?)```", path.read_text("utf-8"), flags=re.DOTALL)
    parts = [part for block in blocks for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]]
    return [(command, shown) for command, _, shown in (part.partition("\n") for part in parts)]


EVERY = [
    pytest.param(*pair, id=f"{path.name}: {pair[0][:40]}") for path in documents() for pair in printed(path)
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A temporary folder with a copy of docs/, as in a checkout."""
    shutil.copytree(ROOT / "docs", tmp_path / "docs", ignore=shutil.ignore_patterns("*.py", "*.svg"))
    return tmp_path


def environment(folder: Path) -> dict[str, str]:
    path = f"{BIN}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "XDG_DATA_HOME": str(folder / "data"), "COLUMNS": "80"}


@pytest.mark.skipif(
    not (BIN / "spotwright").exists(), reason="the program is not installed beside this Python"
)
@pytest.mark.parametrize(("command", "shown"), EVERY)
def test_the_shown_output_is_printed(command: str, shown: str, folder: Path) -> None:
    if SERVES.search(command):
        assert served(command, len(shown.splitlines()), folder) == shown
        return
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command], cwd=folder, env=environment(folder), capture_output=True
    )
    came = done.stdout.decode()
    assert (done.returncode, done.stderr.decode()) == (0, "")
    assert NUMBER.sub("#", came) == NUMBER.sub("#", shown)
    numbers = [[float(number) for number in NUMBER.findall(text)] for text in (came, shown)]
    # a picture's numbers may differ in their last digit between processors, and by more with another OpenCV
    assert numbers[0] == pytest.approx(numbers[1], abs=0.011 if PINNED else 0.1)


def served(command: str, lines: int, folder: Path) -> str:
    """The first lines of a server command, with its free port replaced by the usual one."""
    words = ["bash", "-c", f"exec {command} --port 0"]
    quiet = {**environment(folder), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(words, cwd=folder, env=quiet, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = "".join(process.stdout.readline() for _ in range(lines))
        process.terminate()
    return re.sub(r"localhost:\d+", "localhost:8765", said)


def test_the_documents_show_what_is_printed() -> None:
    assert [path.name for path in documents() if printed(path)][:1] == ["README.md"]
    assert len(EVERY) >= 4


def test_nothing_is_written_beside_the_documents() -> None:
    """Samples write into /tmp, never into the checkout."""
    for command, _ in printed(ROOT / "README.md"):
        for name in re.findall(r"--(?:pdf|png|out|grid) (\S+)", command):
            assert name.startswith("/tmp/"), command

"""What the documents say is true: commands exist and run, links lead somewhere."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import click
import pytest

from server.cli import main as command
from server.log import Log, default_folder

MARK = {
    "kind": "mark",
    "station": "mirror-1",
    "head_mm": [0.0, 0.0],
    "offset_mm": [0.4, 0.1],
    "sigma_mm": 0.1,
}


def documents(root: Path) -> list[Path]:
    return [
        *sorted(root.glob("*.md")),
        *sorted((root / "docs").rglob("*.md")),
        *sorted((root / "hardware").rglob("*.md")),
    ]


def commands(
    group: click.Group, words: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        yield (*words, name), found
        if isinstance(found, click.Group):
            yield from commands(found, (*words, name))


ALL = list(commands(command.spotwright))


@pytest.mark.parametrize(("words", "found"), ALL, ids=[" ".join(words) for words, _ in ALL])
def test_every_command_explains_itself(words: tuple[str, ...], found: click.Command) -> None:
    assert found.help and found.help.strip()[-1] == "."
    for parameter in found.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{words}: {parameter.opts} without help"


@pytest.mark.parametrize("words", [words for words, _ in ALL], ids=" ".join)
def test_every_command_is_in_the_documents(root: Path, words: tuple[str, ...]) -> None:
    text = "\n".join(path.read_text("utf-8") for path in documents(root))
    assert f"spotwright {' '.join(words)}" in text


def shown_commands(text: str) -> list[str]:
    """The lines that begin with spotwright, in the blocks that a person would copy."""
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.startswith("spotwright ")]


def test_commands_in_the_documents_run(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    with Log(default_folder()) as log:
        for _ in range(12):
            log.add_event(log.start_alignment(machine={"name": "one"}, source="camera"), MARK, state={})
    ran = []
    for path in documents(root):
        for line in shown_commands(path.read_text("utf-8")):
            words = shlex.split(line.replace("/media/stick", str(tmp_path / "stick")))[1:]
            if words[0] in ("serve", "read") or "<" in words:
                continue  # these have tests of their own
            assert command.main(words) == 0, f"{path.name}: {line}: {capsys.readouterr().err}"
            ran.append(words[:2])
    assert ["log", "backup"] in ran and ["log", "restore"] in ran


def test_readme_has_the_two_commands_on_one_line_each(root: Path) -> None:
    text = (root / "README.md").read_text("utf-8")
    lines = [line for line in text.splitlines() if line.startswith("python3 -m venv")]
    ends = ["spotwright serve", "pytest -q -n auto --dist loadfile"]
    assert [line.rpartition("/")[2] for line in lines] == ends


def test_links_inside_the_project_lead_somewhere(root: Path) -> None:
    for path in documents(root):
        for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text("utf-8")):
            name = target.partition("#")[0]
            if name and "://" not in target:
                assert (path.parent / name).exists(), f"{path}: {target}"


def test_files_that_the_documents_name_are_there(root: Path) -> None:
    named = re.compile(
        r"`((?:firmware|vision|server|tests|docs|hardware|\.ci)/[\w./-]+)`|bin/python (\S+\.py)"
    )
    for path in documents(root):
        for quoted, script in named.findall(path.read_text("utf-8")):
            assert (root / (quoted or script)).exists(), f"{path}: {quoted or script}"


def test_version_is_in_the_changelog(root: Path) -> None:
    assert f"## {version('spotwright')}" in (root / "docs" / "changelog.md").read_text("utf-8")

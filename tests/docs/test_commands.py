"""Every command in the guide is run here, or listed here with the reason why not."""

from __future__ import annotations

import importlib
import io
import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest

from hardware.cards import SIZES
from server.cli import main as command
from server.log import Log, default_folder
from server.pages.pages import NAVIGATION
from server.practice import default_profile
from server.solver import parse_profile, profile_as_json
from tests.test_documents import MARK
from vision import STATIONS

ROOT = Path(__file__).parents[2]
GUIDE = (
    "safety",
    "first-alignment",
    "machine",
    "offline",
    "build",
    "numbers",
    "faults",
    "limits",
    "glossary",
)

# A command that begins like this is not run here.
NOT_RUN = {
    "spotwright serve": "runs until it is stopped; tests/browser and tests/pages start it",
    "spotwright rig": "sends to a page elsewhere until it is stopped; tests of the uplink start it",
    "python3 -m venv": "installs into a new environment; .ci/run runs the line from the README",
    "bash .ci/": "runs this test and all others",
    ".venv/bin/pytest": "runs this test",
    ".venv/bin/ruff": "part of .ci/run",
    ".venv/bin/python tests/bench/": "measures for minutes; run by hand",
    ".venv/bin/pip": "installs",
    "pip install": "installs",
    "sudo": "changes the system; tests/rig installs into a root of its own",
    "systemctl": "changes the system; tests/rig looks at the unit",
    "journalctl": "reads the system's own log",
    "ssh": "needs another machine",
    "scp": "needs another machine",
    "git clone": "needs the network",
}


def documents() -> list[Path]:
    beside = (ROOT / name for name in ("README.md", "DEVELOPERS.md", "hardware/README.md"))
    return [*beside, *sorted((ROOT / "docs").rglob("*.md"))]


def shown(path: Path) -> list[str]:
    """Each command in the sh blocks of a document, with continued lines joined and without comments."""
    blocks = re.findall(r"```(?:sh|bash|shell)\n(.*?)```", path.read_text("utf-8"), flags=re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [line.partition("  #")[0].strip() for line in lines if line.strip() and not line.startswith("#")]


EVERY = sorted({line for path in documents() for line in shown(path)})
TO_RUN = [line for line in EVERY if not line.startswith(tuple(NOT_RUN))]


@pytest.fixture
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with what the guide assumes: a log of twelve alignments, a backup, a document, pictures."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    with Log(default_folder()) as log:
        for _ in range(12):
            log.add_event(log.start_alignment(machine={"name": "one"}, source="camera"), MARK, state={})
    command.main(["log", "backup", str(tmp_path / "stick" / "spotwright")])
    machine = default_profile_json()
    (tmp_path / "alignment.json").write_text(f'{{"machine": {machine}, "events": []}}', "utf-8")
    (tmp_path / "docs").symlink_to(ROOT / "docs")
    return tmp_path


def default_profile_json() -> str:
    return json.dumps(profile_as_json(default_profile()))


@pytest.mark.parametrize("line", TO_RUN)
def test_a_command_of_the_guide_runs(line: str, workshop: Path, monkeypatch, capsys) -> None:
    line, _, read_from = line.partition(" < ")
    words = shlex.split(line.replace("/media/stick", str(workshop / "stick")))
    if read_from:
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(Path(read_from).read_bytes())))
    status = run(words)
    assert status == 0, f"{line}: {capsys.readouterr().err}"


def run(words: list[str]) -> int:
    if words[0] == "spotwright":
        return command.main(words[1:])
    assert words[:2] == [".venv/bin/python", "-m"], f"{words}: neither run here nor listed in NOT_RUN"
    with pytest.raises(SystemExit) as ended:
        importlib.import_module(words[2]).main(words[3:])
    return int(ended.value.code or 0)


def test_the_scripts_start_in_a_checkout() -> None:
    done = subprocess.run([sys.executable, "-m", "hardware.cards", "--help"], cwd=ROOT, capture_output=True)
    assert done.returncode == 0 and b"--engrave" in done.stdout


def test_every_command_not_run_has_a_reason_and_most_are_run() -> None:
    assert all(len(reason) > 3 for reason in NOT_RUN.values())
    assert TO_RUN and len(TO_RUN) > len(EVERY) / 2
    assert any(line.startswith("spotwright serve") for line in EVERY)


def test_every_command_is_named_in_the_guide() -> None:
    text = "\n".join(path.read_text("utf-8") for path in documents())
    for words in leaves(command.spotwright):
        assert f"spotwright {words}" in text, words


def leaves(group: click.Group, before: str = "") -> list[str]:
    found = []
    for name, entry in group.commands.items():
        found += [f"{before}{name}"]
        if isinstance(entry, click.Group):
            found += leaves(entry, f"{before}{name} ")
    return found


def test_every_page_is_named_in_the_guide() -> None:
    text = (ROOT / "docs" / "README.md").read_text("utf-8")
    assert all(re.search(rf"\b{label}\b", text) for _, label in NAVIGATION)


def test_every_card_is_named_in_the_guide() -> None:
    hardware = (ROOT / "hardware" / "README.md").read_text("utf-8")
    assert all(f"| {size} |" in hardware for size in SIZES) and all(s in hardware for s in STATIONS)
    offline = (ROOT / "docs" / "offline.md").read_text("utf-8")
    assert all(s.replace("-", " ") in offline for s in STATIONS)


@pytest.mark.parametrize("page", GUIDE)
def test_a_page_of_the_guide_is_short_and_in_its_contents(page: str) -> None:
    text = (ROOT / "docs" / f"{page}.md").read_text("utf-8")
    assert f"({page}.md)" in (ROOT / "docs" / "README.md").read_text("utf-8")
    text = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    prose = re.sub(r"^\|.*$|^<.*$|^#.*$|\(\S+?\)", "", text, flags=re.MULTILINE)
    sentences = [s for s in re.split(r"[.:;?!]\s|\n\n|\n-|\n\d\.", prose) if s.strip()]
    lengths = [len(sentence.split()) for sentence in sentences]
    assert lengths and max(lengths) <= 36 and sum(lengths) / len(lengths) <= 15


def test_the_glossary_has_the_project_s_words() -> None:
    text = (ROOT / "docs" / "glossary.md").read_text("utf-8")
    house = [
        "card",
        "mark",
        "reading",
        "station",
        "leg",
        "overlap",
        "offset",
        "step",
        "verdict",
        "alignment",
        "profile",
        "response",
    ]
    terms = re.findall(r"^\| \*\*(.+?)\*\*", text, flags=re.MULTILINE)
    assert set(house) <= set(terms) and terms == sorted(terms, key=str.lower)


@pytest.mark.parametrize("path", documents(), ids=lambda p: str(p.relative_to(ROOT)))
def test_links_and_pictures_lead_somewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    for target in re.findall(r'\]\(([^)\s]+)\)|src="([^"]+)"', text):
        name, _, heading = "".join(target).partition("#")
        if "://" in name:
            assert name.startswith(("https://", "http://127.0.0.1")), name
            continue
        there = path.parent / name if name else path
        assert there.exists(), f"{path.name}: {name}"
        if heading:
            titles = re.findall(r"^#+ (.+)$", there.read_text("utf-8"), flags=re.MULTILINE)
            assert heading in {re.sub(r"[^\w -]", "", t).lower().replace(" ", "-") for t in titles}, target


def test_safety_comes_first_and_names_the_rules_above_it() -> None:
    text = (ROOT / "docs" / "safety.md").read_text("utf-8")
    for word in ("IEC 60825-1", "ISO 11553-1", "Local law", "10.6 µm", "tens of kilovolts", "interlock"):
        assert word in text
    for page in ("first-alignment", "build", "faults"):
        assert "(safety.md)" in (ROOT / "docs" / f"{page}.md").read_text("utf-8")
    assert parse_profile(profile_as_json(default_profile())).beam.wavelength_um == 10.6


def test_outside_a_turn_tilts_the_beam_as_the_guide_says() -> None:
    """Law of reflection: a mirror that tilts turns the beam by twice that angle (any optics handbook)."""
    text = (ROOT / "docs" / "numbers.md").read_text("utf-8")
    screw_mm = 0.7 / 64
    mirror_mrad = 1000 * screw_mm / 36
    said = [
        f"{screw_mm:.3f} mm",
        f"{mirror_mrad:.2f} mrad",
        f"{2 * mirror_mrad:.2f} mrad",
        "mark moves by 1.0 mm",
    ]
    assert all(number in " ".join(text.split()) for number in said)
    assert f"{2 * mirror_mrad * 1.7:.1f}" == "1.0"

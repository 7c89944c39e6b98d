"""What DEVELOPERS.md says about the code is true: its files exist, and so do the names in them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
TOPS = r"server|vision|firmware|hardware|tests|docs|\.ci"
NAMED = sorted(set(re.findall(rf"`((?:{TOPS})(?:/[\w.-]+)+/?)`", TEXT)))
IN_THEM = [
    ("Event", "server/solver/events.py"),
    ("kind", "server/solver/events.py"),
    ("parse_alignment", "server/solver/documents.py"),
    ("_advance", "server/solver/estimate/belief.py"),
    ("MIGRATIONS", "server/log/_schema.py"),
    ("_KINDS", "server/session/events.py"),
    ("inspected", "server/session/adjustments.py"),
    ("inspected", "server/rig/replay.py"),
]


@pytest.mark.parametrize("name", NAMED)
def test_a_file_that_it_names_is_there(name: str) -> None:
    assert (ROOT / name).exists()


def test_many_files_are_named() -> None:
    assert len(NAMED) > 30


@pytest.mark.parametrize(("name", "path"), IN_THEM)
def test_a_name_in_the_example_is_where_it_says(name: str, path: str) -> None:
    assert f"`{name}`" in TEXT and path in TEXT
    assert re.search(rf"\b{name}\b", (ROOT / path).read_text("utf-8"))


JOURNEY = sorted(set(re.findall(rf"`((?:{TOPS})(?:/[\w.-]+)+)`\s\(`(\w+)`", TEXT)))


@pytest.mark.parametrize(("path", "name"), JOURNEY)
def test_a_name_of_a_journey_is_in_its_file(path: str, name: str) -> None:
    defined = rf"^\s*(?:def|class|export function|link\.) ?{name}\b"
    assert re.search(defined, (ROOT / path).read_text("utf-8"), flags=re.MULTILINE)


def test_all_three_journeys_name_a_function_at_each_step() -> None:
    start, end = TEXT.index("## Three journeys"), TEXT.index("| to change |")
    journeys = re.findall(r"^\*\*.*?(?=\n\n)", TEXT[start:end], flags=re.MULTILINE | re.DOTALL)
    steps = [journey.split("→") for journey in journeys]
    assert [len(journey) for journey in steps] == [11, 8, 5]
    assert all(re.search(r"`[\w./-]+`\s\(`\w+`", step) for journey in steps for step in journey)


def test_the_picture_of_the_layout_shows_every_package() -> None:
    picture = TEXT[TEXT.index("```") : TEXT.index("One word for one thing")]
    packages = [p.parent.name for p in (ROOT / "server").rglob("__init__.py") if p.parent.name != "server"]
    assert [name for name in packages if f"{name}/" not in picture] == []
    assert max(map(len, picture.splitlines())) <= 125

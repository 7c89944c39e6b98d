"""Imports go one way (contracts in pyproject.toml), and only the rig's modules import the rig's packages."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import grimp
import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

PACKAGES = ("firmware", "vision", "server")
RIG_ONLY = {"picamera2", "libcamera", "gpiozero", "lgpio"}


def sources(root: Path) -> Iterator[Path]:
    for package in PACKAGES:
        yield from sorted((root / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """The top-level names of all modules that a file imports, anywhere in the file."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
    return names


def test_contracts_are_kept(root: Path) -> None:
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "10 kept, 0 broken" in done.stdout


def import_cycles(graph: grimp.ImportGraph) -> list[list[str]]:
    """Groups of modules that reach each other by imports, those inside functions included."""
    names, rows, columns = sorted(graph.modules), [], []
    for name in names:
        for known in graph.find_modules_directly_imported_by(name):
            rows.append(names.index(name))
            columns.append(names.index(known))
    arrows = coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(names), len(names)))
    _, group = connected_components(arrows, directed=True, connection="strong")
    cycles = [[names[i] for i in np.flatnonzero(group == g)] for g in range(group.max() + 1)]
    return [cycle for cycle in cycles if len(cycle) > 1]


def test_there_are_no_import_cycles(root: Path) -> None:
    assert import_cycles(grimp.build_graph(*PACKAGES)) == []


def test_the_servers_root_holds_packages_and_errors_only(root: Path) -> None:
    assert {path.name for path in (root / "server").glob("*.py")} == {"__init__.py", "errors.py"}


def test_rig_packages_are_imported_only_at_the_rig(root: Path) -> None:
    allowed = {root / "firmware" / room / "pi.py" for room in ("camera", "panel")}
    guilty = [path for path in sources(root) if path not in allowed and imported(path) & RIG_ONLY]
    assert guilty == []


@pytest.mark.parametrize("name", ["click", "flask", "cv2", "matplotlib", "sqlite3", "waitress"])
def test_solver_touches_no_device(root: Path, name: str) -> None:
    assert [path for path in (root / "server" / "solver").rglob("*.py") if name in imported(path)] == []


def silent(path: Path) -> Iterator[str]:
    """Public classes and functions of a module without a docstring."""
    for node in ast.parse(path.read_text("utf-8")).body:
        if not isinstance(node, ast.ClassDef | ast.FunctionDef) or node.name.startswith("_"):
            continue
        if not ast.get_docstring(node):
            yield f"{path}: {node.name}"


def test_every_public_thing_explains_itself(root: Path) -> None:
    assert [name for path in sources(root) for name in silent(path)] == []


def methods(path: Path) -> Iterator[tuple[str, ast.FunctionDef, bool]]:
    """Public methods of a module's public classes: where, what, and whether the class is a protocol.

    A protocol's own docstring counts for all its methods.
    """
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            protocol = any(isinstance(base, ast.Name) and base.id == "Protocol" for base in node.bases)
            for method in node.body:
                if isinstance(method, ast.FunctionDef) and not method.name.startswith("_"):
                    yield f"{path}: {node.name}.{method.name}", method, protocol


@pytest.mark.parametrize("top", ["firmware", "vision", "server", "hardware"])
def test_every_public_method_explains_itself_or_one_that_it_stands_in_for_does(root: Path, top: str) -> None:
    found = [method for path in (root / top).rglob("*.py") for method in methods(path)]
    said = {method.name for _, method, protocol in found if protocol or ast.get_docstring(method)}
    assert [where for where, method, _ in found if method.name not in said] == []


def test_every_module_says_what_it_is_for(root: Path) -> None:
    assert [path for path in sources(root) if not ast.get_docstring(ast.parse(path.read_text("utf-8")))] == []

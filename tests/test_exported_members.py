"""``__all__`` of each package is sorted, its names exist, and no public name is missing."""

from __future__ import annotations

import importlib
import inspect

import pytest

PACKAGES = ["vision", "firmware", "server.log", "server.solver", "server.practice", "server.pages"]


def order(name: str) -> tuple[int, str]:
    """CONSTANTS, then Classes, then functions: the order that ruff enforces (RUF022)."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)


@pytest.mark.parametrize("package", PACKAGES)
def test_all_is_sorted_and_there(package: str) -> None:
    module = importlib.import_module(package)
    assert list(module.__all__) == sorted(set(module.__all__), key=order)
    assert [name for name in module.__all__ if not hasattr(module, name)] == []


@pytest.mark.parametrize("package", PACKAGES)
def test_public_names_are_listed(package: str) -> None:
    module = importlib.import_module(package)
    public = {
        name
        for name, value in vars(module).items()
        if not name.startswith("_") and not inspect.ismodule(value) and name != "annotations"
    }
    assert public - set(module.__all__) == set()


@pytest.mark.parametrize("package", PACKAGES)
def test_everything_shown_is_explained(package: str) -> None:
    module = importlib.import_module(package)
    shown = [getattr(module, name) for name in module.__all__]
    kinds = (inspect.isclass, inspect.isfunction)
    silent = [thing for thing in shown if any(kind(thing) for kind in kinds) and not inspect.getdoc(thing)]
    assert silent == []

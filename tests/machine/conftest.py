"""Tests on a whole machine: they run only where ``.ci/machine`` has made one."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from tests.machine.container import Container, container_missing
from tests.machine.guest import Guest, disk_on, qemu_missing


def pytest_collection_modifyitems(items: Sequence[pytest.Item]) -> None:
    """All of this folder is of that kind."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.machine)


@pytest.fixture(scope="session")
def machine_root() -> Path:
    """The folder that the machine's disk was made of; beside it lies the disk."""
    root = os.environ.get("SPOTWRIGHT_MACHINE_ROOT", "")
    if not root:
        pytest.skip("no machine at hand: 'bash .ci/machine' makes one (as root) and runs these")
    if missing := qemu_missing():
        pytest.skip(missing)
    return Path(root)


@pytest.fixture(scope="session")
def disk(machine_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A disk of this run's own."""
    return disk_on(machine_root.with_suffix(".raw"), tmp_path_factory.mktemp("disk") / "disk.qcow2")


@pytest.fixture(scope="session")
def guest(machine_root: Path, disk: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guest]:
    """The machine, booted once, its page there; switched off at the end."""
    machine = Guest(machine_root, disk, tmp_path_factory.mktemp("guest"))
    machine.boot()
    try:
        machine.ready_s = machine.wait_page()
        machine.up_s = machine.now_s()
        machine.learn_code()
        yield machine
    finally:
        machine.cut()


@pytest.fixture(scope="session")
def box(
    request: pytest.FixtureRequest, machine_root: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Guest]:
    """The same system, where only systemd matters: a container, or the machine if there can be none."""
    if container_missing(machine_root):
        yield request.getfixturevalue("guest")
        return
    container = Container(machine_root, tmp_path_factory.mktemp("container"))
    container.boot()
    try:
        container.wait_page()
        container.learn_code()
        yield container
    finally:
        container.cut()

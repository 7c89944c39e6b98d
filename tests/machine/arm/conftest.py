"""The arm64 machine with real pins; only where ``.ci/machine arm64`` has made one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.machine.arm.guest import ArmGuest, arm_missing
from tests.machine.guest import disk_on


@pytest.fixture(scope="session")
def pi(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ArmGuest]:
    """The machine, booted once without a network; its service runs."""
    root = os.environ.get("SPOTWRIGHT_ARM_ROOT", "")
    if not root:
        pytest.skip("no arm64 machine at hand: 'bash .ci/machine arm64' makes one (as root) and runs these")
    if missing := arm_missing():
        pytest.skip(missing)
    folder = tmp_path_factory.mktemp("pi")
    machine = ArmGuest(Path(root), disk_on(Path(root).with_suffix(".raw"), folder / "disk.qcow2"), folder)
    machine.boot()
    try:
        machine.wait("systemctl is-active spotwright", patience_s=1200.0)
        machine.learn_code()
        yield machine
    finally:
        machine.cut()

"""The service and the installer, as far as they can be judged without a Pi; tests/rig runs the installer."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture
def install(root: Path) -> Path:
    return root / "firmware" / "install"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")
def test_systemd_takes_the_unit_as_it_is(install: Path, tmp_path: Path) -> None:
    unit = tmp_path / "spotwright.service"
    text = (install / "spotwright.service").read_text("utf-8")
    # only the program's own place is another here: systemd wants to find what it is to start
    unit.write_text(text.replace("/opt/spotwright/current/bin/spotwright", sys.executable), "utf-8")
    judged = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    assert judged.returncode == 0, judged.stderr
    assert "spotwright.service" not in judged.stderr


def test_the_unit_restarts_watches_and_is_no_root(install: Path) -> None:
    lines = dict(
        line.split("=", 1)
        for line in (install / "spotwright.service").read_text("utf-8").splitlines()
        if "=" in line
    )
    assert lines["User"] == "spotwright"
    assert lines["SupplementaryGroups"].split() == ["video", "gpio"]
    assert lines["Restart"] == "always"
    assert int(lines["WatchdogSec"]) > 0
    assert lines["Type"] == "notify"
    assert lines["StartLimitIntervalSec"] == "0"


@pytest.mark.parametrize(
    "name", ["install.sh", "spotwright.command", "../../tests/rig/make-root", "../../.ci/rig"]
)
def test_the_scripts_are_ones(install: Path, name: str) -> None:
    shell = "sh" if name == "spotwright.command" else "bash"
    assert subprocess.run([shell, "-n", str(install / name)], capture_output=True).returncode == 0


def test_who_is_not_root_is_told_in_one_line(install: Path) -> None:
    refused = subprocess.run(["bash", str(install / "install.sh"), "--now"], capture_output=True, text=True)
    assert refused.returncode == 2
    assert refused.stderr == "install: --now: the only option is --no-start\n"


@pytest.mark.parametrize(("base", "numpy_major"), [("12", "1"), ("13", "2")])
def test_each_base_keeps_the_numpy_of_its_camera_library(install: Path, base: str, numpy_major: str) -> None:
    bounds = (install / f"bounds-debian-{base}.txt").read_text("utf-8")
    found = re.search(r"^numpy>=(\d+)\.\d+,<(\d+)\.\d+$", bounds, re.MULTILINE)
    assert found is not None
    assert found.groups() == (numpy_major, numpy_major)
    assert re.search(r"^opencv-python-headless>=4\.\d+,<", bounds, re.MULTILINE)


def test_every_word_of_the_settings_is_an_option(install: Path) -> None:
    from server.cli.main import spotwright

    text = (install / "spotwright.default").read_text("utf-8")
    for line in re.findall(r'SPOTWRIGHT_DO="([^"]+)"', text):
        name, *words = line.split()
        command = spotwright.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known

"""The service and the installer, as far as they can be checked without a Pi; tests/rig runs the installer."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
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


def directives(install: Path) -> list[tuple[str, str]]:
    lines = (install / "spotwright.service").read_text("utf-8").splitlines()
    return [(name, value) for name, _, value in (line.partition("=") for line in lines if line[:1].isalpha())]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")
def test_outside_systemd_calls_the_service_hardly_exposed(install: Path) -> None:
    # systemd-analyze(1), "security": 0 is best, 10 worst; it weighs each directive by its own table
    asked = ["systemd-analyze", "security", "--offline=true", "--threshold=30", "--no-pager"]
    judged = subprocess.run([*asked, str(install / "spotwright.service")], capture_output=True, text=True)
    assert judged.returncode == 0, judged.stdout[-200:]


def test_each_bound_of_the_service_stands(install: Path) -> None:
    bounds = {
        ("NoNewPrivileges", "yes"),
        ("CapabilityBoundingSet", ""),
        ("SystemCallFilter", "@system-service"),
        ("SystemCallArchitectures", "native"),
        ("UMask", "0077"),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("PrivateTmp", "yes"),
        ("RestrictNamespaces", "yes"),
        ("RestrictSUIDSGID", "yes"),
    }
    assert bounds - set(directives(install)) == set()


def test_camera_pins_and_the_list_of_devices_stay_within_reach(install: Path) -> None:
    unit = directives(install)
    allowed = {value for name, value in unit if name == "DeviceAllow"}
    assert {f"char-{kind} rw" for kind in ("video4linux", "media", "dma_heap", "gpiochip")} <= allowed
    assert ("DevicePolicy", "closed") in unit
    assert not {"PrivateDevices", "DynamicUser", "PrivateNetwork", "PrivateUsers"} & {
        name for name, _ in unit
    }
    (families,) = (value.split() for name, value in unit if name == "RestrictAddressFamilies")
    assert {"AF_INET", "AF_UNIX", "AF_NETLINK"} <= set(families)  # netlink: udev tells of cameras


def test_the_working_directory_can_be_written(install: Path) -> None:
    unit = dict(directives(install))
    assert unit["WorkingDirectory"] == f"/run/{unit['RuntimeDirectory']}"
    assert ("Environment", f"LG_WD=/run/{unit['RuntimeDirectory']}") in directives(install)


def test_memory_and_files_are_bounded(install: Path) -> None:
    unit = dict(directives(install))
    assert int(unit["MemoryHigh"].rstrip("M")) < int(unit["MemoryMax"].rstrip("M")) <= 600
    assert unit["UMask"] == "0077"


@pytest.mark.parametrize("base", ["12", "13"])
def test_what_comes_from_the_index_is_pinned_by_version_and_hash(
    install: Path, root: Path, base: str
) -> None:
    text = (install / f"pinned-debian-{base}.txt").read_text("utf-8").replace("\\\n", " ")
    rows = [line.split() for line in text.splitlines() if not line.startswith("#")]
    for name, *hashes in rows:
        assert re.fullmatch(r"[a-z0-9_-]+==[\w.]+", name)
        assert hashes
        assert all(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", one) for one in hashes)
    names = {row[0].partition("==")[0].replace("_", "-") for row in rows}
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))
    wanted = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    assert {re.split(r"[<>=]", name)[0] for name in wanted} - {"numpy"} <= names
    several = [row for row in rows if row[0].startswith(("opencv", "pydantic_core", "matplotlib"))]
    assert all(len(row) >= 3 for row in several)  # a PC's and a Pi's


def test_the_installer_gives_pip_no_rights_and_asks_the_new_program(install: Path) -> None:
    text = (install / "install.sh").read_text("utf-8")
    assert re.search(r"runuser -u spotwright", text)
    assert "--require-hashes" in text
    assert "--no-build-isolation" in text
    pip = [line for line in text.splitlines() if "-m pip" in line]
    assert len(pip) == 1
    assert "as_user" in pip[0]
    asked, switched = text.index("/api/state"), text.index('bash "$here/switch" "$fresh"')
    assert asked < switched < text.index("rm -rf {} +")  # the old program goes last
    assert '|| refuse "the new program does not answer: the old one stays"' in text
    switch = (install / "switch").read_text("utf-8")
    fails = switch.index("if ! lives")  # once it has been switched to
    assert fails < switch.index('use "$old"') < switch.index("the old one runs again")


@pytest.mark.parametrize(
    "name",
    [
        *("install.sh", "switch", "pin", "spotwright.command", "../../tests/rig/make-root", "../../.ci/rig"),
        *("../../.ci/machine", "../../.ci/release", "../../tests/machine/make-root"),
        *("../../tests/machine/install-release", "../../tests/machine/guest-shell"),
    ],
)
def test_the_scripts_are_valid(install: Path, name: str) -> None:
    shell = "sh" if name == "spotwright.command" else "bash"
    assert subprocess.run([shell, "-n", str(install / name)], capture_output=True).returncode == 0


def test_a_user_without_root_gets_one_line(install: Path) -> None:
    refused = subprocess.run(["bash", str(install / "install.sh"), "--now"], capture_output=True, text=True)
    assert refused.returncode == 2
    assert refused.stderr == "install: --now: the options are --no-start and --back\n"


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


def test_pip_itself_is_pinned_for_the_release_file(install: Path) -> None:
    words = (install / "pip.txt").read_text("utf-8").replace("\\\n", " ").splitlines()[-1].split()
    assert re.fullmatch(r"pip==[\d.]+", words[0])
    assert re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", words[1])


def test_a_release_is_checked_before_anything_is_changed(install: Path) -> None:
    text = (install / "install.sh").read_text("utf-8")
    checked = text.index("sha256sum --quiet --check")
    assert all(checked < text.index(later) for later in ("apt-get", "useradd", "install -d"))

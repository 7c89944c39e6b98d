from pathlib import Path

import pytest

from firmware.health import HealthWatch, check_clock, check_disk, check_supply, check_writable, run_command
from tests.firmware.clock import Clock

HERE = Path(".")


@pytest.mark.parametrize(
    ("said", "codes"),
    [
        ("throttled=0x0\n", []),
        # The documentation's own table: 0x50000 = bits 16 and 18, 0x50005 = those and 0 and 2 now.
        ("throttled=0x50000\n", ["was-low-voltage"]),
        ("throttled=0x50005\n", ["low-voltage", "throttled"]),
        ("throttled=0x80008\n", ["hot"]),
        ("throttled=0x80000\n", ["was-hot"]),
        ("VCHI initialization failed\n", []),
        (None, []),
    ],
)
def test_heat_and_supply(said: str | None, codes: list[str]) -> None:
    found = check_supply(lambda command: said)
    assert [finding.code for finding in found] == codes
    assert all(finding.urgent != finding.code.startswith("was") for finding in found)


@pytest.mark.parametrize(
    ("free_mb", "codes"), [(10, ["disk-full"]), (49, ["disk-full"]), (100, ["disk-low"]), (900, [])]
)
def test_the_disk(free_mb: int, codes: list[str]) -> None:
    found = check_disk(HERE, free_bytes=lambda folder: free_mb * 1_000_000)
    assert [finding.code for finding in found] == codes


def test_a_disk_that_is_gone_is_a_finding() -> None:
    (finding,) = check_disk(Path("/nowhere/at/all"))
    assert finding.code == "no-disk"
    assert finding.urgent
    assert check_disk(HERE, free_bytes=None) is not None


@pytest.mark.parametrize(("said", "codes"), [("no\n", ["clock"]), ("yes\n", []), (None, [])])
def test_the_clock(said: str | None, codes: list[str]) -> None:
    assert [finding.code for finding in check_clock(lambda command: said)] == codes


def test_all_checks_run_at_most_once_a_minute_urgent_first() -> None:
    clock, asked = Clock(), []

    def run(command) -> str:
        asked.append(command[0])
        return {"vcgencmd": "throttled=0x80000", "timedatectl": "no"}[command[0]]

    watch = HealthWatch(HERE, run=run, free_bytes=lambda folder: 10**6, clock=clock)
    assert [finding.code for finding in watch.findings()] == ["disk-full", "was-hot", "clock"]
    watch.findings()
    assert asked == ["vcgencmd", "timedatectl"]
    clock.now_s += 60
    watch.findings()
    assert len(asked) == 4


def test_a_command_that_is_absent_or_fails_says_nothing() -> None:
    assert run_command(["no-such-program-here"]) is None
    assert run_command(["false"]) is None
    assert run_command(["echo", "well"]) == "well\n"


def test_a_folder_that_takes_nothing_is_found_by_writing_to_it(tmp_path: Path) -> None:
    assert check_writable(tmp_path / "not" / "there" / "yet") == []
    assert list(tmp_path.iterdir()) == []
    found = check_writable(Path("/proc/spotwright"))  # nobody can write there, root included
    assert [finding.code for finding in found] == ["not-writable"]
    assert "/proc" in found[0].line

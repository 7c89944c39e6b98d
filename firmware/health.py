"""Checks of the rig: heat and supply, disk, clock. Each fault is one line with what to do; none is fatal."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "Finding",
    "HealthWatch",
    "check_clock",
    "check_disk",
    "check_supply",
    "check_writable",
    "run_command",
]

Run = Callable[[Sequence[str]], str | None]

_PATIENCE_S = 2.0
_LOW_MB, _FULL_MB = 500, 50
_PROBE_BYTES = 1_000_000  # a picture and its reading
# Bits of `vcgencmd get_throttled`, as Raspberry Pi documents vcgencmd: 0–3 now, 16–19 since
# the start.
_NOW = {
    0: ("low-voltage", "the supply sags: use the Pi's own supply and a short cable"),
    1: ("capped", "the processor is slowed down: improve the Pi's cooling"),
    2: ("throttled", "the processor is throttled: improve the Pi's cooling"),
    3: ("hot", "the Pi is too hot: improve its cooling, keep it out of the laser's case"),
}
_EVER = {
    16: ("was-low-voltage", "the supply sagged since the start: use the Pi's own supply"),
    19: ("was-hot", "the Pi has been too hot since it started: improve its cooling"),
}


@dataclass(frozen=True)
class Finding:
    """Something that is not well: a word for programs, one line for people, whether it is so now."""

    code: str
    line: str
    urgent: bool


def run_command(command: Sequence[str]) -> str | None:
    """Return what the command prints, or None where it is not there, fails, or takes over ``_PATIENCE_S``."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=_PATIENCE_S, check=True)
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout


def check_supply(run: Run = run_command) -> list[Finding]:
    """Return what a Pi reports about heat and supply; [] where there is no ``vcgencmd``."""
    said = run(["vcgencmd", "get_throttled"])
    try:
        bits = int((said or "").partition("=")[2].strip(), 16)
    except ValueError:
        return []
    now = [Finding(code, line, True) for bit, (code, line) in _NOW.items() if bits >> bit & 1]
    return now or [Finding(code, line, False) for bit, (code, line) in _EVER.items() if bits >> bit & 1]


def check_disk(folder: Path, *, free_bytes: Callable[[Path], int] | None = None) -> list[Finding]:
    """Return a finding where the disk of that folder is full or nearly so."""
    try:
        free_mb = (free_bytes or _free_bytes)(folder) // 1_000_000
    except OSError as error:
        return [Finding("no-disk", f"{folder} cannot be reached ({error.strerror}): check the card", True)]
    if free_mb < _FULL_MB:
        return [Finding("disk-full", f"only {free_mb} MB left: make room now, readings may be refused", True)]
    if free_mb < _LOW_MB:
        return [Finding("disk-low", f"{free_mb} MB left: make room soon", False)]
    return []


def check_writable(folder: Path) -> list[Finding]:
    """Return a finding where nothing can be written to that folder, or to the nearest one that exists.

    Writes and deletes a small file, since permissions alone do not show a read-only or a full disk.
    """
    there = folder
    try:
        there = next((path for path in (folder, *folder.parents) if path.exists()), folder)
        with tempfile.NamedTemporaryFile(dir=there, prefix=".spotwright-") as file:
            file.write(bytes(_PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        do = "make room there" if error.errno == errno.ENOSPC else "check who owns it and how it is mounted"
        line = f"{there}: cannot be written to ({error.strerror}): {do}, or name another folder with --data"
        return [Finding("not-writable", line, True)]
    return []


def check_clock(run: Run = run_command) -> list[Finding]:
    """Return a finding where the system says that its clock was never set; [] where it does not say."""
    said = run(["timedatectl", "show", "--property=NTPSynchronized", "--value"])
    if (said or "").strip() != "no":
        return []
    line = (
        "the clock is not set (a Pi has none of its own): dates in the log may be wrong, their order is right"
    )
    return [Finding("clock", line, False)]


class HealthWatch:
    """All checks, at most once a minute: they start programs."""

    def __init__(
        self,
        folder: Path,
        *,
        run: Run = run_command,
        free_bytes: Callable[[Path], int] | None = None,
        clock: Callable[[], float] = time.monotonic,
        every_s: float = 60.0,
    ) -> None:
        self._folder, self._run, self._free_bytes = folder, run, free_bytes
        self._clock, self._every_s = clock, every_s
        self._checked_s: float | None = None
        self._findings: tuple[Finding, ...] = ()

    def findings(self) -> tuple[Finding, ...]:
        """Return what is not well, urgent ones first."""
        now_s = self._clock()
        if self._checked_s is None or now_s - self._checked_s >= self._every_s:
            self._checked_s = now_s
            found = check_supply(self._run) + check_disk(self._folder, free_bytes=self._free_bytes)
            found += check_clock(self._run)
            self._findings = tuple(sorted(found, key=lambda finding: not finding.urgent))
        return self._findings


def _free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free

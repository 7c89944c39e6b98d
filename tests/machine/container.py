"""The same system in a container of systemd's: at full speed, on this machine's kernel, without devices."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

from tests.machine.guest import Guest

__all__ = ["Container", "container_missing"]

_CLEAN = ["env", "-i", "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root"]


class Container(Guest):
    """Shows what systemd does with our unit; nothing of it stays in the folder ``root``."""

    def __init__(self, root: Path, folder: Path) -> None:
        super().__init__(root, root, folder)
        self._pid = 0

    def boot(self, clock: str = "utc") -> None:
        """Start; returns when it takes commands. Its page is on a port of this machine's."""
        port = self.url.rpartition(":")[2]
        settings = self._folder / "settings"
        settings.write_text(
            f'SPOTWRIGHT_DO="serve --lan --port {port}"\nSPOTWRIGHT_RIG=/etc/spotwright/rig.toml\n'
        )
        settings.chmod(0o644)
        words = ["systemd-nspawn", "--quiet", "--directory", str(self._root), "--volatile=overlay", "--boot"]
        words += ["--register=no", "--keep-unit", f"--bind-ro={settings}:/etc/default/spotwright"]
        self.began_s = time.monotonic()
        with (self._folder / "console.log").open("wb") as console:
            self._process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=console, stderr=console)
        self.until(self._has_begun)
        self.wait("systemctl show spotwright -p ActiveState")

    def run(self, command: str, *, good: bool = True, patience_s: float = 300.0) -> str:
        """Return what that shell command prints in there; with ``good`` it has to end with 0."""
        enter = ["nsenter", "--target", str(self._pid), "--mount", "--pid", "--ipc", "--uts", "--cgroup"]
        said = subprocess.run(
            [*enter, *_CLEAN, "bash", "-c", command],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=patience_s,
        )
        if good and said.returncode:
            raise AssertionError(f"{command}: {said.returncode}\n{said.stdout}")
        return said.stdout.strip()

    def cut(self) -> None:
        """End it at once."""
        process, self._process = self._process, None
        if process is not None:
            if self._pid:
                os.kill(self._pid, signal.SIGKILL)
            else:
                process.kill()
            process.wait()

    def _has_begun(self) -> bool:
        assert self._process is not None
        below = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children").read_text().split()
        self._pid = int(below[0]) if below else 0
        return bool(below) and b"systemd" in Path(f"/proc/{self._pid}/cmdline").read_bytes()


def container_missing(root: Path) -> str | None:
    """Return why there can be no container here, or None."""
    if shutil.which("systemd-nspawn") is None:
        return "no systemd-nspawn"
    asked = ["systemd-nspawn", "--quiet", "--directory", str(root), "--volatile=overlay", "--register=no"]
    tried = subprocess.run([*asked, "--keep-unit", "--pipe", "true"], capture_output=True, text=True)
    return tried.stderr.strip()[-200:] or "systemd-nspawn fails" if tried.returncode else None

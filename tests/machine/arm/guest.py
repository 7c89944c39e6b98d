"""An arm64 machine in QEMU that passes for a Pi 5, with pins that the tests press and read from outside.

Its pins are the eight lines of a PL061 (Arm's block of pins), which the kernel shows as /dev/gpiochip0. Each
is an input that QEMU's test protocol can drive, and it tells which lines are outputs. ``POWER_LINE`` hangs on
the emulator's power button too.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from tests.machine.guest import Guest

__all__ = ["POWER_LINE", "RELEASE", "ArmGuest", "arm_missing"]

POWER_LINE = 3  # hw/arm/virt.c of QEMU 7.2: gpio-key on line 3
RELEASE = "/dev/vdb"
_PL061 = 0x09030000  # the same file's memory map
# Its direction register, 1 for an output: "PrimeCell General Purpose Input/Output (PL061) Technical Reference
# Manual", ARM DDI 0190.
_DIRECTION = 0x400
_PI_5 = "0xd04170"  # a Pi 5 as the Pi's own list of revision codes has it, from memory; gpiozero asks for one


class ArmGuest(Guest):
    """As Guest; a Cortex-A76, which a Pi 5 has. ``RELEASE`` holds the bytes of the release file."""

    _kernel_says = "console=ttyAMA0"
    _second_line = ("-device", "pci-serial,chardev=shell")

    def __init__(self, root: Path, disk: Path, folder: Path) -> None:
        super().__init__(root, disk, folder)
        self._outside: TextIO | None = None
        self._chip = ""

    def _start(self, more: list[str]) -> None:
        """As for any guest, with its network unplugged."""
        release = self._root.with_suffix(".tar.gz")
        super()._start([*more, "-drive", f"file={release},if=virtio,format=raw,readonly=on"])
        self.plug_network(there=False)
        wire = socket.socket(socket.AF_UNIX)
        wire.connect(str(self._folder / "pins.sock"))
        self._outside = wire.makefile("rw", encoding="ascii")
        wire.close()
        listed = self._monitor("qom-list", path="/machine/unattached")
        (self._chip,) = (f"/machine/unattached/{e['name']}" for e in listed if e["type"] == "child<pl061>")

    def drive(self, line: int, high: bool) -> None:
        """Put that line, an input, to 3.3 V or to ground, as a switch on it does."""
        self._pins(f"set_irq_in {self._chip} unnamed-gpio-in {line} {int(high)}")

    def outputs(self) -> set[int]:
        """Return the lines that are outputs now."""
        bits = int(self._pins(f"readl {_PL061 + _DIRECTION:#x}").split()[1], 16)
        return {line for line in range(8) if bits >> line & 1}

    def push_power(self) -> None:
        """Push the emulator's power button: 0.1 s high on ``POWER_LINE``."""
        self._monitor("system_powerdown")

    def _end(self, how: Callable[[subprocess.Popen[bytes]], object]) -> None:
        super()._end(how)
        if self._outside is not None:
            self._outside.close()
        self._outside = None

    def _pins(self, order: str) -> str:
        assert self._outside is not None
        self._outside.write(order + "\n")
        self._outside.flush()
        said = self._outside.readline().strip()
        assert said.startswith("OK"), f"{order}: {said}"
        return said

    def _emulator(self) -> list[str]:
        machine, tree = ["qemu-system-aarch64", "-cpu", "cortex-a76"], self._folder / "tree.dtb"
        dump = [*machine, "-m", str(self._memory_mb), "-M", f"virt,dumpdtb={tree}"]
        subprocess.run(dump, check=True, capture_output=True)
        words = ["fdtput", "-p", "-t", "x", str(tree), "/system", "linux,revision", _PI_5]
        subprocess.run(words, check=True)
        pins = self._folder / "pins.sock"
        pins.unlink(missing_ok=True)
        asked = ["-qtest", f"unix:{pins},server=on,wait=off", "-qtest-log", "none"]
        return [*machine, "-M", "virt", "-dtb", str(tree), *asked]


def arm_missing() -> str | None:
    """Return why there can be no such guest here, or None."""
    for name in ("qemu-system-aarch64", "qemu-img", "mkfs.ext4", "fdtput"):
        if shutil.which(name) is None:
            return f"no {name}"
    return None

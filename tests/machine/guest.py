"""A whole machine in QEMU, without acceleration: booted from an image, asked by a serial line, unplugged.

Its clock counts executed instructions. So a host that is busy, or has no acceleration, slows the whole
machine and not only its program, and a limit in seconds means the same inside as on a quiet machine.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from http.client import HTTPResponse
from pathlib import Path
from typing import Any, TextIO
from uuid import uuid4

__all__ = ["PAGE_PORT", "Guest", "GuestSilent", "disk_on", "make_disk", "newest_root", "qemu_missing"]

Json = dict[str, Any]
PAGE_PORT = 8765
_BOOT_S = 600.0  # without acceleration on a loaded machine; a quiet one takes a tenth
# One instruction takes 1 ns: about as fast as a small Pi (1 GHz, an instruction a cycle; from memory).
_CLOCK = ("-icount", "shift=0")


class GuestSilent(RuntimeError):
    """The guest did not answer, or ended: with the end of its console."""


def make_disk(root: Path, image: Path, *, size_mb: int = 3000) -> None:
    """Write an ext4 image of everything in that folder."""
    image.unlink(missing_ok=True)
    with image.open("wb") as file:
        file.truncate(size_mb * 1_000_000)
    words = [
        "mkfs.ext4",
        "-q",
        "-F",
        "-E",
        "lazy_itable_init=1,lazy_journal_init=1",
        "-d",
        str(root),
        str(image),
    ]
    subprocess.run(words, check=True)


class Guest:
    """One machine of one core and 512 MB; its page is at ``url``.

    root : the folder that the disk was made of, for kernel and initrd. folder : for its socket and console.
    ``cut`` is the power cut: what the guest had not written to its disk is lost.
    """

    _kernel_says = "console=ttyS0 no_timer_check noapic"
    _second_line: tuple[str, ...] = ("-serial", "chardev:shell")  # where guest-shell listens

    def __init__(self, root: Path, disk: Path, folder: Path, *, memory_mb: int = 512) -> None:
        self._root, self.disk, self._folder, self._memory_mb = root, disk, folder, memory_mb
        self._process: subprocess.Popen[bytes] | None = None
        self._shell: socket.socket | None = None
        self._orders: TextIO | None = None
        self._rest = b""
        self.began_s = self.ready_s = self.up_s = 0.0
        with socket.create_server(("127.0.0.1", 0)) as free:
            self._port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self._port}"
        self.code: str | None = None

    @property
    def usb_door(self) -> Path:
        """The socket behind its USB port."""
        return self._folder / "usb.sock"

    @property
    def console(self) -> str:
        """What the kernel and the service have said there."""
        path = self._folder / "console.log"
        return path.read_text("utf-8", "replace") if path.exists() else ""

    def boot(self, clock: str = "utc") -> None:
        """Switch on; returns when it takes commands. The network behind it leads nowhere.

        clock : what its clock says then: ``utc`` for the true time, or a date.
        """
        self._start(["-rtc", f"base={clock},clock=vm"])
        while self._line(_BOOT_S) != "ready":
            pass

    def freeze(self) -> Path:
        """Stop it for good; returns the file of its memory, from which ``resume`` goes on.

        From then on its disk must not change: each ``resume`` needs a layer of its own on it (``disk_on``).
        """
        memory = self._folder / "memory"
        self._monitor("stop")
        self._monitor("migrate", uri=f"exec:cat >{memory}")
        self._until(lambda: self._monitor("query-migrate")["status"] in ("completed", "failed"), _BOOT_S)
        assert self._monitor("query-migrate")["status"] == "completed"
        self.cut()
        return memory

    def resume(self, memory: Path, disk: Path) -> None:
        """Go on from that memory with that disk; returns when it takes commands."""
        self.disk = disk
        self._start(["-rtc", "clock=vm", "-incoming", f"exec:cat {memory}"])
        self._until(lambda: self._monitor("query-status")["status"] != "inmigrate", _BOOT_S)
        self._monitor("cont")
        self.run("true")

    def _start(self, more: list[str]) -> None:
        sockets = [self._folder / name for name in ("shell.sock", "monitor.sock")]
        for path in sockets:
            path.unlink(missing_ok=True)
        boot = self._root / "boot"
        (kernel,), (initrd,) = boot.glob("vmlinuz-*"), boot.glob("initrd.img-*")
        words = [*self._emulator(), "-accel", "tcg", "-smp", "1", *_CLOCK]
        words += ["-m", str(self._memory_mb), "-nodefaults", "-display", "none", "-no-reboot"]
        words += ["-kernel", str(kernel), "-initrd", str(initrd)]
        words += ["-append", f"root=/dev/vda rw {self._kernel_says} quiet panic=-1"]
        words += ["-device", "virtio-rng-pci"]
        words += ["-drive", f"file={self.disk},if=virtio,format=qcow2,cache=writeback"]
        words += ["-netdev", f"user,id=n,restrict=on,hostfwd=tcp:127.0.0.1:{self._port}-:{PAGE_PORT}"]
        words += ["-device", "virtio-net-pci,netdev=n,id=card,romfile="]
        words += ["-serial", f"file:{self._folder / 'console.log'}"]
        words += ["-chardev", f"socket,id=shell,path={sockets[0]},server=on,wait=off", *self._second_line]
        words += ["-qmp", f"unix:{sockets[1]},server=on,wait=off"]
        self.began_s, self._rest = time.monotonic(), b""
        self._process = subprocess.Popen(words + more, stderr=subprocess.PIPE)
        self._until(lambda: all(path.exists() for path in sockets), 60.0)
        self._shell = socket.socket(socket.AF_UNIX)
        self._shell.connect(str(sockets[0]))
        wire = socket.socket(socket.AF_UNIX)
        wire.connect(str(sockets[1]))
        self._orders = wire.makefile("rw", encoding="utf-8")
        wire.close()  # the file keeps it open
        self._orders.readline()
        self._monitor("qmp_capabilities")

    def _emulator(self) -> list[str]:
        """Return the emulator with its processor; the machine's further parts are the same for all."""
        return ["qemu-system-x86_64", "-cpu", "Nehalem"]

    def _monitor(self, order: str, **words: str | bool) -> Any:
        """Give the emulator an order (QEMU Machine Protocol); returns its answer."""
        assert self._orders is not None
        self._orders.write(json.dumps({"execute": order, "arguments": words}) + "\n")
        self._orders.flush()
        while True:
            said = json.loads(self._orders.readline())
            if "error" in said:
                raise GuestSilent(f"{order}: {said['error']['desc']}")
            if "return" in said:  # what it tells unasked lies between
                return said["return"]

    def plug_network(self, *, there: bool) -> None:
        """Pull its network cable, or plug it in."""
        self._monitor("set_link", name="card", up=there)

    def add_usb(self) -> None:
        """Give it a USB controller with a port, which ``usb_door`` leads to; nothing is plugged in yet."""
        self._tell_monitor(f"chardev-add socket,id=usb,path={self.usb_door},server=on,wait=off")
        self._tell_monitor("device_add qemu-xhci,id=controller")
        self._tell_monitor("device_add usb-redir,id=port,bus=controller.0,chardev=usb")
        self.wait("ls -d /sys/bus/pci/drivers/xhci_hcd/0*")

    def take_usb(self) -> None:
        """Take that controller out again: a machine with one did not go on after ``freeze``."""
        self._tell_monitor("device_del controller")
        self.wait("! ls -d /sys/bus/pci/drivers/xhci_hcd/0*")

    def _tell_monitor(self, line: str) -> None:
        if said := self._monitor("human-monitor-command", **{"command-line": line}).strip():
            raise GuestSilent(f"{line}: {said}")

    def take_address(self, address: str | None) -> None:
        """Give it that address (10.0.2.x) from now on, or with None the one that its network gives.

        ``url`` leads to its page there.
        """
        path, device = "/run/systemd/network/05-other.network", "$(ls /sys/class/net | grep -vx lo)"
        if address is None:
            self.run(f"rm {path}")
        else:
            fixed = f"Address={address}/24\nGateway=10.0.2.2"
            self.write(path, f"[Match]\nType=ether\n[Network]\n{fixed}\n")
        self.run(f"networkctl reload; networkctl reconfigure {device}")
        forward = f"n tcp:127.0.0.1:{self._port}"
        for order in (f"hostfwd_remove {forward}", f"hostfwd_add {forward}-{address or ''}:{PAGE_PORT}"):
            self._monitor("human-monitor-command", **{"command-line": order})

    def plug_camera(self, *, there: bool) -> None:
        """Pull its camera, vivid's, or plug it in; where it is so already nothing happens."""
        test, order = ("! -e", "bind") if there else ("-e", "unbind")
        self.run(f"[ {test} /dev/video0 ] || exit 0; echo vivid.0 >/sys/bus/platform/drivers/vivid/{order}")

    def now_s(self) -> float:
        """Return the seconds that its own clock has run since it was switched on."""
        return float(self.run("cat /proc/uptime").split()[0])

    def run(self, command: str, *, good: bool = True, patience_s: float = 300.0) -> str:
        """Return what that shell command prints in there; with ``good`` it has to end with 0."""
        assert self._shell is not None
        self._shell.sendall(base64.b64encode(command.encode()) + b"\n")
        status, _, said = self._line(patience_s).partition(" ")
        text = base64.b64decode(said).decode("utf-8", "replace").strip()
        if good and status != "0":
            raise AssertionError(f"{command}: {status}\n{text}")
        return text

    def write(self, path: str, text: str) -> None:
        """Write a file in there."""
        coded = base64.b64encode(text.encode()).decode()
        self.run(f"mkdir -p {path.rpartition('/')[0]} && echo {coded} | base64 -d >{path}")

    def wait(self, command: str, *, patience_s: float = 300.0) -> str:
        """Run a command until it ends with 0; return what it then printed."""
        give_up_s = time.monotonic() + patience_s
        while True:
            try:
                return self.run(command)
            except AssertionError:
                if time.monotonic() > give_up_s:
                    raise
                time.sleep(0.5)

    def hear(self, text: str) -> None:
        """Wait until the newest line that the service has said holds this, or a later one does."""
        listen = "coproc journalctl -u spotwright -o cat -f -n 1"
        self.run(f"{listen}; grep -m 1 '{text}' <&${{COPROC[0]}}; kill $COPROC_PID", patience_s=_BOOT_S)

    def wait_page(self, *, patience_s: float = _BOOT_S) -> float:
        """Return the seconds from switching on to the page's first answer."""
        self._until(self._answers, patience_s)
        return time.monotonic() - self.began_s

    def learn_code(self) -> None:
        """Read the access code off the machine, as its owner reads it off the console."""
        self.code = self.run("cat /var/lib/spotwright/access-code")

    def faults(self) -> set[str]:
        """What the page says is wrong with the rig."""
        return {fault["code"] for fault in self.get("/api/state")["rig"]["faults"]}

    def sees(self) -> bool:
        """Whether the page has a new picture of the camera."""
        try:
            with self._open(urllib.request.Request(f"{self.url}/api/frame.jpg?width=320")) as answer:
                return bool(answer.read(2) == b"\xff\xd8")
        except urllib.error.HTTPError:
            return False

    def events(self, tab: str) -> HTTPResponse:
        """Open the event stream of a page of that name."""
        return self._open(urllib.request.Request(f"{self.url}/api/events?of=bench&tab={tab}"))

    def properties(self, *names: str) -> dict[str, str]:
        """What systemd says of the service."""
        words = " ".join(f"-p {name}" for name in names)
        return dict(
            line.split("=", 1) for line in self.run(f"systemctl show spotwright {words}").splitlines()
        )

    def get(self, path: str) -> Json:
        """Return the JSON of that address, asked as a telephone does that has the access code."""
        return self._ask(urllib.request.Request(self.url + path))

    def do(self, action: str, body: Json | None = None, *, step: str | None = None) -> Json:
        """Press something on the page; raises urllib.error.HTTPError where it is refused.

        step : which the press answers; without it the page is asked first.
        """
        named = {"step": step or self.get("/api/state")["step"], "key": uuid4().hex}
        data = json.dumps((body or {}) | named).encode()
        return self._ask(urllib.request.Request(f"{self.url}/api/do/bench/{action}", data, method="POST"))

    def cut(self) -> None:
        """Pull the plug."""
        self._end(lambda process: process.kill())

    def shut_down(self) -> None:
        """Switch off in good order."""
        if self._shell is not None:
            self._shell.sendall(base64.b64encode(b"systemctl poweroff --no-block") + b"\n")
        self._end(lambda process: process.wait(_BOOT_S))

    def _end(self, how: Callable[[subprocess.Popen[bytes]], object]) -> None:
        process, self._process = self._process, None
        if self._shell is not None and process is not None:
            how(process)
            process.wait()
            if process.stderr is not None:
                process.stderr.close()
            self._shell.close()
        self._shell = None
        if self._orders is not None:
            with suppress(OSError):
                self._orders.close()
        self._orders = None

    def _ask(self, request: urllib.request.Request) -> Json:
        request.add_header("Content-Type", "application/json")
        with self._open(request) as answer:
            return dict(json.load(answer))

    def _open(self, request: urllib.request.Request) -> HTTPResponse:
        if self.code is not None:
            request.add_header("Authorization", f"Bearer {self.code}")
        answer: HTTPResponse = urllib.request.urlopen(request, timeout=_BOOT_S)
        return answer

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/static/spot.svg", timeout=_BOOT_S):
                return True
        except OSError:
            return False

    def until(self, there: Callable[[], bool], patience_s: float = 300.0) -> None:
        """Wait for an event of the guest."""
        self._until(there, patience_s)

    def _until(self, there: Callable[[], bool], patience_s: float) -> None:
        give_up_s = time.monotonic() + patience_s
        while not there():
            self.check_runs()
            if time.monotonic() > give_up_s:
                raise GuestSilent(
                    f"nothing for {patience_s:g} s; its console ends with:\n{self.console[-2000:]}"
                )
            time.sleep(0.5)  # each look is work for the guest

    def _line(self, patience_s: float) -> str:
        assert self._shell is not None
        give_up_s = time.monotonic() + patience_s
        while b"\n" not in self._rest:
            self.check_runs()
            self._shell.settimeout(5.0)
            with suppress(TimeoutError):
                self._rest += self._shell.recv(65536)
            if time.monotonic() > give_up_s:
                raise GuestSilent(
                    f"no answer for {patience_s:g} s; its console ends with:\n{self.console[-2000:]}"
                )
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("ascii", "replace").strip()

    def check_runs(self) -> None:
        """Raise GuestSilent if the emulator has ended."""
        if self._process is None or self._process.poll() is not None:
            said = self._process.stderr.read().decode() if self._process and self._process.stderr else ""
            raise GuestSilent(f"the emulator has ended: {said}; console:\n{self.console[-2000:]}")


def disk_on(base: Path, to: Path) -> Path:
    """Make a disk that begins as that one (``.raw``, ``.qcow2``) and leaves it as it is; returns its path."""
    words = ["qemu-img", "create", "-q", "-f", "qcow2", "-F", base.suffix[1:], "-b", str(base), str(to)]
    subprocess.run(words, check=True)
    return to


def newest_root() -> Path:
    """Return the folder that .ci/machine made last; raises FileNotFoundError where there is none."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "spotwright"
    found = sorted(cache.glob("machine-*.raw"), key=lambda path: path.stat().st_mtime)
    if not found:
        raise FileNotFoundError("no machine here: 'bash .ci/machine' makes one")
    return found[-1].with_suffix("")


def qemu_missing() -> str | None:
    """Return why there can be no guest here, or None."""
    for name in ("qemu-system-x86_64", "qemu-img", "mkfs.ext4"):
        if shutil.which(name) is None:
            return f"no {name}"
    return None
